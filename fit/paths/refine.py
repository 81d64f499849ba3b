"""All pieces of a chain fitted together to the points, by orthogonal distance.

The unknowns are the chain's natural ones, so tangent continuity costs no constraint. Every derivative is the move of the
curve at a point's foot across the curve; on one piece it is a mix of four functions (two of the normal, one of the
lever, one of the piece's own curvature), so the normal equations need 4 × 4 sums per piece and no matrix over points.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import Chain, Layout, layout, unit, wrap
from fit.paths.held import hold, solve_held
from fit.points import FloatArray

__all__ = ["ROUNDS", "SEARCHED", "Fit", "Rows", "basis", "columns", "feet", "free_mask", "normal_equations", "refine"]

ROUNDS, _HEAVY = 30, 1e-3
"""Most steps of one fit, and the damping from which steps are short rather than wrong."""
SEARCHED = 8
"""Steps in which a chain has nearly all of its fall in χ² behind it: enough to choose between readings. Those that need more
creep along a joint of hardly any turn."""
_CLOSING, _STIFF = 4, 10.0
"""Most steps that only bring a chain to meet its conditions, and a damping under which a step does little else."""

_MET, _SQUEEZED = 1e-6, 1e-4
"""Misfit of a condition, mm or radians, that counts as none; and length of a piece, mm, that is squeezed out."""

Rows = Callable[[Chain, Layout, FloatArray], tuple[FloatArray, FloatArray]]
"""Further conditions: (chain, layout, columns (3, P)) -> gradient (C, P) and present misfit (C,)."""


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """A chain fitted to points.

    Attributes
    ----------
    chain : the chain. bounds : (K + 1,) first point of each piece, and the number of points.
    chi2 : weighted sum of squared distances. residuals : (N,) mm, left of the path positive.
    along : (N,) mm from the start of its piece to each point's foot. foot_heading : (N,) radians.
    """

    chain: Chain
    bounds: NDArray[np.int_]
    chi2: float
    residuals: FloatArray
    along: FloatArray
    foot_heading: FloatArray

    @property
    def piece(self) -> NDArray[np.int_]:
        """Piece number of each point (N,)."""
        return np.repeat(np.arange(len(self.chain)), np.diff(self.bounds))


def _assign(xy: FloatArray, chain: Chain, where: Layout, bounds: NDArray[np.int_]) -> NDArray[np.int_] | None:
    """Move each joint's place among the points to where the points pass it; None where a piece ran out of points."""
    if len(chain) == 1:
        return bounds
    middle = (bounds[:-1] + bounds[1:]) // 2
    if (np.diff(middle) < 1).any():
        return None
    joint = where.joints[1:-1]
    across = unit(where.after[:-1]) + unit(where.before[1:])
    window = np.repeat(np.arange(len(chain) - 1), np.diff(middle))
    offset = xy[middle[0] : middle[-1]] - joint[window]
    behind = np.einsum("ij,ij->i", offset, across[window]) < 0
    moved = bounds.copy()
    moved[1:-1] = middle[:-1] + np.add.reduceat(behind, middle[:-1] - middle[0])
    return moved if (np.diff(moved) >= 1).all() else None


def feet(xy: FloatArray, weight: FloatArray, chain: Chain, where: Layout, bounds: NDArray[np.int_]) -> Fit:
    """Feet and signed distances of all points from their pieces; lines and circles run on beyond their ends."""
    piece = np.repeat(np.arange(len(chain)), np.diff(bounds))
    kappa, heading = chain.curvatures[piece], where.before[piece]
    c, s = np.cos(where.before)[piece], np.sin(where.before)[piece]
    dx, dy = (xy - where.joints[piece]).T
    a, b = dx * c + dy * s, dy * c - dx * s
    r2 = a * a + b * b
    q = np.sqrt(np.maximum(1 - 2 * kappa * b + kappa * kappa * r2, 0.0))
    distance = (2 * b - kappa * r2) / (1 + q)
    half = (chain.curvatures * chain.lengths / 2)[piece]
    bend = half + wrap(np.arctan2(kappa * a, 1 - kappa * b) - half)
    curved = np.abs(kappa) > 1e-12
    along = np.where(curved, bend / np.where(curved, kappa, 1.0), a)
    return Fit(chain, bounds, float(weight @ (distance * distance)), distance, along, heading + bend)


def basis(xy: FloatArray, fit: Fit) -> FloatArray:
    """The four functions (4, N) that every derivative on a piece is a mix of: normal x, y, lever, own curvature."""
    tx, ty = np.cos(fit.foot_heading), np.sin(fit.foot_heading)
    x, y = xy[:, 0] + ty * fit.residuals, xy[:, 1] - tx * fit.residuals
    half = fit.chain.curvatures[fit.piece] * fit.along / 2
    return np.stack([-ty, tx, tx * x + ty * y, 0.5 * (fit.along * np.sinc(half / np.pi)) ** 2])


