"""Taubin's algebraic circle and sphere: a start that is nearly free of bias on short arcs and caps."""

from __future__ import annotations

import math

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.sums import gram

__all__ = ["taubin"]


def taubin(rows: FloatArray) -> FloatArray:
    """Centre and radius (D + 1,) through points (D, N), D = 2 or 3.

    Taubin, IEEE Trans. PAMI 13 (1991) 1115; solved on moments about the centroid as in Chernov, Circular and Linear
    Regression (2010), 5.10.

    Raises
    ------
    CannotDetermine : the points lie in line or in a plane.
    """
    count = rows.shape[1]
    centre = rows.sum(axis=1) / count
    table = np.empty((len(rows) + 1, count))
    off, square = table[1:], table[0]
    np.subtract(rows, centre[:, None], out=off)
    np.einsum("dn,dn->n", off, off, out=square)
    mean = float(square.sum()) / count
    if not mean > 0:
        message = "All points lie in one place; they give no circle or sphere."
        raise CannotDetermine(message)
    scale = 2 * math.sqrt(mean)
    square -= mean
    square /= scale
    bend, *lean = np.linalg.eigh(gram(table, table))[1][:, 0].tolist()
    if abs(bend) < 1e-12:
        message = "The points lie in line or in a plane; they give no circle or sphere."
        raise CannotDetermine(message)
    middle = [-part * scale / (2 * bend) for part in lean]
    radius = math.sqrt(sum(part * part for part in middle) + mean)
    return np.array([*map(float.__add__, centre.tolist(), middle), radius])
