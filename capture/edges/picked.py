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
from capture.edges.cover import told_of_cover
from capture.edges.flanks import rounded_share
from capture.edges.holes_by_rows import slot_by_rows
from capture.edges.leading import beside_picks, chosen, lead
from capture.edges.moved import HOLDS_BOTH
from capture.edges.open_ground import OpenGround, open_ground
from capture.edges.picked_hole import hole_by_rows, hole_by_steps
from capture.edges.rim_fit import Edge, FaceKnowledge, measured_points, refined_slot, trimmed_fit
from capture.edges.rounding import Rounding, open_rounding, resolves_rounding, rounding_on_bench
from capture.edges.second_reading import between_readings, sheets_of
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

_LEAST_COVER = 0.35
_VAGUE_PATH = 0.2
"""U95 of a path's length, as a share of it, beyond which nothing is measured."""
_LEAST_EDGE_SCORE = 0.2


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
    by_rows = hole_by_rows(lit, bench, known, one)
    if by_rows:
        feature, points, told = by_rows
        return _named(bench, replace(one, other=None), *between_readings(lit, bench, known, feature, points), told)
    if one.other and one.pick.edge == "clearest":
        known = replace(known, choice_u=abs(HOLDS_BOTH * one.apart))
    feature, points, notices = _fitted(lit, bench, known, one, rounding.which)
    feature, points = between_readings(lit, bench, known, feature, points)
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
        return hole_by_steps(lit, bench, known, one, which)
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
        from capture.edges import outline_light
        from capture.edges.outline import outline_path

        pick = one.pick
        path, more = outline_path(points, closed=pick.closed, clean=edge.clean, twofold=known.twofold, name=pick.name)
        _refuse_vague(path.feature)
        path = outline_light.between_readings(lit, bench, sheets_of(known), None, path)
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
    return edge, [*told_of_cover(edge, _LEAST_COVER), *edge.notices(one.pick.name)]
