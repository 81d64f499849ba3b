"""The part in a frame by itself: outline, holes and slots from one photo, without a pick from anyone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capture.camera.bench import Bench
from capture.edges.flatten import Flat, flatten
from capture.edges.follow import worth_along
from capture.edges.in_light import FirstLight, InLight, Measured, first_light, light_tells, measured_in_light
from capture.edges.openings import Opening, find_openings, round_starts
from capture.edges.part_mask import PartMask, disc, find_part
from capture.edges.planes import grown, shrunk
from capture.edges.rim_fit import (
    Edge,
    FaceKnowledge,
    caps_seen,
    edge_at,
    measured_points,
    refined_round,
    refined_slot,
    ring_seen,
    slot_edge,
)
from capture.edges.rims import Sheet
from capture.edges.round_holes import Circle, RoundSearch, circle_contour
from capture.edges.sheet_rounding import SURE_ROUND, Tried, same_place, try_roundings
from capture.edges.slot_holes import Stadium, best_stadium, ends_told, ranked, stadium_of
from capture.edges.strip import Lit, Palette, linear_light
from capture.edges.waves import waves_to_noise, waves_to_own
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points, join_points
from fit.results import Notice

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MeasuredPart", "measure_part"]

_STEP_MM, _BESIDE_MM = 0.2, 12.0
_RIM_MM = 0.8
_USUAL_HEIGHT_MM = 10.0
_MARGIN_MM = 4.0
_RING = 0.7
_LEAST_SLOT_START, _LEAST_SLOT_SCORE, _SURE_SLOT, _LEAST_SLOT_COVER = 0.2, 0.3, 0.75, 0.72
"""What a stadium must explain to start, as measured, to need no other start (one 1.4 mm too long had 0.7); share of rim seen."""
_HUE_EVERY = 3
_HUE_TOLD = 0.05
_SLOT_RMS_MM = 0.12
_LEAST_SLOT_WORTH, _LEAST_WORTHY_COVER = 11.0, 0.5
"""Score times length of rim, mm, with which a slot may score less, or show on less of its rim: chance does not keep to
centimetres of one stadium. On ray-traced plates slots that scored too little had 14 mm and more, others up to 8."""
_PLAIN_SLOT, _LEAST_ENDS = 0.4, 0.05
"""What the ends of a slot that scores less must explain by themselves: those of faint ones on ray-traced plates explained 0.11
and more, of two lines of grain in a glare 0.02."""
_WHOLE_COVER, _WHOLE_RMS_MM = 0.95, 0.03
"""A stadium whose whole rim steps so near to it is a slot, whatever lies beside: grain steps are not on one line all round."""
_MOST_LOST = 0.01
"""Share of an outline's rows without a step or in doubt beyond which others are sure to lie off a fine path."""
_SURE_ROUND_RMS_MM, _LEAST_ROUND = 0.05, 0.3
"""What a ring must explain as first found to need no rim all round, and as found and fitted together to be believed at all.
On 40 ray-traced plates rings with a wide gap that were no holes explained up to 0.29 as first found, all ten with more than
0.45 were holes; together holes explained 0.43 or more (0.34 on metal as bright as the paper), rings of texture and glare up to
0.20."""


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredPart:
    """What one photo tells of the part: features in order of their names, their points, warnings, the flattened picture."""

    features: tuple[Feature, ...]
    points: Points
    notices: tuple[Notice, ...]
    sheet: Sheet
    flat: Flat


@dataclass(frozen=True, eq=False, slots=True)
class _Found:
    feature: Feature
    points: Points
    edge: Edge


