"""Picked features: a few way-points say which edge is meant, the photo says where it runs.

Way-points are good to about 3 mm. A smooth line is drawn through them, the edges beside it are found and told apart
(`capture.edges.leading`), and the points of the edge taken are fitted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.candidates import Candidate, Lead, Pick
from capture.edges.flanks import rounded_share
from capture.edges.holes_by_rows import black_hole, slot_by_rows, tinted_hole
from capture.edges.leading import beside_picks, chosen, lead
from capture.edges.moved import round_moved
from capture.edges.open_ground import OpenGround, open_ground
from capture.edges.rim_fit import (
    Edge,
    FaceKnowledge,
    measured_points,
    refined_round,
    refined_slot,
    ring_seen,
    trimmed_fit,
)
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.rounding import Rounding, open_rounding, resolves_rounding, rounding_on_bench
from capture.edges.shade_blind import told_in_shadow
from capture.edges.shoulders import at_its_shoulder
from capture.edges.siding import metal_tones, of_this_metal
from capture.edges.strip import Lit
from capture.edges.tinted import told_by_colour
from capture.edges.waves import waves_to_noise, waves_to_own
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import Points
from fit.results import Notice

__all__ = ["Candidate", "Lead", "Leader", "Pick", "PickedFeature", "lead", "measure_picks", "measured"]

Leader = Callable[[Lit, Bench, Pick], Lead]

_LEAST_COVER, _LEAST_HOLE_COVER = 0.35, 0.5
_VAGUE_PATH = 0.2
"""U95 of a path's length, as a share of it, beyond which nothing is measured."""
_LEAST_HOLE_SCORE, _SURE_HOLE_SCORE, _LEAST_EDGE_SCORE = 0.15, 0.4, 0.2
_MOST_STARTS, _SAME_START_MM = 3, 0.3
_STRAYED_MM = 0.1
"""How far a hole's steps, one by one, may lead from the circle that explains its whole rim before that is believed instead."""
_CHOICE_DOUBT = 0.52
"""Standard uncertainty of an edge's place per mm to the other edge that it may be: its 95 % interval holds both."""


@dataclass(frozen=True, eq=False, slots=True)
class PickedFeature:
    """A picked feature as measured, with its points, what the user should know, and the edges it was chosen from."""

    feature: Feature
    points: Points
    notices: tuple[Notice, ...]
    lead: Lead | None = None


def measure_picks(
    lit: Lit, bench: Bench, picks: Sequence[Pick], leader: Leader = lead
) -> tuple[list[PickedFeature], list[Notice]]:
    """Measure every pick of one photo; picks of one sheet share what is found of its rounded edge.

    leader : `lead`, or a way to it that keeps what was found before. A pick that the photo cannot answer is left out, and
    a notice ``not-measured`` says why. Raises InputError for way-points that cannot be meant.
    """
    leads, notices = [], []
    for pick in picks:
        try:
            leads.append(leader(lit, bench, pick))
        except CannotDetermine as error:
            notices.append(Notice("not-measured", str(error), pick.name))
    found, more = measured(lit, bench, leads)
    return found, [*notices, *more]


def measured(lit: Lit, bench: Bench, leads: Sequence[Lead]) -> tuple[list[PickedFeature], list[Notice]]:
    """Measure picks that have been led to their edges; as `measure_picks`, for callers that keep the leads."""
    lit = beside_picks(lit)
    sheets: dict[tuple[float, float], list[Lead]] = {}
    for one in leads:
        sheets.setdefault(_sheet_key(one.pick), []).append(one)
    settled, sided = {}, []
    ground = open_ground(lit, bench)
    for key, group in sheets.items():
        metal = metal_tones(group)
        told = [_of_metal(one, metal, group, ground) for one in group]
        settled[key] = _settled(told)
        sided += told
    found, notices = [], []
    for one in sided:
        try:
            found.append(_measured_either(lit, bench, one, settled[_sheet_key(one.pick)]))
        except CannotDetermine as error:
            notices.append(Notice("not-measured", str(error), one.pick.name))
    order = {one.pick.name: i for i, one in enumerate(leads)}
    return sorted(found, key=lambda item: order[item.feature.name]), notices


def _of_metal(one: Lead, metal: Sequence[Candidate], leads: Sequence[Lead], ground: OpenGround) -> Lead:
    """The pick led among the candidates that this sheet's metal leaves in question."""
    left = of_this_metal(one, metal, leads, ground)
    return one if len(left) == len(one.candidates) else chosen(one.pick, left)


