"""A picked arc of few pixels is measured as a corner too, together with the straight edges beside it.

Both readings err by about as much, and seldom alike: where rows leap the corner holds, where a shadow lies along one of the
straight edges the corner is drawn to it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.corner_shape import Corner, best_corner, corner_along
from capture.edges.moved import HOLDS_BOTH
from capture.edges.picked_arc import LEAST_SHARE, alone, refuse_vague, thinned_by
from capture.edges.rim_fit import FaceKnowledge, edge_at, inliers, measured_points
from capture.edges.strip import Contour, Lit
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.paths import Pieces, fit_path
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.shapes.curvature import short_arc

__all__ = ["fit_picked_corner", "picked_corner", "spans", "with_second_reading"]

_ROUNDS, _LEAST_NOISE_MM = 3, 0.04
FEW_PX, _LEAST_COVER = 75.0, 0.35


def picked_corner(
    lit: Lit, bench: Bench, known: FaceKnowledge, line: Contour, metal: bool, most_px: float = FEW_PX
) -> tuple[Feature, Points, list[Notice]] | None:
    """The arc of the corner that a line as found follows, if it is one and of few pixels, or no more than so many.

    The corner that explains the picture best is looked for near the line, then steps are picked anew about each better one.
    metal : whether the metal lies to the line's left.
    """
    start = corner_along(line.xy, metal=metal)
    if start is None or _pixels(bench, start, line.height) > most_px:
        return None
    corner = best_corner(lit, bench, known.sheet, start)
    for turn in range(_ROUNDS):
        if corner is None:
            return None
        edge = edge_at(lit, bench, known, corner.contour(line.height), told=turn == _ROUNDS - 1)
        corner = corner_along(measured_points(bench, known, edge, alone=True).xyz[:, :2], metal=metal)
    if corner is None or edge.cover < _LEAST_COVER:
        return None
    try:
        return fit_picked_corner(measured_points(bench, known, replace(edge, rival=None)), corner)
    except CannotDetermine:
        return None


def _pixels(bench: Bench, corner: Corner, height: float) -> float:
    """How long a corner's arc is in the photo."""
    ends = bench.project(np.column_stack([corner.joints, np.full(2, height)]))
    chord = float(np.hypot(*(ends[1] - ends[0])))
    return chord / np.sinc(corner.turn / (2 * math.pi))


def spans(arc: Feature, near: FloatArray) -> bool:
    """Whether an arc is as much of what way-points (K, 2) mean as an arc must be."""
    return bool(arc["radius"] * arc["span"] >= LEAST_SHARE * np.hypot(*(near[-1] - near[0])))


def with_second_reading(arc: Feature, corner: tuple[Feature, Points, list[Notice]] | None) -> Feature:
    """The arc with a radius in doubt by what a second reading of it differs by: the truth may lie at either."""
    if corner is None:
        return arc
    at, cov = arc.index("radius"), arc.cov_own.copy()
    cov[at, at] += (HOLDS_BOTH * (corner[0]["radius"] - arc["radius"])) ** 2
    return replace(arc, cov_own=cov)


def fit_picked_corner(points: Points, corner: Corner) -> tuple[Feature, Points, list[Notice]]:
    """Fit the arc of a corner to an edge's points (N) in order, which run onto the straight edges beside it.

    Raises CannotDetermine where too little of it shows to tell a radius.
    """
    points = points.select(inliers(corner.away(points.xyz[:, :2])))
    every = thinned_by(points)
    few = points.select(slice(None, None, every))
    noise = max(_LEAST_NOISE_MM, float(np.sqrt(np.mean(corner.away(few.xyz[:, :2]) ** 2))))
    bend = math.copysign(1 / corner.radius, corner.turn)
    path = fit_path(few, noise=noise, pieces=Pieces(corner.joints, np.array([0.0, bend, 0.0])), name="corner")
    if [s.kind for s in path.feature.segments] != ["line", "arc", "line"]:
        message = "The edge bends too little here to tell a radius; use kind line or path."
        raise CannotDetermine(message)
    first, bent, _ = path.feature.segments
    begins = first["length"]
    mine = (path.along >= begins) & (path.along <= begins + bent["radius"] * bent["span"])
    arc = alone(bent, every, int(mine.sum()))
    refuse_vague(arc)
    told = short_arc(arc)
    return arc, path.points.select(mine), [told] if told else []
