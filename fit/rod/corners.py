"""Where neighbouring axes of a rod cross or pass each other."""

from __future__ import annotations

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["crossing", "feet"]


def feet(first: FloatArray, last: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Axes cut to where each passes its neighbours nearest; the rod's own ends stay."""
    first, last = first.copy(), last.copy()
    near = [crossing(first[i], last[i], first[i + 1], last[i + 1]) for i in range(len(first) - 1)]
    for i, (before, after) in enumerate(near):
        last[i], first[i + 1] = before, after
    return first, last


def crossing(a1: FloatArray, a2: FloatArray, b1: FloatArray, b2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nearest points (3,) of two lines, each through two points; raises CannotDetermine for parallel lines."""
    u, v = a2 - a1, b2 - b1
    u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
    sine = float(np.linalg.norm(np.cross(u, v)))
    if sine < 0.005:
        message = "Two neighbouring runs are parallel, so they have no corner; join them or name the run between them."
        raise CannotDetermine(message)
    matrix = np.stack([u, -v], axis=1)
    s, t = np.linalg.lstsq(matrix, b1 - a1, rcond=None)[0]
    return a1 + s * u, b1 + t * v
