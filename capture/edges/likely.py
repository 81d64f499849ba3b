"""The likeliest move of a whole edge, hole, slot or outline, from what its lengths cost at each place."""

from __future__ import annotations

import math

import numpy as np

from capture.edges.lengths import NEAR, Lengths
from capture.edges.slot_holes import Stadium
from fit.points import FloatArray

__all__ = ["likely_chain_move", "likely_circle_move", "likely_line_move", "likely_slot_move", "slot_values"]

_FOUND_U_MM, _LINE_FOUND_U_MM = 0.15, 0.25
_CREDIT = 0.25
"""What a length tells as a share of what it would tell if lengths erred on their own."""
_CIRCLE_GRIDS = ((0.3, 0.05), (0.06, 0.02))
_SLOT_GRIDS = ((0.3, 0.1), (0.12, 0.04))
"""Reach and step, mm, of the moves tried, one after the other, each again while the best lies at its rim."""
_TURNS = 4
_WAVES_MM, _OTHER_WAY = 0.05, 0.02
"""What a length of an outline may lie off lines and arcs by, and how likely it is that it shows something else."""
_STEPS, _HALVINGS, _SETTLED = 12, 8, 1e-3
_LEAST_MOVE = 0.05
"""Share of what moves lengths most, below which a move is not told by them."""


def likely_circle_move(costs: FloatArray, ring: Lengths) -> tuple[FloatArray, FloatArray]:
    """Mean move (dx, dy, dr) of a circle, mm, and its covariance; costs (W, S) over `NEAR` of its lengths."""
    return _likely(costs, np.column_stack([ring.facing, -np.ones(len(costs))]), _CIRCLE_GRIDS)


def likely_line_move(costs: FloatArray) -> float:
    """Mean outward move of a line, mm; costs (W, S) over `NEAR` of its lengths, each long enough to err on its own."""
    cost = costs.sum(axis=0) + (NEAR.shifts / _LINE_FOUND_U_MM) ** 2 / 2
    share = np.exp(cost.min() - cost)
    return float(share @ NEAR.shifts / share.sum())


def likely_slot_move(costs: FloatArray, ring: Lengths, slot: Stadium, spacing: float) -> tuple[FloatArray, FloatArray]:
    """Mean move (5,) of a slot, as `Stadium.moved` takes it, and its covariance.

    costs (W, S) over `NEAR` of the lengths of its contour with rows so far apart, mm.
    """
    share = np.bincount(ring.row, slot.rows(spacing)[0]) / np.bincount(ring.row)
    along = slot.along
    axes = ring.facing @ np.array([along, [-along[1], along[0]]]).T
    ends = [part[:, None] * axes for part in (1 - share, share)]
    return _likely(costs, np.column_stack([*ends, -np.ones(len(costs))]), _SLOT_GRIDS)


def likely_chain_move(costs: FloatArray, slopes: FloatArray) -> FloatArray:
    """How much of each move (P,) that an outline's pieces can make together is likeliest.

    costs (W, S) over `NEAR`. slopes (W, P): how far outward the lengths go by each of those moves, mm. What hardly moves
    any length as a whole is not moved.
    """
    base, size, turn = np.linalg.svd(slopes, full_matrices=False)
    told = size > _LEAST_MOVE * size[0]
    way = _likely_way(costs, base[:, told])
    return np.asarray(turn[told].T @ (base[:, told].T @ way / size[told]))


