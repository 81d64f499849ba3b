"""Where along a closed edge its lengths lie off the contour they were sampled beside, from what each place would cost."""

from __future__ import annotations

import numpy as np

from capture.edges.follow import thread
from capture.edges.lengths import NEAR, WIDE, Across, Lengths
from capture.edges.looks import mean_along
from fit.points import FloatArray

__all__ = ["astray", "near_cost", "near_shifts", "unexplained"]

_FOUND_U_MM = 0.2
_NEAR_TURN, _WIDE_TURN = (0.15, 7), (0.8, 6)
"""What a step from one length to the next costs, and the most of them."""
_ASTRAY_MM, _ASTRAY_COST = 0.45, 3.0
"""Rows are taken for another line's from so far on; what a length must gain by that besides the steps to either side. On
eight ray-traced plates that had runs on a shadow's end, most lengths of such a run gained 4 to 16, and of 1371 lengths on
the edge four gained more than 2."""

_MUCH, _RUNS = 4.5, 0.1
"""A length that costs more is not explained; a run of such is five of which four are; and the share of all in such runs."""


def near_shifts(costs: FloatArray, lengths: Lengths) -> FloatArray:
    """(M,) outward, mm, of a contour's rows, from costs (W, S) over `NEAR`: a step was found within a few tenths."""
    return _smoothest(costs + 0.5 * (NEAR.shifts / _FOUND_U_MM) ** 2, lengths, NEAR, _NEAR_TURN)


def astray(costs: FloatArray, lengths: Lengths) -> FloatArray:
    """(M,) outward, mm, for rows that follow another line than the edge, such as a hard shadow's end; else 0.

    costs (W, S) over `WIDE`: what lies from the metal to beyond the shadow is explained as a whole, which a line that is
    not the edge cannot do.
    """
    away = np.abs(WIDE.shifts) > _ASTRAY_MM
    shift = _smoothest(costs + np.where(away, _ASTRAY_COST, 0.0), lengths, WIDE, _WIDE_TURN)
    return np.where(np.abs(shift) > _ASTRAY_MM, shift, 0.0)


def near_cost(costs: FloatArray) -> FloatArray:
    """What each length (W,) costs where the edge lies as found, from costs (W, S) over `WIDE`."""
    return np.asarray(costs[:, np.abs(WIDE.shifts) < _ASTRAY_MM].min(axis=1))


def unexplained(costs: FloatArray) -> bool:
    """Whether runs of lengths cost much as found, so that their light or their place is another; costs (W, S) over `WIDE`."""
    much = near_cost(costs) > _MUCH
    return float((mean_along(much.astype(float), 2) > 0.7).mean()) > _RUNS


def _smoothest(costs: FloatArray, lengths: Lengths, over: Across, turn: tuple[float, int]) -> FloatArray:
    """(M,) outward, mm, of rows: the smoothest likely way from length to length, and between them."""
    shifts = over.shifts
    way = np.clip(thread(-costs, *turn, closed=True), 1, len(shifts) - 2)
    each = np.arange(len(costs))
    before, here, after = (costs[each, way + i] for i in (-1, 0, 1))
    bend = np.maximum(before - 2 * here + after, 1e-9)
    best = shifts[way] + (shifts[1] - shifts[0]) * np.clip((before - after) / (2 * bend), -1, 1)
    rows = np.arange(len(lengths.row))
    middles = (np.searchsorted(lengths.row, each) + np.searchsorted(lengths.row, each, side="right") - 1) / 2
    return np.asarray(np.interp(rows, middles, best, period=len(rows)))
