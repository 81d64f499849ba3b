"""Picked features: a few way-points say which edge is meant, the photo says where it runs.

Way-points are good to about 3 mm. A smooth line is drawn through them, the clearest continuous edge beside it is followed,
and which side is metal is told by which reading explains the steps seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from capture.bench import Bench
from capture.flatten import flatten
from capture.follow import follow_edge, resampled, trace_edge
from capture.openings import find_openings
from capture.part_mask import PartMask
from capture.rim_fit import (
    Edge,
    FaceKnowledge,
    edge_of,
    measured_points,
    refined_round,
    refined_slot,
    ring_seen,
    trimmed_fit,
    waves_to_noise,
    waves_to_own,
)
from capture.rims import twin_share
from capture.round_holes import Circle, RoundSearch, circle_contour
from capture.rounding import ROUNDINGS, Rounding, settled_rounding
from capture.strip import Lit
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["Pick", "PickedFeature", "measure_picks"]

_WAY_POINT_MM = 3.0
_PATCH_MM, _PATCH_STEP_MM = 12.0, 0.15
_RING = 0.6
_LEAST_COVER, _LEAST_HOLE_COVER = 0.35, 0.5
_LEAST_HOLE_SCORE, _SURE_HOLE_SCORE = 0.15, 0.4
_KINDS = {"line": 2, "arc": 3, "path": 2, "circle": 1, "slot": 1}


@dataclass(frozen=True, eq=False, slots=True)
class Pick:
    """What a user points at: name, kind (line, arc, path, circle, slot), way-points (K, 2) mm on the feature's own face,
    rough diameter (or slot width) if known, whether a path closes, and the face it lies on.
    """

    name: str
    kind: str
    near: FloatArray
    known: FaceKnowledge
    about: float | None = None
    closed: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class PickedFeature:
    """A picked feature as measured, with its points and what the user should know."""

    feature: Feature
    points: Points
    notices: tuple[Notice, ...]


@dataclass(frozen=True, eq=False, slots=True)
class _Lead:
    """A pick led to its edge: one edge for each rounding tried, or one circle for each."""

    pick: Pick
    edges: tuple[Edge, ...] = ()
    twins: tuple[float, ...] = ()
    circles: tuple[Circle, ...] = ()
    scale_px: float = 0.0

    @property
    def px_per_mm(self) -> float:
        return self.scale_px if self.circles else self.edges[0].strip.px_per_mm

    def worth(self) -> tuple[FloatArray, float]:
        """Score times length for each rounding, and the length, mm."""
        if self.circles:
            length = 2 * np.pi * self.circles[0].radius
            return length * np.array([c.score for c in self.circles]), length
        strip = self.edges[0].strip
        length = len(strip.total) * strip.contour.spacing
        scores = [e.score + 0.5 * t for e, t in zip(self.edges, self.twins, strict=True)]
        return length * np.array(scores), length


def measure_picks(lit: Lit, bench: Bench, picks: Sequence[Pick]) -> tuple[list[PickedFeature], list[Notice]]:
    """Measure every pick of one photo; picks of one sheet share what is found of its rounded edge.

    A pick that the photo cannot answer is left out, and a notice ``not-measured`` says why. Raises InputError for
    way-points that cannot be meant.
    """
    leads, notices = [], []
    for pick in picks:
        try:
            leads.append(_lead(lit, bench, pick))
        except CannotDetermine as error:
            notices.append(Notice("not-measured", str(error), pick.name))
    settled = {
        key: _settled([lead for lead in leads if _sheet_key(lead.pick) == key]) for key in map(_sheet_key, picks)
    }
    found = []
    for lead in leads:
        try:
            found.append(_measured(lit, bench, lead, settled[_sheet_key(lead.pick)]))
        except CannotDetermine as error:
            notices.append(Notice("not-measured", str(error), lead.pick.name))
    return found, notices


def _settled(leads: list[_Lead]) -> Rounding:
    """The rounding of one sheet from all its picks."""
    if not leads:
        return Rounding(0, 0.0, 0.0)
    worths, lengths = zip(*(lead.worth() for lead in leads), strict=True)
    scale = float(np.mean([lead.px_per_mm for lead in leads]))
    return settled_rounding(np.sum(worths, axis=0), sum(lengths), scale)


def _sheet_key(pick: Pick) -> tuple[float, float]:
    return pick.known.sheet.height, pick.known.sheet.thickness


def _lead(lit: Lit, bench: Bench, pick: Pick) -> _Lead:
    least = _KINDS.get(pick.kind)
    if least is None:
        message = f"Feature '{pick.name}': the kind must be one of {', '.join(_KINDS)}; got '{pick.kind}'."
        raise InputError(message)
    if len(pick.near) < least:
        message = f"Feature '{pick.name}': {pick.kind} needs at least {least} way-points in near; got {len(pick.near)}."
        raise InputError(message)
    _refuse_outside(bench, pick)
    if pick.kind == "circle":
        return _circle_lead(lit, bench, pick)
    return _edge_lead(lit, bench, pick)


def _refuse_outside(bench: Bench, pick: Pick) -> None:
    places = np.column_stack([pick.near, np.full(len(pick.near), pick.known.sheet.height)])
    px = bench.project(places)
    size = np.array(bench.image.size)
    outside = ((px < 0) | (px > size - 1)).any(axis=1)
    if outside.any():
        x, y = pick.near[outside][0]
        message = f"Feature '{pick.name}': way-point [{x:g}, {y:g}] lies outside the photo; correct it."
        raise InputError(message)


def _edge_lead(lit: Lit, bench: Bench, pick: Pick) -> _Lead:
    """Follow the edge with the metal on either side, keep the side that explains more."""
    roundings = [replace(pick.known.sheet, rounding=r) for r in ROUNDINGS]
    options: list[_Lead] = []
    if pick.kind == "slot":
        rough, closed, sides, first = _opening_contour(lit, bench, pick), True, (False,), "near"
    else:
        closed, first = pick.closed, "beside"
        rough, sides = trace_edge(lit, bench, pick.known.sheet.height, _guide(pick), closed), (True, False)
    for material_inside in sides:
        followed = follow_edge(
            lit, bench, roundings, rough, material_inside=material_inside, first=first, closed=closed
        )
        edges = tuple(edge_of(strip, s, *rest) for s, (strip, *rest) in zip(roundings, followed, strict=True))
        twins = tuple(twin_share(strip, s, *rest) for s, (strip, *rest) in zip(roundings, followed, strict=True))
        options.append(_Lead(pick, edges, twins))
    return max(options, key=lambda lead: float(lead.worth()[0].max()))


def _guide(pick: Pick) -> FloatArray:
    """A smooth line (N, 2) through the way-points: straight, a circle's arc, or a spline along the chords."""
    near = np.asarray(pick.near, float)
    if pick.kind == "line":
        return resampled(near, 0.5, 0.0, closed=False)
    from scipy.interpolate import CubicSpline

    ring = np.vstack([near, near[:1]]) if pick.closed else near
    along = np.r_[0.0, np.cumsum(np.sqrt(np.hypot(*np.diff(ring, axis=0).T)))]
    if (np.diff(along) <= 0).any():
        message = f"Feature '{pick.name}': two way-points in a row are the same; remove one."
        raise InputError(message)
    curve = CubicSpline(along, ring, bc_type="periodic" if pick.closed else "natural")
    return resampled(curve(np.linspace(0, along[-1], 40 * len(near))), 0.5, 0.0, closed=pick.closed)