def measure_part(bench: Bench, pixels: NDArray[np.uint8], known: FaceKnowledge) -> MeasuredPart:
    """Find and measure outline, holes and slots inside the frame's blank middle.

    Parameters
    ----------
    bench : the solved camera; its first piece is the frame. pixels : the stored picture in colour (H, W, 3), BGR.
    known : the sheet's height, thickness and how well they are known; its rounding is found here.

    Raises CannotDetermine where no part or no edge of it is to be seen.
    """
    piece = bench.pieces[0].piece
    ring = piece.ring * piece.square
    sx, sy = bench.scale
    bounds = (
        ring * sx - _MARGIN_MM,
        (piece.width - ring) * sx + _MARGIN_MM,
        ring * sy - _MARGIN_MM,
        (piece.height - ring) * sy + _MARGIN_MM,
    )
    flat = flatten(pixels, bench, known.sheet.height, bounds, _STEP_MM)
    part = find_part(flat, _MARGIN_MM)
    _refuse_cut_off(part, known.sheet.height)
    lit = Lit(linear_light(pixels, _seen_within(bench, _about(part), known.sheet.height)), _palette(part))
    part = _without_bays(lit, bench, known.sheet, part)
    openings = find_openings(part)
    searches = _round_candidates(lit, bench, known.sheet, round_starts(openings))
    tried = try_roundings(lit, bench, known, searches, _rough_outline(part), later=light_tells(known))
    known = known.with_rounding(tried.first)
    first, holes, slots = _edges_in_light(lit, bench, known, tried, openings)
    if first.is_other_than(known):
        first, holes, slots = _edges_in_light(lit, bench, first.known, tried, openings)
    told = measured_in_light(lit, bench, first, _alone(holes), _alone(slots))
    found = [_Found(*one) for one in told.rounds + told.slots]
    return _assembled(lit, bench, flat, told, found)


def _edges_in_light(
    lit: Lit, bench: Bench, known: FaceKnowledge, tried: Tried, openings: list[Opening]
) -> tuple[FirstLight, list[_Found], list[_Found]]:
    """What light on the paper first tells beside outline and holes found under one rounding; round holes; slots.

    Where it is in doubt whether edges are rounded, light is asked before slots are sought, which costs most: under another
    rounding they are sought anew.
    """
    circles, edge = tried.of(known.sheet.rounding)
    rounds, first = _rounds(lit, bench, known, circles), None
    if tried.in_doubt and known.sheet.rounding == 0:
        first = first_light(lit, bench, known, edge, _alone(rounds), tried.rounded)
        if first.is_other_than(known):
            return first, rounds, []
    slots = _slots(lit, bench, known, [o for o in openings if not o.is_round], rounds)
    holes = [hole for hole in rounds if not any(_swallows(slot, hole) for slot in slots)]
    slots = [slot for slot in slots if not any(_in_hole(slot, hole) for hole in holes)]
    if first is not None and len(holes) == len(rounds):
        return first, holes, slots
    return first_light(lit, bench, known, edge, _alone(holes), tried.rounded), holes, slots


def _alone(found: list[_Found]) -> list[Measured]:
    return [(one.feature, one.points, one.edge) for one in found]


def _about(part: PartMask) -> tuple[float, float, float, float]:
    """Bounds (x least, x most, y least, y most) mm of all that may be part, as far beside it as anything is looked for."""
    import cv2

    column, row, wide, high = cv2.boundingRect(np.maximum.reduce([part.mask, *part.bays]))
    near, far = part.flat.to_bench(np.array([[column, row + high], [column + wide, row]], float))
    return near[0] - _BESIDE_MM, far[0] + _BESIDE_MM, near[1] - _BESIDE_MM, far[1] + _BESIDE_MM


def _seen_within(bench: Bench, bounds: tuple[float, float, float, float], height: float) -> tuple[slice, slice]:
    """Rows and columns of the picture in which the bounds (x least, x most, y least, y most) show."""
    left, right, low, high = bounds
    corners = np.array([(x, y, z) for x in (left, right) for y in (low, high) for z in (0.0, height)])
    px = bench.project(corners)
    first, last = np.floor(px.min(axis=0)).astype(int) - 20, np.ceil(px.max(axis=0)).astype(int) + 20
    return slice(max(first[1], 0), max(last[1], 1)), slice(max(first[0], 0), max(last[0], 1))


def _refuse_cut_off(part: PartMask, height: float) -> None:
    if part.touches_border:
        message = (
            "The part reaches over the printed frame or something covers the paper beside it; lay it clear of the print "
            "with blank paper all round. For a larger or raised part use 'edgewright page' or 'edgewright run'."
        )
        if height > _USUAL_HEIGHT_MM:
            message += f" Or is the height meant in another unit? It was read as {height:g} mm."
        raise CannotDetermine(message)