def _settled(leads: list[Lead]) -> Rounding:
    """The rounding of one sheet from all its picks: edges and holes each have their say."""
    worths, lengths = zip(*(one.taken.worth() for one in leads), strict=True)
    round_ones = np.array([bool(one.taken.circles) for one in leads])
    kinds = [np.array(worths)[round_ones == kind].sum(axis=0) for kind in np.unique(round_ones)]
    scale = float(np.mean([one.taken.px_per_mm for one in leads]))
    if sum(one.taken.burnt for one in leads) > len(leads) / 2:
        return open_rounding(scale)
    rounded = rounded_share([one.taken.shapes for one in leads])
    black = sum(one.taken.black for one in leads) > len(leads) / 2
    return rounding_on_bench(np.array(kinds), sum(lengths), scale, rounded, black=black)


def _sheet_key(pick: Pick) -> tuple[float, float]:
    return pick.known.sheet.height, pick.known.sheet.thickness


def _measured_either(lit: Lit, bench: Bench, one: Lead, rounding: Rounding) -> PickedFeature:
    """The pick measured; where its edge cannot be and another does nearly as well, it is that other one that is meant."""
    try:
        return _measured(lit, bench, one, rounding)
    except CannotDetermine:
        if one.other is None or one.pick.edge != "clearest" or one.pick.kind == "circle":
            raise
    return _measured(lit, bench, replace(one, taken=one.other, other=None), rounding)


def _measured(lit: Lit, bench: Bench, one: Lead, rounding: Rounding) -> PickedFeature:
    known = one.pick.known.with_rounding(rounding)
    by_rows = _hole_by_rows(lit, bench, known, one)
    if by_rows:
        return _named(bench, replace(one, other=None), *by_rows)
    if one.other and one.pick.edge == "clearest":
        known = replace(known, choice_u=abs(_CHOICE_DOUBT * one.apart))
    feature, points, notices = _fitted(lit, bench, known, one, rounding.which)
    if one.other and one.pick.edge == "clearest":
        notices = [*notices, _two_edges(one, one.other)]
    return _named(bench, one, feature, points, notices)


def _named(bench: Bench, one: Lead, feature: Feature, points: Points, notices: Sequence[Notice]) -> PickedFeature:
    name = one.pick.name
    named = replace(waves_to_own(feature), name=name, source=str(bench.image.path))
    told = tuple(replace(n, feature=name) for n in notices)
    return PickedFeature(named, waves_to_noise(points).named(name), told, one)


def _two_edges(one: Lead, other: Candidate) -> Notice:
    this, that, side = ("metal", "open", "metal's") if one.apart > 0 else ("open", "metal", "open")
    metal = "" if other.metal == one.taken.metal else " It would also help to say on which side the metal lies (metal)."
    text = (
        f"Two edges lie {abs(one.apart):.1f} mm apart here, {one.taken.stray:.1f} and {other.stray:.1f} mm from the "
        f"way-points; the one on the {side} side is taken and the ± widened to hold both. Look at the overlay, then say "
        f'edge = "{this}" for this one or edge = "{that}" for the other.{metal}'
    )
    return Notice("two-edges", text, one.pick.name)


def _fitted(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, which: int
) -> tuple[Feature, Points, Sequence[Notice]]:
    kind = one.pick.kind
    if kind == "circle":
        if not resolves_rounding(one.taken.px_per_mm):
            known, which = known.with_rounding(open_rounding(one.taken.px_per_mm, black=one.taken.black)), 0
        return _hole(lit, bench, known, one, which)
    edge, notices = _told_of(lit, bench, known, one, one.taken.edges[which])
    if kind == "slot":
        return *_slot(lit, bench, known, one, edge), notices
    in_shadow = None if one.taken.black else told_in_shadow(lit, bench, known.sheet, edge)
    if in_shadow is not None:
        with suppress(CannotDetermine):  # its rows may leap where those of tone do not
            return _by_kind(lit, bench, known, one, in_shadow, notices)
    return _by_kind(lit, bench, known, one, at_its_shoulder(lit, bench, known.sheet, edge), notices)


def _by_kind(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, edge: Edge, notices: Sequence[Notice]
) -> tuple[Feature, Points, Sequence[Notice]]:
    """The line, arc or path through the steps of an edge, and what to tell of it besides the notices so far."""
    from capture.edges.picked_line import fit_picked_line

    points, kind = measured_points(bench, known, edge), one.pick.kind
    if kind == "path":
        from capture.edges.outline import outline_path

        pick = one.pick
        path, more = outline_path(points, closed=pick.closed, clean=edge.clean, twofold=known.twofold, name=pick.name)
        _refuse_vague(path.feature)
        return path.feature, path.points, [*notices, *more]
    if kind == "arc":
        feature, points, more = _arc(lit, bench, known, one, points)
        return feature, points, [*notices, *more]
    feature, points, more = fit_picked_line(points, edge.strip.px_per_mm)
    return feature, points, [*notices, *more]


def _refuse_vague(path: Feature) -> None:
    length = path.value("length")
    if length.u95 > _VAGUE_PATH * length.value:
        message = (
            "The edge shows in so few places that lines and arcs through them do not meet: look at picks.png, mark it in "
            "shorter paths, with way-points at every corner, and leave out what is not seen."
        )
        raise CannotDetermine(message)