def _patch(lit: Lit, bench: Bench, pick: Pick) -> PartMask:
    """The neighbourhood of a hole's way-point, flattened, as a part without an edge of its own."""
    reach = _PATCH_MM + 1.5 * (pick.about or 15.0)
    x, y = pick.near.mean(axis=0)
    bounds = (x - reach, x + reach, y - reach, y + reach)
    flat = flatten(lit.pixels, bench, pick.known.sheet.height, bounds, _PATCH_STEP_MM)
    tone = np.sqrt(flat.pixels.astype(np.float32) / 65535)
    mask = np.ones(tone.shape[:2], np.uint8)
    return PartMask(flat, mask, tone / max(float(np.median(tone)), 1e-3), False)


def _circle_lead(lit: Lit, bench: Bench, pick: Pick) -> _Lead:
    """The circle about the way-point that explains its surroundings best, for each rounding."""
    x, y = pick.near.mean(axis=0)
    starts = [
        Circle(*o.centre, (o.length + o.width) / 4) for o in find_openings(_patch(lit, bench, pick)) if o.is_round
    ]
    if pick.about:
        starts = [c for c in starts if 0.7 < 2 * c.radius / pick.about < 1.4]
        starts.append(Circle(x, y, pick.about / 2))
    best, scale = (), 0.0
    for start in starts:
        if np.hypot(start.x - x, start.y - y) > max(_WAY_POINT_MM, start.radius):
            continue
        search = RoundSearch(lit, bench, pick.known.sheet, start)
        if search.ring() < _RING:
            continue
        coarse = search.coarse(0.6)
        found = tuple(search.fine(coarse, r) for r in ROUNDINGS)
        if not best or max(c.score for c in found) > max(c.score for c in best):
            best, scale = found, search.strip.px_per_mm
    if not best:
        message = (
            f"No round hole is to be seen within {_WAY_POINT_MM:g} mm of [{x:.1f}, {y:.1f}]; put the "
            "way-point inside the hole, and give its rough diameter as about."
        )
        raise CannotDetermine(message)
    return _Lead(pick, circles=best, scale_px=scale)


