"""A straight edge from points that light or another edge may have led astray over a stretch."""

from __future__ import annotations

import numpy as np

from capture.edges.outline import path_through
from capture.edges.rim_fit import trimmed_fit
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.shapes import fit_line

__all__ = ["fit_picked_line"]

_JUMP_MM, _JUMP_PX = 0.25, 2.0
_LEAST_SHARE, _NEARLY_ALL = 0.6, 0.9
_CURL_MM, _END_SHARE, _STRAIGHT_SHARE = 0.15, 0.05, 0.4
_NOISES_MM = (0.04, 0.08, 0.16)
_MOST_POINTS = 120
_MOST_TURN = np.radians(10.0)
"""A straight edge of sheet, bowed as it may lie, turns by less from end to end (common practice, no source)."""


def fit_picked_line(points: Points, px_per_mm: float) -> tuple[Feature, Points, list[Notice]]:
    """A line through points in order along an edge; where they leap to another edge, through the longest stretch.

    A bow is kept: it has no leap. Raises CannotDetermine where no stretch holds most of the points.
    """
    feature, kept = trimmed_fit(fit_line, points)
    leap = max(_JUMP_MM, _JUMP_PX / px_per_mm)
    across = _across(points, feature)
    stretches = np.split(np.arange(len(points)), np.flatnonzero(np.abs(np.diff(across)) > leap) + 1)
    if len(stretches) == 1 or (len(kept) > _NEARLY_ALL * len(points) and not _leaps(kept, feature, leap)):
        return _without_corners(points, across) or (feature, kept, _bent(kept, feature))
    longest = points.select(max(stretches, key=len))
    straight, _ = trimmed_fit(fit_line, longest)
    off = np.abs(_across(points, straight))
    near = np.flatnonzero(off < leap / 2)
    if len(near) < _LEAST_SHARE * len(points):
        message = (
            f"The points found leap between two edges up to {off.max():.1f} mm apart; put both way-points nearer the edge, "
            "or say on which side the metal lies (metal)."
        )
        raise CannotDetermine(message)
    feature, kept = trimmed_fit(fit_line, points.select(near))
    text = (
        f"Over {1 - len(near) / len(points):.0%} of its length the steps found run up to {off.max():.1f} mm beside this "
        "edge; they are left out. Look at the overlay: is the rest the edge?"
    )
    return feature, kept, [Notice("stray-stretch", text)]


def _without_corners(points: Points, across: FloatArray) -> tuple[Feature, Points, list[Notice]] | None:
    """The straight part of an edge that turns away at an end, as where a way-point lies round a corner; else None."""
    ends = max(1, round(_END_SHARE * len(points)))
    if max(abs(float(np.median(part))) for part in (across[:ends], across[-ends:])) < _CURL_MM:
        return None
    every = max(1, len(points) // _MOST_POINTS)
    try:
        path = path_through(points.without_shared().select(slice(None, None, every)), _NOISES_MM, closed=False)
    except CannotDetermine:
        return None
    lengths = path.chain.lengths
    which = int(np.argmax(np.where(path.chain.arcs, -np.inf, lengths)))
    if path.chain.arcs[which] or len(lengths) == 1 or lengths[which] < _STRAIGHT_SHARE * lengths.sum():
        return None
    first = float(lengths[:which].sum())
    mine = np.flatnonzero((path.along >= first) & (path.along <= first + lengths[which]))
    rows = path.index[mine] * every
    feature, kept = trimmed_fit(fit_line, points.select(slice(int(rows.min()), int(rows.max()) + 1)))
    text = (
        f"Over {1 - lengths[which] / lengths.sum():.0%} of what is marked the edge turns away; only its straight part is "
        "taken. Put the way-points clear of the corners."
    )
    return feature, kept, [Notice("stray-stretch", text)]


def _bent(points: Points, line: Feature) -> list[Notice]:
    """What to tell of an edge that turns too much on its way to be called straight."""
    across = _across(points, line)
    along = np.hypot(*(points.xyz[:, :2] - line.vector(("x1", "y1"))).T)
    length = float(np.ptp(along))
    turn = 2 * abs(float(np.polyfit(along, across, 2)[0])) * length
    if turn < _MOST_TURN or turn * length / 8 < _CURL_MM:  # its rise, that of a shallow arc
        return []
    text = (
        f"This edge turns by about {np.degrees(turn):.0f}° between its ends and lies up to {np.abs(across).max():.1f} mm "
        "beside the straight line; mark it as an arc or a path if it is a curve."
    )
    return [Notice("bent-edge", text)]


def _leaps(points: Points, line: Feature, leap: float) -> bool:
    return bool((np.abs(np.diff(_across(points, line))) > leap).any())


def _across(points: Points, line: Feature) -> FloatArray:
    """How far (N,) points lie to the left of a line in plan, mm."""
    start, end = line.vector(("x1", "y1")), line.vector(("x2", "y2"))
    x, y = (end - start) / np.hypot(*(end - start))
    return np.asarray((points.xyz[:, :2] - start) @ np.array([-y, x]))