def _slot(lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, edge: Edge) -> tuple[Feature, Points]:
    """The slot by its steps; by rows across its rim where pixels are too coarse to tell what each step is."""
    from fit.shapes import fit_slot

    feature, points = refined_slot(lit, bench, known, edge)
    if known.sheet.on_paper or resolves_rounding(one.taken.px_per_mm):
        return feature, points
    by_rows = slot_by_rows(lit, bench, known, feature, black=one.taken.black)
    return trimmed_fit(fit_slot, measured_points(bench, known, by_rows)) if by_rows else (feature, points)


def _arc(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, points: Points
) -> tuple[Feature, Points, list[Notice]]:
    """The arc that the points tell of; one of few pixels is measured as a corner too, and in doubt where they disagree."""
    from capture.edges.picked_arc import fit_picked_arc
    from capture.edges.picked_corner import picked_corner, spans, with_second_reading

    px_per_mm, near = one.taken.px_per_mm, np.asarray(one.pick.near, float)
    corner = picked_corner(lit, bench, known, one.taken.contour, one.taken.metal)
    try:
        arc, used, told = fit_picked_arc(points, near, px_per_mm)
    except CannotDetermine:  # leaping from line to line it still may be a corner, however large
        corner = corner or picked_corner(lit, bench, known, one.taken.contour, one.taken.metal, math.inf)
        if corner is None or not spans(corner[0], near):
            raise
        return corner
    return with_second_reading(arc, corner), used, told


def _told_of(lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead, edge: Edge) -> tuple[Edge, list[Notice]]:
    """The edge with what colour tells of it, and what of it is in doubt or not seen; what it may be else is told once.

    Raises CannotDetermine where hardly any of it shows, or what shows may as well be grain.
    """
    if one.taken.score < _LEAST_EDGE_SCORE and one.pick.edge == "clearest":
        message = "No edge stands out from the grain here; put the way-points nearer to it, or shoot with other light."
        raise CannotDetermine(message)
    if one.other or one.pick.edge != "clearest":
        edge = replace(edge, rival=None)
    edge = told_by_colour(lit, bench, known.sheet, edge)
    return edge, [*_seen(edge, _LEAST_COVER), *edge.notices(one.pick.name)]


def _hole(
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
    return feature, points, [*_seen(edge, _LEAST_HOLE_COVER), *told]


def _hole_by_rows(
    lit: Lit, bench: Bench, known: FaceKnowledge, one: Lead
) -> tuple[Feature, Points, Sequence[Notice]] | None:
    """The hole by rows across its rim, where pixels are too coarse to tell rim, rounding and wall each by its step."""
    from fit.shapes import fit_circle

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
    return _with_second_reading(feature, start), points, _seen(edge, _LEAST_HOLE_COVER)


def _distinct(circles: Sequence[Circle]) -> list[Circle]:
    """Circles in order, without those about as far from one before them as a search reaches in one step."""
    kept: list[Circle] = []
    for circle in circles:
        if all(np.hypot(circle.x - c.x, circle.y - c.y) > _SAME_START_MM for c in kept):
            kept.append(circle)
    return kept


def _with_doubt(hole: Feature, circle: Circle, other: Circle) -> Feature:
    """The hole with a centre that may be the other circle's; that its radius may be is told by its points."""
    apart = _CHOICE_DOUBT * np.array([other.x - circle.x, other.y - circle.y])
    at, cov = [hole.index("x"), hole.index("y")], hole.cov_own.copy()
    cov[np.ix_(at, at)] += np.outer(apart, apart)
    return replace(hole, cov_own=cov)


def _with_second_reading(hole: Feature, circle: Circle) -> Feature:
    """The hole in doubt by what its steps, each taken for the rim, make of it: a shadow may be as black as its wall, and bare
    metal mirrors the ground.
    """
    at = [hole.index(name) for name in ("x", "y", "diameter")]
    apart = _CHOICE_DOUBT * (np.array([circle.x, circle.y, 2 * circle.radius]) - hole.vector(("x", "y", "diameter")))
    cov = hole.cov_own.copy()
    cov[np.ix_(at, at)] += np.outer(apart, apart)
    return replace(hole, cov_own=cov)


def _seen(edge: Edge, least: float) -> list[Notice]:
    """Refuse an edge that hardly shows; warn where much of it does not."""
    if edge.cover < least:
        message = f"Only {edge.cover:.0%} of the edge can be seen; shoot again with light from another side."
        raise CannotDetermine(message)
    if edge.cover > 0.75:
        return []
    text = f"Only {edge.cover:.0%} of this edge shows clearly; the rest is bridged. Look at the overlay."
    return [Notice("low-contrast", text)]
