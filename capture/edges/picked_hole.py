"""A picked round hole: by the steps of its rim, or by rows across it where pixels are too coarse to tell what each step is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.candidates import Lead
from capture.edges.cover import told_of_cover
from capture.edges.holes_by_rows import black_hole, tinted_hole
from capture.edges.moved import HOLDS_BOTH, round_moved
from capture.edges.rim_fit import FaceKnowledge, measured_points, refined_round, ring_seen, trimmed_fit
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.rounding import resolves_rounding
from capture.edges.strip import Lit
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import Points
from fit.results import Notice
from fit.shapes import fit_circle

__all__ = ["hole_by_rows", "hole_by_steps"]

_LEAST_HOLE_COVER = 0.5
_LEAST_HOLE_SCORE, _SURE_HOLE_SCORE = 0.15, 0.4
_MOST_STARTS, _SAME_START_MM = 3, 0.3
_STRAYED_MM = 0.1
"""How far a hole's steps, one by one, may lead from the circle that explains its whole rim before that is believed instead."""


def hole_by_steps(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, which: int
) -> tuple[Feature, Points, Sequence[Notice]]:
    circle, height = one.taken.circles[which], known.sheet.height
    if known.rim_inset:  # whether the edge is rounded is open: all circles are of the true contour, the best may start
        circle = max(one.taken.circles, key=lambda c: c.score)
    start = np.array([circle.x, circle.y, circle.radius])
    feature, points, edge = refined_round(
        lit, bench, known, lambda x, y, r: circle_contour(x, y, r, height, 0.2), start
    )
    if np.hypot(*(feature.vector(("x", "y")) - start[:2])) > _STRAYED_MM:
        feature, points = round_moved(bench, known, edge, feature, start)
    if circle.score < _SURE_HOLE_SCORE and not (circle.score > _LEAST_HOLE_SCORE and ring_seen(feature, points, edge)):
        message = "No hole's rim shows all round here; put the way-point in the hole, or shoot in other light."
        raise CannotDetermine(message)
    told = [] if one.other else edge.notices(one.pick.name)
    if one.other:
        feature = _with_doubt(feature, circle, one.other.circles[which])
    return feature, points, [*told_of_cover(edge, _LEAST_HOLE_COVER), *told]


def hole_by_rows(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead
) -> tuple[Feature, Points, Sequence[Notice]] | None:
    """The hole by rows across its rim, where pixels are too coarse to tell rim, rounding and wall each by its step."""
    if one.pick.kind != "circle" or one.pick.edge != "clearest" or resolves_rounding(one.taken.px_per_mm):
        return None
    taken = max(one.taken.circles, key=lambda c: c.score)
    if one.taken.black:  # what lies in the hole, in light and shadow, is rimmed as clearly as the hole
        starts, by_rows = [taken], black_hole
    else:
        starts, by_rows = [max(c.circles, key=lambda c: c.score) for c in one.candidates], tinted_hole
    rims = [(start, by_rows(lit, bench, known, start)) for start in _distinct(starts)[:_MOST_STARTS]]
    told = [(start, rim) for start, rim in rims if rim is not None]
    if not told:
        return None
    start, edge = max(told, key=lambda found: found[1].cover)
    feature, points = trimmed_fit(fit_circle, measured_points(bench, known, edge))
    return _with_second_reading(feature, start), points, told_of_cover(edge, _LEAST_HOLE_COVER)


def _distinct(circles: Sequence[Circle]) -> list[Circle]:
    """Circles in order, without those about as far from one before them as a search reaches in one step."""
    kept: list[Circle] = []
    for circle in circles:
        if all(np.hypot(circle.x - c.x, circle.y - c.y) > _SAME_START_MM for c in kept):
            kept.append(circle)
    return kept


def _with_doubt(hole: Feature, circle: Circle, other: Circle) -> Feature:
    """The hole with a centre that may be the other circle's; that its radius may be is told by its points."""
    apart = HOLDS_BOTH * np.array([other.x - circle.x, other.y - circle.y])
    at, cov = [hole.index("x"), hole.index("y")], hole.cov_own.copy()
    cov[np.ix_(at, at)] += np.outer(apart, apart)
    return replace(hole, cov_own=cov)


def _with_second_reading(hole: Feature, circle: Circle) -> Feature:
    """The hole in doubt by what its steps, each taken for the rim, make of it: a shadow may be as black as its wall, and bare
    metal mirrors the ground.
    """
    at = [hole.index(name) for name in ("x", "y", "diameter")]
    apart = HOLDS_BOTH * (np.array([circle.x, circle.y, 2 * circle.radius]) - hole.vector(("x", "y", "diameter")))
    cov = hole.cov_own.copy()
    cov[np.ix_(at, at)] += np.outer(apart, apart)
    return replace(hole, cov_own=cov)