def columns(chain: Chain, where: Layout) -> tuple[FloatArray, FloatArray]:
    """Each unknown's effect downstream: (3, P) move in x, y and turn about the origin; and (K, 4, P) by piece.

    The unknowns are x, y, heading of the start, then length, curvature and turn of each piece.
    """
    k = len(chain)
    ex, ey = np.cos(where.after), np.sin(where.after)
    (qx, qy), (px, py) = where.joints[1:].T, where.joints[:-1].T
    bend, length = chain.curvatures * chain.lengths, chain.lengths
    half, mid = bend / 2, where.before + bend / 2
    sinc = np.sinc(half / np.pi)
    slope = np.where(np.abs(half) < 1e-4, -half / 3, (np.cos(half) - sinc) / np.where(half == 0, 1.0, half))
    dx = 0.5 * length**2 * (slope * np.cos(mid) - sinc * np.sin(mid))
    dy = 0.5 * length**2 * (slope * np.sin(mid) + sinc * np.cos(mid))
    one = np.ones(k)
    table = np.zeros((3, 3 + 3 * k))
    table[:, :3] = np.array([[1.0, 0.0, chain.start[1]], [0.0, 1.0, -chain.start[0]], [0.0, 0.0, 1.0]])
    table[:, 3::3] = ex + chain.curvatures * qy, ey - chain.curvatures * qx, chain.curvatures
    table[:, 4::3] = dx + length * qy, dy - length * qx, length
    table[:, 5::3] = py, -px, one
    reach = np.zeros((k, 3 + 3 * k))
    reach[:, :3] = 1.0
    later = np.tri(k, k, -1)
    reach[:, 3::3], reach[:, 4::3], reach[:, 5::3] = later, later, later + np.eye(k)
    full = np.zeros((k, 4, 3 + 3 * k))
    full[:, :3] = table[None] * reach[:, None]
    full[np.arange(k), 3, 4 + 3 * np.arange(k)] = 1.0
    return table, full


def free_mask(chain: Chain) -> NDArray[np.bool_]:
    """Which of the P unknowns are free once tangent joints hold: lengths, curvatures of arcs, turns of corners."""
    free = np.ones(3 + 3 * len(chain), dtype=bool)
    free[4::3], free[5::3] = chain.arcs, chain.corners
    free[5] = False
    free[-3] = chain.closed
    return free