def _opening_contour(lit: Lit, bench: Bench, pick: Pick) -> FloatArray:
    """Contour of the long opening about a slot's way-point."""
    x, y = pick.near.mean(axis=0)
    near = [
        o
        for o in find_openings(_patch(lit, bench, pick))
        if not o.is_round and np.hypot(*(o.centre - [x, y])) < max(_WAY_POINT_MM, o.length / 2)
    ]
    if not near:
        message = (
            f"No slot is to be seen about [{x:.1f}, {y:.1f}]; put the way-point in its middle, and "
            "give its rough width as about."
        )
        raise CannotDetermine(message)
    return min(near, key=lambda o: o.misfit).contour


def _measured(lit: Lit, bench: Bench, lead: _Lead, rounding: Rounding) -> PickedFeature:
    pick = lead.pick
    feature, points, notices = _fitted(lit, bench, pick.known.with_rounding(rounding), lead, rounding.which)
    named = replace(waves_to_own(feature), name=pick.name, source=str(bench.image.path))
    return PickedFeature(
        named, waves_to_noise(points).named(pick.name), tuple(replace(n, feature=pick.name) for n in notices)
    )


def _fitted(
    lit: Lit, bench: Bench, known: FaceKnowledge, lead: _Lead, which: int
) -> tuple[Feature, Points, Sequence[Notice]]:
    from fit.shapes import fit_arc, fit_line, short_arc

    kind, height = lead.pick.kind, known.sheet.height
    if kind == "circle":
        circle = lead.circles[which]
        start = np.array([circle.x, circle.y, circle.radius])
        feature, points, edge = refined_round(
            lit, bench, known, lambda x, y, r: circle_contour(x, y, r, height, 0.2), start
        )
        if circle.score < _SURE_HOLE_SCORE and not (
            circle.score > _LEAST_HOLE_SCORE and ring_seen(feature, points, edge)
        ):
            message = "No hole's rim shows all round here; put the way-point in the hole, or shoot in other light."
            raise CannotDetermine(message)
        return feature, points, [*_seen(edge, _LEAST_HOLE_COVER), *edge.notices(lead.pick.name)]
    edge = lead.edges[which]
    notices = [*_seen(edge, _LEAST_COVER), *edge.notices(lead.pick.name)]
    if kind == "slot":
        feature, points, edge = refined_slot(lit, bench, known, edge)
        return feature, points, notices
    points = measured_points(bench, known, edge)
    if kind == "path":
        from capture.outline import outline_path

        path, more = outline_path(points, closed=lead.pick.closed, clean=edge.clean, twofold=known.twofold)
        return path.feature, path.points, [*notices, *more]
    feature, kept = trimmed_fit(fit_line if kind == "line" else fit_arc, points)
    warned = short_arc(feature)
    return feature, kept, [*notices, *([warned] if warned else [])]


def _seen(edge: Edge, least: float) -> list[Notice]:
    """Refuse an edge that hardly shows; warn where much of it does not."""
    if edge.cover < least:
        message = f"Only {edge.cover:.0%} of the edge can be seen; shoot again with light from another side."
        raise CannotDetermine(message)
    if edge.cover > 0.75:
        return []
    text = f"Only {edge.cover:.0%} of this edge shows clearly; the rest is bridged. Look at the overlay."
    return [Notice("low-contrast", text)]