def _likely_way(costs: FloatArray, base: FloatArray) -> FloatArray:
    """The likeliest outward move (W,) of lengths, mm, in the span of an orthonormal base (W, Q)."""
    shifts, pitch = NEAR.shifts, float(NEAR.shifts[1] - NEAR.shifts[0])
    near = np.exp(-0.5 * ((shifts[:, None] - shifts) / _WAVES_MM) ** 2)
    likely = np.exp(-_CREDIT * (costs - costs.min(axis=1, keepdims=True))) @ (near / near.sum(axis=0))
    rise = np.gradient(-np.log(likely + _OTHER_WAY), pitch, axis=1)
    level = np.cumsum(np.pad((rise[:, 1:] + rise[:, :-1]) * pitch / 2, ((0, 0), (1, 0))), axis=1)
    each, hold = np.arange(len(costs)), _CREDIT / _FOUND_U_MM**2

    def told(way: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Cost of outward moves (W,), its slope and its bend."""
        at = np.clip((way - shifts[0]) / pitch, 0, len(shifts) - 1.001)
        low = at.astype(int)
        at -= low
        first, bend = rise[each, low], (rise[each, low + 1] - rise[each, low]) / pitch
        here = level[each, low] + at * pitch * (first + at * pitch * bend / 2)
        return float((here + hold * way**2 / 2).sum()), first + at * pitch * bend + hold * way, bend + hold

    way, (cost, slope, bend) = np.zeros(len(costs)), told(np.zeros(len(costs)))
    for _ in range(_STEPS):
        normal = base.T @ (base * np.maximum(bend, hold)[:, None])
        step = -base @ np.linalg.solve(normal, base.T @ slope)
        tried = ((way + step / 2**k, told(way + step / 2**k)) for k in range(_HALVINGS))
        better = next(((to, new) for to, new in tried if new[0] < cost), None)
        if better is None:
            break
        gain, (way, (cost, slope, bend)) = cost - better[1][0], better
        if gain < _SETTLED:
            break
    return way


def slot_values(slot: Stadium) -> tuple[dict[str, float], FloatArray]:
    """A slot's x, y, length, width and angle, and their derivatives (5, 5) by a move of it."""
    along, across = slot.along, np.array([-slot.along[1], slot.along[0]])
    apart = float(np.hypot(*(slot.last - slot.first)))
    turn = np.zeros((5, 5))
    turn[:2, [0, 2]], turn[:2, [1, 3]] = along[:, None] / 2, across[:, None] / 2
    turn[2, [0, 2, 4]], turn[3, 4] = (-1.0, 1.0, 2.0), 2.0
    turn[4, [1, 3]] = -1 / apart, 1 / apart
    x, y = map(float, slot.middle)
    angle = math.atan2(along[1], along[0]) % math.pi
    return {"x": x, "y": y, "length": apart + 2 * slot.radius, "width": 2 * slot.radius, "angle": angle}, turn


def _likely(
    costs: FloatArray, slopes: FloatArray, grids: tuple[tuple[float, float], ...]
) -> tuple[FloatArray, FloatArray]:
    """Mean (P,) and covariance of moves whose lengths (W) go outward by slopes (W, P)."""
    shifts, rise = NEAR.shifts, np.diff(costs, axis=1, append=0.0)
    pitch, first = shifts[1] - shifts[0], np.arange(len(costs), dtype=np.int32)[:, None] * len(shifts)

    def log_likely(moves: FloatArray) -> FloatArray:
        at = (slopes @ moves.T - shifts[0]) / pitch
        at = np.minimum(np.maximum(at, 0), len(shifts) - 1.001)
        low = at.astype(np.int32)
        at -= low
        low += first
        at *= rise.take(low)
        at += costs.take(low)
        return np.asarray(-_CREDIT * at.sum(axis=0) - 0.5 * ((moves / _FOUND_U_MM) ** 2).sum(axis=1))

    best = np.zeros(slopes.shape[1])
    for span, step in grids:
        for _ in range(_TURNS):
            moves = best + _grid(span, step, len(best))
            told = log_likely(moves)
            before, best = best, moves[np.argmax(told)]
            if np.abs(best - before).max() < span - step / 2:
                break
    share = np.exp(told - told.max())
    share /= share.sum()
    mean = share @ moves
    off = moves - mean
    return mean, (share[:, None] * off).T @ off


def _grid(span: float, step: float, count: int) -> FloatArray:
    ticks = np.arange(-span, span + step / 2, step)
    return np.stack(np.meshgrid(*[ticks] * count, indexing="ij"), axis=-1).reshape(-1, count)