def _palette(part: PartMask) -> Palette | None:
    """Hues of paper and part, where they differ enough to tell one from the other in shadow."""
    near = disc(3.0, part.flat.step)
    core, bare = shrunk(part.mask, near) > 0, grown(part.mask, near) == 0
    margin = round((_MARGIN_MM + 1) / part.flat.step)
    bare[:margin], bare[-margin:], bare[:, :margin], bare[:, -margin:] = False, False, False, False
    if core.sum() < 500 or bare.sum() < 500:
        return None
    some = np.s_[::_HUE_EVERY, ::_HUE_EVERY]
    core, bare, tones = core[some], bare[some], linear_light(part.flat.pixels[some]).astype(float)
    hues = [
        np.median(tones[where] / np.maximum(tones[where].sum(axis=1, keepdims=True), 1), axis=0)
        for where in (bare, core)
    ]
    away: FloatArray = hues[1] - hues[0]
    return Palette(hues[0], away) if np.linalg.norm(away) > _HUE_TOLD else None


def _without_bays(lit: Lit, bench: Bench, sheet: Sheet, part: PartMask) -> PartMask:
    """The part with those bays filled round which an edge shows better than along them."""
    cut = _rough_outline(part) if part.bays else np.zeros((0, 2))
    for bay in part.bays:
        whole = part.filled(bay)
        beside = partial(_at_rim, bay, part.flat)
        round_it, along_it = (worth_along(lit, bench, sheet, line, beside) for line in (_rough_outline(whole), cut))
        if _mean(round_it) > _mean(along_it):
            part = whole
    return part


def _at_rim(bay: NDArray[np.uint8], flat: Flat, places: FloatArray) -> NDArray[np.bool_]:
    """Which places (N, 2) lie at a bay's rim."""
    import cv2

    near = cv2.dilate(bay, disc(_RIM_MM, flat.step)) > 0
    column, row = np.rint(flat.to_flat(places)).astype(int).T
    return near[np.clip(row, 0, near.shape[0] - 1), np.clip(column, 0, near.shape[1] - 1)]


def _mean(worth: FloatArray) -> float:
    return float(worth.mean()) if len(worth) else -np.inf