def _apply(chain: Chain, step: FloatArray) -> Chain:
    """Take a step so that every heading moves by exactly its linear part: lengths and total bends step, not curvatures.

    Downstream pieces hang on a heading by a long lever; the product of a length's and a curvature's step would swing them.
    """
    longer, sharper = step[3::3], step[4::3]
    lengths = chain.lengths + longer
    curvatures = (chain.curvatures * (chain.lengths + longer) + chain.lengths * sharper) / lengths
    return replace(
        chain,
        start=chain.start + step[:2],
        heading=chain.heading + step[2],
        lengths=lengths,
        curvatures=curvatures,
        turns=chain.turns + step[5::3],
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Look:
    """A fit with its derivatives (K, 4, P), its conditions (C, P), and how far it is from them (C,)."""

    fit: Fit
    where: Layout
    full: FloatArray
    rows: FloatArray
    misfit: FloatArray


def _look(fit: Fit, where: Layout, extra: Rows | None) -> _Look:
    table, full = columns(fit.chain, where)
    rows, misfit = hold(fit.chain, where, table)
    if extra is not None:
        more, less = extra(fit.chain, where, table)
        rows, misfit = np.concatenate([rows, more]), np.concatenate([misfit, less])
    return _Look(fit, where, full, rows, misfit)


def _step(
    xy: FloatArray, weight: FloatArray, look: _Look, damping: float
) -> tuple[FloatArray, tuple[FloatArray, FloatArray] | None]:
    """One damped step (P,), and the conditions' pulls; None while joints are not tangent, when χ² cannot judge it."""
    chain, rows, misfit = look.fit.chain, look.rows, look.misfit
    slack = (chain.turns != 0) & ~chain.corners
    free = free_mask(chain)
    free[5::3] |= slack
    if slack.any():
        tangent = np.zeros((int(slack.sum()), rows.shape[1]))
        tangent[np.arange(len(tangent)), 5 + 3 * np.flatnonzero(slack)] = 1.0
        rows, misfit = np.concatenate([rows, tangent]), np.concatenate([misfit, chain.turns[slack]])
    normal, gradient = normal_equations(xy, weight, look.fit, look.full[:, :, free])
    found, _, (pull, stiff) = solve_held(normal, gradient, rows[:, free], misfit, damping)
    step = np.zeros(rows.shape[1])
    step[free] = found
    count = len(look.misfit)
    tangent_yet = np.abs(chain.turns[slack]).max(initial=0.0) < _MET
    return step, (pull[:count], stiff[:count, :count]) if tangent_yet else None


def normal_equations(xy: FloatArray, weight: FloatArray, fit: Fit, full: FloatArray) -> tuple[FloatArray, FloatArray]:
    """JᵀWJ (P, P) and JᵀWr (P,) from 4 × 4 sums per piece; full is (K, 4, P)."""
    b = basis(xy, fit)
    upper = np.triu_indices(4)
    sums = np.add.reduceat(
        np.concatenate([b[upper[0]] * b[upper[1]], b * fit.residuals]) * weight, fit.bounds[:-1], axis=1
    )
    moments = np.zeros((len(fit.chain), 4, 4))
    moments[:, upper[0], upper[1]] = moments[:, upper[1], upper[0]] = sums[:10].T
    p = full.shape[2]
    normal = full.reshape(-1, p).T @ (moments @ full).reshape(-1, p)
    return normal, full.reshape(-1, p).T @ sums[10:].T.reshape(-1)


def _shorten(chain: Chain, step: FloatArray) -> FloatArray:
    """Scale a step so that no length loses more than four fifths and no arc turns by more than 340°."""
    loss = -step[3::3] / chain.lengths
    step = step * min(1.0, 0.8 / max(float(loss.max()), 1e-12))
    moved = _apply(chain, step)
    limit = 5.9 if len(chain) > 1 else 7.0
    return step if (np.abs(moved.curvatures * moved.lengths) < limit).all() else 0.3 * step


def refine(
    xy: FloatArray,
    weight: FloatArray,
    chain: Chain,
    bounds: NDArray[np.int_],
    extra: Rows | None = None,
    *,
    settle: float = 1e-3,
    rounds: int = ROUNDS,
) -> Fit | None:
    """Fit the chain to points (N, 2) with weights 1/σ² (N,), from a start near by; None where it finds no hold.

    Levenberg-Marquardt with the tangent, closing and user conditions held exactly by multipliers.
    settle : a fall of χ² below this ends the search.
    rounds : most steps; a chain that has not settled by then is taken as it is.
    """
    begun = _assign(xy, chain, layout(chain), bounds) if (np.diff(bounds) > 1).all() else bounds
    if begun is None:
        return None
    where = layout(chain)
    look, damping = _look(feet(xy, weight, chain, where, begun), where, extra), 1e-6
    for _ in range(rounds):
        trial, gain = _tried(xy, weight, look, damping, extra)
        if trial is None:
            return None
        small = _met(trial) and damping < _HEAVY
        if gain < 0:
            if -gain < settle and small:
                return _finished(trial.fit)
            damping = max(damping * 30, _HEAVY)
            if damping > 1e4:
                return _finished(look.fit) if _met(look) else None
            continue
        look, damping = trial, damping / 10
        if gain < settle and _met(look):
            return _finished(look.fit)
    return _closed(xy, weight, look, extra)


def _closed(xy: FloatArray, weight: FloatArray, look: _Look, extra: Rows | None) -> Fit | None:
    """The chain brought to meet its conditions by steps too short to do anything else."""
    for _ in range(_CLOSING):
        if _met(look):
            return _finished(look.fit)
        trial, _ = _tried(xy, weight, look, _STIFF, extra)
        if trial is None:
            return None
        look = trial
    return _finished(look.fit) if _met(look) else None


def _met(look: _Look) -> bool:
    """Whether joints are tangent and the chain meets its conditions."""
    slack = np.abs(look.fit.chain.turns[~look.fit.chain.corners]).max(initial=0.0)
    return slack < _MET and float(np.abs(look.misfit).max()) < _MET


def _tried(
    xy: FloatArray, weight: FloatArray, look: _Look, damping: float, extra: Rows | None
) -> tuple[_Look | None, float]:
    """The chain one step on, None where it loses a piece, and what the step gained; infinite where χ² cannot judge it.

    A step bends the conditions; χ² is compared with what it costs to meet them again (the augmented Lagrangian).
    """
    try:
        step, pulls = _step(xy, weight, look, damping)
    except np.linalg.LinAlgError:
        return None, math.inf
    moved = _apply(look.fit.chain, _shorten(look.fit.chain, step))
    where = layout(moved)
    bounds = _assign(xy, moved, where, look.fit.bounds)
    if bounds is None or moved.lengths.min() < _SQUEEZED:
        return None, math.inf
    trial = _look(feet(xy, weight, moved, where, bounds), where, extra)
    if pulls is None:
        return trial, math.inf
    gain = _cost(look, pulls) - _cost(trial, pulls)
    return trial, gain if math.isfinite(gain) else -math.inf


def _cost(look: _Look, pulls: tuple[FloatArray, FloatArray]) -> float:
    return look.fit.chi2 + float(look.misfit @ (2 * pulls[0] + pulls[1] @ look.misfit))


def _finished(fit: Fit) -> Fit | None:
    return fit if np.isfinite(fit.chi2) and (fit.chain.lengths > _SQUEEZED).all() else None
