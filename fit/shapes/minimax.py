"""The smallest largest value of linear functions: a handful of unknowns, hundreds of functions."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray

__all__ = ["minimax"]

_TIGHT = 1e-10
"""What a bound may be missed by: bounds that are nearly the same leave so much rounding in where they cross."""
_PIVOT = 1e-8
"""A pull this weak would leave bounds held that are nearly the same."""
_SLACK = 1e-11
"""What a multiplier, of one in all, may turn negative by."""
_QUICK = 100
"""Exchanges after which the first bound missed comes in (Bland, Math. Oper. Res. 2 (1977) 103): no going in circles."""
_MOST = 400


def minimax(values: FloatArray, slopes: FloatArray, reach: float) -> tuple[FloatArray, float]:
    """Step x (p,) with every |x| ≤ reach that makes the largest of values (M,) + slopes (M, p) x smallest, and that largest.

    Dual simplex, which is Stiefel's exchange (Numer. Math. 1 (1959) 1): p + 1 bounds hold x and the largest value t;
    the bound missed most comes in, and out goes the one whose multiplier would first turn negative. It starts from one
    function and the sides of the box that it leans on. Values and slopes should be near 1. Where bounds are so nearly the
    same that rounding hides the end, it is near the smallest, and what it comes to is told.
    """
    count, size = slopes.shape
    # bounds row · (x, t) ≥ floor: t over every function, then both sides of the box
    bounds = np.zeros((count + 2 * size, size + 1))
    bounds[:count, :-1], bounds[:count, -1] = -slopes, 1.0
    bounds[count : count + size, :-1], bounds[count + size :, :-1] = np.eye(size), -np.eye(size)
    floor = np.concatenate([values, np.full(2 * size, -reach)])
    first = int(np.argmax(values))
    held = np.array([*(count + np.arange(size) + np.where(slopes[first] < 0, size, 0)), first])
    best, nearest = float(values.max()), np.zeros(size)
    for turn in range(_MOST):
        try:
            inverse = np.linalg.inv(bounds[held])
        except np.linalg.LinAlgError:
            break
        place = inverse @ floor[held]
        missed = floor - bounds @ place
        missed[held] = 0.0
        enters = _entering(missed, turn < _QUICK)
        if enters is None:
            return place[:-1], float(place[-1])
        if place[-1] + missed.max() < best:
            best, nearest = float(place[-1] + missed.max()), place[:-1]
        leaves = _leaving(inverse, bounds[enters])
        if leaves is None:
            break
        held[leaves] = enters
    nearest = np.clip(nearest, -reach, reach)
    return nearest, float((values + slopes @ nearest).max())


def _entering(missed: FloatArray, quick: bool) -> int | None:
    """The bound missed most, or the first of those missed. None where all hold."""
    worst = int(np.argmax(missed))
    if missed[worst] <= _TIGHT:
        return None
    return worst if quick else int(np.argmax(missed > _TIGHT))


def _leaving(inverse: FloatArray, row: FloatArray) -> int | None:
    """Place of the held bound whose multiplier reaches zero first; of those that all but do, the one that pulls most
    (Harris, Math. Programming 5 (1973) 1).

    The multipliers of the held bounds are the last row of their inverse: they balance t, which is what is made small.
    """
    pull = row @ inverse
    open_ = np.flatnonzero(pull > _PIVOT)
    if not len(open_):
        return None
    left, pull = np.maximum(inverse[-1, open_], 0.0), pull[open_]
    first = left / pull <= ((left + _SLACK) / pull).min()
    return int(open_[first][np.argmax(pull[first])])