def _rough_outline(part: PartMask) -> FloatArray:
    import cv2

    contours, _ = cv2.findContours(part.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return part.flat.to_bench(max(contours, key=len)[:, 0].astype(float))


def _round_candidates(
    lit: Lit, bench: Bench, sheet: Sheet, starts: list[Circle]
) -> list[tuple[RoundSearch, list[FloatArray]]]:
    """Searches of the round candidates that have a ring of steps at all, each with its coarse starts."""
    kept = []
    for start in starts:
        search = RoundSearch(lit, bench, sheet, start)
        if search.ring() >= _RING:
            kept.append((search, search.coarse(0.6)))
    return kept


def _rounds(lit: Lit, bench: Bench, known: FaceKnowledge, circles: list[Circle]) -> list[_Found]:
    """Round holes from candidates, best first; where the best of a place shows no ring, the next one is tried."""
    found: list[_Found] = []
    height = known.sheet.height
    for circle in circles:
        if any(same_place(circle, _circle(hole.feature)) for hole in found):
            continue
        start = np.array([circle.x, circle.y, circle.radius])
        try:
            result = _Found(
                *refined_round(lit, bench, known, lambda x, y, r: circle_contour(x, y, r, height, 0.2), start)
            )
        except CannotDetermine:
            continue
        if _round_believed(circle, result):
            found.append(result)
    return found


def _round_believed(circle: Circle, hole: _Found) -> bool:
    """Whether a rim is seen all round, or so much is explained that light may hide one side of it."""
    if circle.score >= SURE_ROUND and hole.feature.rms < _SURE_ROUND_RMS_MM:
        return True
    explained = circle.score + max(hole.edge.score, 0.0) >= _LEAST_ROUND
    return explained and ring_seen(hole.feature, hole.points, hole.edge)


def _circle(hole: Feature) -> Circle:
    return Circle(hole["x"], hole["y"], hole["diameter"] / 2)


def _slots(lit: Lit, bench: Bench, known: FaceKnowledge, openings: list[Opening], holes: list[_Found]) -> list[_Found]:
    """The best slot of each place, clear of the round holes."""
    found: list[Stadium] = []
    for opening in openings:
        if any(np.hypot(*(h.feature.vector(("x", "y")) - opening.centre)) < opening.width / 2 for h in holes):
            continue
        if any(stadium.score > _SURE_SLOT and stadium.holds(opening.centre) for stadium in found):
            continue
        half = (opening.length - opening.width) / 2 * opening.along
        start = Stadium(opening.centre - half, opening.centre + half, opening.width / 2)
        found.append(best_stadium(lit, bench, known.sheet, start, known.rim_inset))
    kept: list[_Found] = []
    for stadium in ranked(found):
        if stadium.score < _LEAST_SLOT_START:
            continue
        if any(np.hypot(*(stadium.middle - k.feature.vector(("x", "y")))) < k.feature["length"] / 2 for k in kept):
            continue
        edge = edge_at(lit, bench, known, stadium.contour(known.sheet.height, 0.2))
        try:
            feature, points = refined_slot(lit, bench, known, edge)
        except CannotDetermine:
            continue
        slot = _Found(feature, points, slot_edge(lit, bench, known, feature))
        if _slot_believed(slot):
            kept.append(slot)
    return kept


def _slot_believed(slot: _Found) -> bool:
    edge = slot.edge
    assert edge.told is not None
    worth = edge.score * len(edge.strip.total) * edge.strip.contour.spacing
    clear = edge.score >= _LEAST_SLOT_SCORE and edge.cover >= _LEAST_SLOT_COVER
    clear |= worth >= _LEAST_SLOT_WORTH and edge.cover >= _LEAST_WORTHY_COVER
    whole = edge.cover >= _WHOLE_COVER and slot.feature.rms < _WHOLE_RMS_MM
    if not ((clear or whole) and slot.feature.rms < _SLOT_RMS_MM and caps_seen(slot.feature, slot.points)):
        return False
    return whole or edge.score >= _PLAIN_SLOT or ends_told(slot.feature, edge.strip.contour, edge.told) >= _LEAST_ENDS


def _swallows(slot: _Found, hole: _Found) -> bool:
    """Whether a round hole is but the end of a slot that explains more."""
    within = stadium_of(slot.feature).holds(hole.feature.vector(("x", "y")))
    return within and slot.edge.score > hole.edge.score


def _in_hole(slot: _Found, hole: _Found) -> bool:
    """Whether a slot is but a round hole's shadow."""
    apart = np.hypot(*(slot.feature.vector(("x", "y")) - hole.feature.vector(("x", "y"))))
    return bool(apart < hole.feature["diameter"] / 2)


def _assembled(lit: Lit, bench: Bench, flat: Flat, told: InLight, found: list[_Found]) -> MeasuredPart:
    """Outline as a path, everything named in order from the part's lower-left corner."""
    from capture.edges.outline import outline_path, row_doubt
    from capture.edges.outline_light import between_readings

    known, edge = told.known, told.outline
    points = measured_points(bench, known, edge)
    doubt = row_doubt(edge)
    lost = 1 - edge.cover + float((doubt > 1).mean())
    clean = edge.clean and lost < _MOST_LOST
    path, notices = outline_path(points, clean=clean, twofold=known.twofold, doubt=doubt)
    if told.light is not None:
        path = between_readings(lit, bench, [known.sheet], told.light, path)
    notices += edge.notices("outline")
    corner = points.xyz[:, :2].min(axis=0)
    features, clouds = [waves_to_own(path.feature)], [waves_to_noise(path.points).named("outline")]
    for word in ("circle", "slot"):
        same = [f for f in found if f.feature.kind == word]
        same.sort(key=lambda f: float(np.hypot(*(f.feature.vector(("x", "y")) - corner))))
        for i, item in enumerate(same, 1):
            name = f"{'hole' if word == 'circle' else 'slot'} {i}"
            features.append(replace(waves_to_own(item.feature), name=name, source=str(bench.image.path)))
            clouds.append(waves_to_noise(item.points).named(name))
            notices += item.edge.notices(name)
    return MeasuredPart(tuple(features), join_points(clouds), tuple(notices), known.sheet, flat)
