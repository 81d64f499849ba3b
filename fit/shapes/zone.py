"""Minimum zone: the shape whose largest distance from the points is smallest (Chebyshev fit)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray
from fit.shapes.minimax import minimax
from fit.shapes.model import Model

__all__ = ["minimum_zone"]

_ROUNDS = 80
_START = 60


def minimum_zone(model: Model, state: Any, rows: FloatArray) -> float:
    """Width in mm of the narrowest zone of the shape's kind that holds all points, started from the fitted state.

    Sequential linear programming: each round solves the linearised minimax exactly on the points that matter and adds
    those it left outside (Anthony et al., Precision Engineering 19 (1996) 28). For two distances per point (a line in
    space) the zone is a round cylinder and directions are added as they become the widest.

    Parameters
    ----------
    model, state : the shape and its least-squares state. rows : (D, N) points.
    """
    residuals, jacobian = model.evaluate(state, rows)
    size = _size(residuals)
    best, reach, told = float(size.max()), 4.0, 0.0
    members = np.unique(np.concatenate([np.argsort(r)[[*range(min(_START, len(r)))]] for r in (-size, *residuals)]))
    facing = _directions(residuals, members)
    for _ in range(_ROUNDS):
        if best <= 1e-13 * float(np.ptp(rows)):
            break
        step, promised = _linear(residuals, jacobian, (members, facing), best, reach)
        trial = model.move(state, step)
        new_residuals, new_jacobian = model.evaluate(trial, rows)
        new_size = _size(new_residuals)
        worst = float(new_size.max())
        more = np.argsort(-new_size)[:20]
        members = np.concatenate([members, more])
        facing = np.concatenate([facing, _directions(new_residuals, more)], axis=1)
        improved, near = worst < best, promised > worst * (1 - 1e-9)
        # members that came in without raising what is promised will not do so next time either
        settled = promised >= best * (1 - 1e-12) or (near and not improved and promised <= told * (1 + 1e-12))
        told = promised if near and not improved else 0.0
        if improved:
            state, residuals, jacobian, best = trial, new_residuals, new_jacobian, worst
        elif not near:
            reach /= 4
        if settled or reach < 1e-12:
            break
    return 2 * best


def _size(residuals: FloatArray) -> FloatArray:
    return np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))


def _directions(residuals: FloatArray, members: NDArray[np.int_]) -> FloatArray:
    """Unit directions (r, M) in which the members' distances are held."""
    part = residuals[:, members]
    return part / np.maximum(_size(part), 1e-300)


def _linear(
    residuals: FloatArray,
    jacobian: FloatArray,
    held: tuple[NDArray[np.int_], FloatArray],
    best: float,
    reach: float,
) -> tuple[FloatArray, float]:
    """Step (p,) of the linear minimax within `reach` zone widths, and the largest distance it promises."""
    members, facing = held
    values = np.sum(residuals[:, members] * facing, axis=0) / best
    slopes = np.einsum("rm,prm->mp", facing, jacobian[:, :, members])
    scale = np.maximum(np.abs(jacobian).max(axis=(1, 2)), 1e-300)
    slopes = slopes / scale
    if len(residuals) == 1:
        values, slopes = np.concatenate([values, -values]), np.concatenate([slopes, -slopes])
    step, largest = minimax(values, slopes, reach)
    return step * best / scale, largest * best
