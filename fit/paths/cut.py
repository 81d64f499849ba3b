"""The best cut of an ordered edge into independent lines and arcs, by dynamic programming.

The cut found is the exact minimum of Σ misfit/σ² + Σ penalty over all cuts on the grid of groups: a start is given up
only where no later end can make it part of a better cut (R. Killick, P. Fearnhead, I. A. Eckley, J. Am. Stat. Assoc. 107
(2012) 1590), which holds because the misfit of an arc never falls when points are added to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.paths.moments import Chunks, arc_misfit, central, chunk_points, line_misfit, shifted
from fit.points import FloatArray

__all__ = ["Cut", "best_cut", "group_size"]

_ROWS, _COLUMNS = 32, 96
_MOST_GROUPS = 300
_COARSER = 8
_LEAST_LINE, _LEAST_ARC = 3, 4


_State = tuple[FloatArray, NDArray[np.int_], NDArray[np.bool_]]


@dataclass(frozen=True, eq=False, slots=True)
class Cut:
    """Pieces of an ordered edge: bounds (K + 1,) point indices, arcs (K,) whether each is an arc."""

    bounds: NDArray[np.int_]
    arcs: NDArray[np.bool_]


def group_size(n: int) -> int:
    """Points per group that keep the search near linear: single points up to 450."""
    return max(1, round(n / _MOST_GROUPS)) if n > 1.5 * _MOST_GROUPS else 1


def best_cut(xy: FloatArray, weight: FloatArray, penalty: float) -> Cut:
    """Cut points (N, 2) with weights 1/σ² (N,) into lines and arcs.

    penalty : cost of one free number, in units of χ²; a line counts three (two of its own and its end), an arc four.
    Where points are many they are cut by groups, then once more with single points near the joints found: a group that
    straddles a corner would leave a short piece of its own there.
    """
    size = group_size(len(xy))
    first = np.arange(0, len(xy), size)
    solved = _solved(xy, weight, first, penalty)
    cut = _cut(*solved)
    if size == 1:
        return cut
    near = cut.bounds[1:-1, None] + np.arange(-size, size + 1, max(1, size // _COARSER))
    return _cut(*_solved(xy, weight, np.union1d(first, np.clip(near, 0, len(xy) - 1)), penalty, solved))


def _cut(chunks: Chunks, state: _State) -> Cut:
    """The best cut between groups of points, as solved."""
    count = len(chunks.weight)
    _, came_from, as_arc = state
    ends = [count]
    while ends[-1] > 0:
        ends.append(int(came_from[ends[-1]]))
    order = np.array(ends[::-1])
    return Cut(chunks.first[order], as_arc[order[1:]])


def _solved(
    xy: FloatArray,
    weight: FloatArray,
    first: NDArray[np.int_],
    penalty: float,
    coarse: tuple[Chunks, _State] | None = None,
) -> tuple[Chunks, _State]:
    """Least cost of each end on the grid of groups, of which the first points (C,) are given, the start of its last piece,
    and that piece's kind.

    A cut on a coarser grid, solved first, is a cut on the fine one too: its costs are bounds that prune starts early.
    """
    chunks = chunk_points(xy, weight, first)
    count = len(chunks.weight)
    cost = np.full(count + 1, np.inf)
    cost[0] = 0.0
    came_from = np.zeros(count + 1, dtype=int)
    as_arc = np.zeros(count + 1, dtype=bool)
    if coarse is None and count > _COARSER * _ROWS:
        coarse = _solved(xy, weight, first[::_COARSER], penalty)
    if coarse:
        groups, (high, back, arc) = coarse
        place = np.searchsorted(chunks.first, groups.first)
        cost[place], came_from[place], as_arc[place] = high, place[back], arc
    for top in range(0, count, _ROWS):
        _push_block(chunks, top, penalty, (cost, came_from, as_arc))
    return chunks, (cost, came_from, as_arc)


def _push_block(chunks: Chunks, top: int, penalty: float, state: _State) -> None:
    """Offer every piece that starts in the block of rows at `top` to the ends that it may reach."""
    cost, _, _ = state
    count = len(chunks.weight)
    rows = np.arange(top, min(top + _ROWS, count))
    origin = chunks.centre[rows]
    carry = np.zeros((9, len(rows), 1))
    for left in range(top, count, _COLUMNS):
        columns = np.arange(left, min(left + _COLUMNS, count))
        inside = columns[None, :] >= rows[:, None]
        sums = np.cumsum(np.stack(shifted(chunks, slice(left, columns[-1] + 1), origin)) * inside, axis=2) + carry
        carry = sums[:, :, -1:]
        pieces, arc, least = _piece_costs(sums, chunks, rows, columns, penalty)
        if left == top:
            for i, row in enumerate(rows):
                _offer(state, columns + 1, cost[row] + pieces[i], np.full(len(columns), row), arc[i])
        else:
            totals = cost[rows][:, None] + pieces
            best = np.argmin(totals, axis=0)
            pick = (best, np.arange(len(columns)))
            _offer(state, columns + 1, totals[pick], rows[best], arc[pick])
        if (cost[rows] + np.fmax.reduce(least - cost[columns + 1], axis=1) >= 0).all():
            return


def _piece_costs(
    sums: FloatArray, chunks: Chunks, rows: np.ndarray, columns: np.ndarray, penalty: float
) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
    """Cost of each piece (R, C), whether it is better as an arc, and the misfit no longer piece can undercut."""
    points = chunks.first[columns + 1][None, :] - chunks.first[rows][:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        n, _, _, *moments = central(list(sums))
        line = line_misfit(n, *moments[:3])
        least = arc_misfit(n, *moments)
    line_cost = np.where(points >= _LEAST_LINE, line + 3 * penalty, np.inf)
    arc_cost = np.where(points >= _LEAST_ARC, least + 4 * penalty, np.inf)
    is_arc = arc_cost < line_cost
    return np.where(is_arc, arc_cost, line_cost), is_arc, least


def _offer(state: _State, ends: np.ndarray, total: FloatArray, start: np.ndarray, arc: np.ndarray) -> None:
    """Keep the offered way to each end where it beats the one known."""
    cost, came_from, as_arc = state
    better = total < cost[ends]
    where = ends[better]
    cost[where] = total[better]
    came_from[where] = start[better]
    as_arc[where] = arc[better]
