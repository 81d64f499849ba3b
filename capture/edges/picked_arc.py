"""A picked arc is a piece of its edge: the edge is followed past the way-points, cut into lines and arcs, and the arc kept.

Way-points are good to some mm, an arc of 5 mm radius is but 8 mm long: what lies between them may hold much of the
straight edges on either side, or too little of the arc.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from capture.edges.outline import path_through
from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.paths import PathFit
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.shapes.curvature import radius_range, short_arc

__all__ = ["LEAST_SHARE", "alone", "fit_picked_arc", "refuse_vague", "thinned_by"]

_NOISES_MM = (0.04, 0.08, 0.16, 0.3)
_MOST_POINTS = 120
_JUMP_MM, _JUMP_PX, _JUMP_TIMES = 0.15, 1.0, 7.0
"""From one row to the next an edge moves across itself by no more than this, nor by so many times what is usual on it."""
_ISLAND_ROWS = 4
"""Fewer points in a row that lie aside are strays, not another edge."""
LEAST_SHARE, _UNBROKEN_SHARE = 0.4, 0.6
"""Least share of the way-points' stretch that the arc meant must cover, and that must be free of leaps."""
_LEAST_POINTS, _VAGUE = 8, 0.4
"""Fewer points, or a U95 of more than this share of the radius, tell no radius: its ± would be far from even."""


def fit_picked_arc(points: Points, near: FloatArray, px_per_mm: float) -> tuple[Feature, Points, list[Notice]]:
    """Fit the arc that way-points (K, 2) mm mean to an edge's points (N) in order, which run some mm past them.

    Where the edge turns from the arc into something else within its points, it is tangent there. Where the points leap to
    another edge, those on one side of the leap are left out. Raises CannotDetermine where the edge is no arc between the
    way-points.
    """
    points, leapt = _without_leaps(points, near, max(_JUMP_MM, _JUMP_PX / px_per_mm))
    every = thinned_by(points)
    path = path_through(points.select(slice(None, None, every)), _NOISES_MM, closed=False)
    first, last = _stretch(path, near)
    ends = np.concatenate([[0.0], np.cumsum([_length(s) for s in path.feature.segments])])
    shared = np.minimum(ends[1:], last) - np.maximum(ends[:-1], first)
    arcs = np.array([s.kind == "arc" for s in path.feature.segments])
    which = int(np.argmax(np.where(arcs, shared, -np.inf)))
    if not arcs.any() or shared[which] < LEAST_SHARE * (last - first):
        message = "The edge is straight between these way-points, or bends too little to tell a radius; use kind line or path."
        raise CannotDetermine(message)
    mine = (path.along >= ends[which]) & (path.along <= ends[which + 1])
    arc = alone(path.feature.segments[which], every, int(mine.sum()))
    refuse_vague(arc)
    told = short_arc(arc)
    return arc, path.points.select(mine), [*leapt, *([told] if told else [])]


def thinned_by(points: Points) -> int:
    """One of how many points a chain is fitted to."""
    return max(1, len(points) // _MOST_POINTS)


def _without_leaps(points: Points, near: FloatArray, least: float) -> tuple[Points, list[Notice]]:
    """The stretch of points without a leap across the edge that holds most of what lies between the way-points."""
    leap = max(least, _JUMP_TIMES * float(np.median(_jumps(points))))
    stretches = _stretches(points, leap)
    if len(stretches) == 1:
        return points, []
    long = [rows for rows in stretches if len(rows) >= _ISLAND_ROWS]
    points = points.select(np.concatenate(long)) if long else points
    stretches = _stretches(points, leap)
    first, last = sorted(int(np.argmin(((points.xyz[:, :2] - end) ** 2).sum(axis=1))) for end in near[[0, -1]])
    held = [int(((rows >= first) & (rows <= last)).sum()) for rows in stretches]
    best = stretches[int(np.argmax(held))]
    if max(held) < _UNBROKEN_SHARE * (last - first + 1) or len(best) < _LEAST_POINTS:
        message = (
            "The points found leap between two edges; put the way-points nearer the edge, or say on which side the metal "
            "lies (metal)."
        )
        raise CannotDetermine(message)
    if max(held) == last - first + 1:
        return points.select(best), []
    text = (
        f"The steps found leap to another edge {_jumps(points).max():.1f} mm beside this one; what lies past the leap is "
        "left out. Look at the overlay: is the rest the edge?"
    )
    return points.select(best), [Notice("stray-stretch", text)]


def _stretches(points: Points, leap: float) -> list[NDArray[np.int_]]:
    return np.split(np.arange(len(points)), np.flatnonzero(_jumps(points) > leap) + 1)


def _jumps(points: Points) -> FloatArray:
    """How far (N - 1,) each point lies across the edge from the one before, mm; none on a line or a circle."""
    mean = (points.normal[1:] + points.normal[:-1]) / 2
    return np.abs((np.diff(points.xyz, axis=0) * mean).sum(axis=1))


def refuse_vague(arc: Feature) -> None:
    """Raise CannotDetermine for an arc whose radius might be nearly anything."""
    radius, spread = arc["radius"], arc.value("radius").u95
    if arc.points >= _LEAST_POINTS and spread < _VAGUE * radius:
        return
    low, high = radius_range(radius, spread)
    message = (
        f"Only {math.degrees(arc['span']):.0f}° of a curve is seen here: its radius may be anything from {low:.3g} mm "
        f"{'upwards' if math.isinf(high) else f'to {high:.3g} mm'}. Look at picks.png, mark more of it, or measure it "
        "with a radius gauge."
    )
    raise CannotDetermine(message)


def _length(segment: Feature) -> float:
    return segment["radius"] * segment["span"] if segment.kind == "arc" else segment["length"]


def _stretch(path: PathFit, near: FloatArray) -> tuple[float, float]:
    """Where along the path the first and the last way-point lie, mm."""
    flat = path.points.xyz[:, :2]
    feet = [path.along[int(np.argmin(((flat - place) ** 2).sum(axis=1)))] for place in (near[0], near[-1])]
    return float(min(feet)), float(max(feet))


def alone(segment: Feature, every: int, count: int) -> Feature:
    """A path's piece as an arc by itself; each of its points stands for as many as were thinned out to it."""
    keep = [segment.index(key) for key in KIND_ORDER["arc"]]
    return replace(
        segment,
        order=KIND_ORDER["arc"],
        values=segment.values[keep],
        cov_own=segment.cov_own[np.ix_(keep, keep)] / every,
        shared=segment.shared[:, keep],
        points=count * every,
    )
