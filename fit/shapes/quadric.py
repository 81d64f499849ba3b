"""The axis of a cylinder or cone read off the quadric through its points: quick, and tested before it is believed."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray
from fit.shapes.sums import gram

__all__ = ["quadric_axis"]


def quadric_axis(rows: FloatArray, squares: FloatArray) -> tuple[FloatArray, float]:
    """Direction (3,) of the axis, and the mean square of the points' distances from the quadric, to first order.

    rows (3, N) must be centred and seen along their principal axes, of mean squares (3,): the mean products of the
    gradients of x … yz are then zero but for each one's own, so that the least Σ f² / Σ |grad f|² (Taubin, IEEE Trans.
    PAMI 13 (1991) 1115) is an eigenvector. The axis belongs to the eigenvalue of the second-order part that stands apart
    from the other two. Distances are f / |grad f| (Sampson 1982).
    """
    x, y, z = rows
    table = np.empty((10, rows.shape[1]))
    table[0], table[1:4] = 1.0, rows
    np.multiply(rows, rows, out=table[4:7])
    np.multiply(x, y, out=table[7])
    np.multiply(x, z, out=table[8])
    np.multiply(y, z, out=table[9])
    sums = gram(table, table) / rows.shape[1]
    mean = sums[0, 1:]
    xx, yy, zz = squares.tolist()
    steep = np.sqrt([1.0, 1.0, 1.0, 4 * xx, 4 * yy, 4 * zz, xx + yy, xx + zz, yy + zz])
    spread = (sums[1:, 1:] - mean * mean[:, None]) / steep / steep[:, None]
    q = np.linalg.eigh(spread)[1][:, 0] / steep
    a, b, c, ab, ac, bc = q[3:].tolist()
    form = np.array([[2 * a, ab, ac], [ab, 2 * b, bc], [ac, bc, 2 * c]])
    values, directions = np.linalg.eigh(form)
    apart = 0 if values[1] - values[0] > values[2] - values[1] else 2
    slope = form @ rows + q[:3, None]
    miss = q @ table[1:] - float(q @ mean)
    return directions[:, apart], float((miss * miss / ((slope * slope).sum(axis=0) + 1e-300)).sum()) / rows.shape[1]
