"""The smallest largest value of linear functions: a handful of unknowns, hundreds of functions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["minimax"]

_TIGHT = 1e-10
"""What a bound may be missed by: bounds that are nearly the same leave so much rounding in where they cross."""
_PIVOT = 1e-11
_QUICK = 200
"""Exchanges after which Bland's rule (Math. Oper. Res. 2 (1977) 103), slow but sure to end, takes over."""
_MOST = 2000


def minimax(values: FloatArray, slopes: FloatArray, reach: float) -> tuple[FloatArray, float]:
    """Step x (p,) with every |x| ≤ reach that makes the largest of values (M,) + slopes (M, p) x smallest, and that largest.

    Dual simplex, which is Stiefel's exchange (Numer. Math. 1 (1959) 1): p + 1 bounds hold x and the largest value t;
    the bound missed most comes in, and out goes the one whose multiplier would first turn negative. It starts from one
    function and the sides of the box that it leans on. Values and slopes should be near 1.
    """
    count, size = slopes.shape
    # bounds row · (x, t) ≥ floor: t over every function, then both sides of the box
    bounds = np.zeros((count + 2 * size, size + 1))
    bounds[:count, :-1], bounds[:count, -1] = -slopes, 1.0
    bounds[count : count + size, :-1], bounds[count + size :, :-1] = np.eye(size), -np.eye(size)
    floor = np.concatenate([values, np.full(2 * size, -reach)])
    first = int(np.argmax(values))
    held = np.array([*(count + np.arange(size) + np.where(slopes[first] < 0, size, 0)), first])
    for turn in range(_MOST):
        inverse = np.linalg.inv(bounds[held])
        place = inverse @ floor[held]
        missed = floor - bounds @ place
        missed[held] = 0.0
        enters = _entering(missed, turn < _QUICK)
        if enters is None:
            break
        leaves = _leaving(inverse, bounds[enters], held)
        if leaves is None:
            break
        held[leaves] = enters
    return place[:-1], float(place[-1])


def _entering(missed: FloatArray, quick: bool) -> int | None:
    """The bound missed most; else by Bland's rule the first of those missed. None where all hold."""
    worst = int(np.argmax(missed))
    if missed[worst] <= _TIGHT:
        return None
    return worst if quick else int(np.argmax(missed > _TIGHT))


def _leaving(inverse: FloatArray, row: FloatArray, held: NDArray[np.int_]) -> int | None:
    """Place of the held bound whose multiplier reaches zero first, the first-numbered of equal ones.

    The multipliers of the held bounds are the last row of their inverse: they balance t, which is what is made small.
    """
    pull = row @ inverse
    open_ = np.flatnonzero(pull > _PIVOT)
    if not len(open_):
        return None
    ratio = np.maximum(inverse[-1, open_], 0.0) / pull[open_]
    least = open_[ratio <= ratio.min() * (1 + 1e-12)]
    return int(least[np.argmin(held[least])])
