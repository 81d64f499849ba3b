"""All edges of a sheet measured anew, once the light on the paper beside them is known.

Steps of tone find the edges; where a narrow shadow or a rounding's band joins a step, it is moved. So the light is learned
from all edges as found, every short length of edge is compared with what it would show in that light, and both are done
again from the better edges.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.lengths import WIDE, Lengths, lengths_along
from capture.edges.likely import likely_circle_move, likely_slot_move, slot_values
from capture.edges.moved import contour_told, moved_in, pushed
from capture.edges.paper_light import PaperLight, light_in_holes, light_on_paper
from capture.edges.profiles import edge_costs
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_at, measured_points
from capture.edges.rims import Sheet
from capture.edges.round_holes import circle_contour
from capture.edges.rounding import rounding_by_costs
from capture.edges.shifts import astray, near_cost, near_shifts, unexplained
from capture.edges.slot_holes import stadium_of
from capture.edges.strip import Contour, Lit
from capture.edges.waves import read_twice, waves_left_out
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points

__all__ = ["FirstLight", "InLight", "Measured", "first_light", "light_tells", "measured_in_light"]

_LENGTH_MM, _ROUND_MM = 2.5, 2.0
_SPACING_MM = 0.2
_TURNS, _EVERY = 2, 5
_LEAST_POINTS = 8
_SURE_HEIGHT_U = 0.3
_OTHER_MM = 0.15
"""If light tells of a rounding that differs by more from what edges were looked for with, they are looked for again."""
_WORTH = 2.0
"""What each length moved for the light of holes must be explained better by. On 60 ray-traced plates those moved to the edge
gained 2.9 to 8, others nothing to 0.6."""
_SIDE_PX, _SIDE_ROUNDED, _SIDE_WALL = 0.09, 0.2, 0.03
"""What all lengths of one side of a hole may err by together: pixels, and shares of the rounding and of the seen wall."""

Measured = tuple[Feature, Points, Edge]


@dataclass(frozen=True, eq=False, slots=True)
class FirstLight:
    """What the light on the paper tells first: the sheet with its likeliest rounding, the outline's edge, the true contour
    through its steps, the lengths of it and of each round hole, and the light itself; `light` None where it tells nothing.
    """

    known: FaceKnowledge
    outline: Edge
    contour: Contour
    around: Lengths | None = None
    rings: tuple[Lengths, ...] = ()
    light: PaperLight | None = None

    def is_other_than(self, before: FaceKnowledge) -> bool:
        """Whether the rounding differs much from the one that edges were looked for with."""
        return abs(self.known.sheet.rounding - before.sheet.rounding - before.rim_inset) > _OTHER_MM


@dataclass(frozen=True, eq=False, slots=True)
class InLight:
    """What is known of the sheet, its outline's edge, round holes and slots, all measured in the light on the paper, if any
    could be told.
    """

    known: FaceKnowledge
    outline: Edge
    rounds: list[Measured]
    slots: list[Measured]
    light: PaperLight | None = None


def first_light(
    lit: Lit, bench: Bench, known: FaceKnowledge, outline: Edge, rounds: Sequence[Measured], rounded: float
) -> FirstLight:
    """Learn the light on the paper, and the rounding it tells of, from outline and round holes as found.

    rounded : how likely the sheet's edges are rounded, 0 to 1, by the shape of their steps. Where height or thickness are
    not known to a few tenths, wall and shadows are not where they would be expected: nothing is told.
    """
    contour = contour_told(bench, known.sheet, outline)
    if not light_tells(known):
        return FirstLight(known, outline, contour)
    circles = [_circle(hole) for hole, _, _ in rounds]
    rings = tuple(_ring(lit, bench, known.sheet, circle) for circle in circles)
    back, around, light = _brought_back(lit, bench, known.sheet, contour, _seen(rings, circles))
    if back.any():
        contour, outline = pushed(contour, back), moved_in(outline, back, sure=True)
    known = _with_likeliest_rounding(known, [around, *rings], light, rounded)
    return FirstLight(known, outline, contour, around, rings, light.with_rounding(known.sheet.rounding))


def measured_in_light(
    lit: Lit, bench: Bench, told: FirstLight, rounds: Sequence[Measured], slots: Sequence[Measured]
) -> InLight:
    """Outline, round holes and slots good to a few tenths of a millimetre, made better; as found where light tells nothing.

    told : from the same outline and the same round holes.
    """
    known, contour, around, rings, light = told.known, told.contour, told.around, told.rings, told.light
    if light is None or around is None:
        return InLight(known, told.outline, list(rounds), list(slots))
    circles, moved = [_circle(hole) for hole, _, _ in rounds], np.zeros(len(contour.xy))
    for turn in range(_TURNS):
        if turn:
            around = lengths_along(lit, bench, known.sheet, contour, _LENGTH_MM)
            rings = tuple(_ring(lit, bench, known.sheet, circle) for circle in circles)
            light = light_on_paper(around, _seen(rings, circles), known.sheet, light)
        costs, *others = edge_costs([around, *rings], known.sheet, light, quick=not turn)
        likely = [likely_circle_move(each, ring) for each, ring in zip(others, rings, strict=True)]
        circles = [circle + move for circle, (move, _) in zip(circles, likely, strict=True)]
        shift = near_shifts(costs, around)
        contour, moved = pushed(contour, shift), moved + shift
    covs, place = [cov for _, cov in likely], (lit, bench, known)
    return InLight(
        known,
        moved_in(told.outline, moved),
        [_or_found(one[0], _circle_as, *place, *one) for one in zip(rounds, circles, covs, strict=True)],
        [_or_found(slot, _slot_in, *place, slot, light) for slot in slots],
        light,
    )


def light_tells(known: FaceKnowledge) -> bool:
    """Whether height and thickness are so well known that walls and shadows are where they are expected."""
    return max(known.height_u, known.foot_u) <= _SURE_HEIGHT_U


def _or_found(found: Measured, anew: Callable[..., Measured], *told: object) -> Measured:
    """Measured anew, or as found where the steps on the likelier rim leave out too much of it."""
    try:
        return anew(*told)
    except CannotDetermine:
        return found


def _circle(hole: Feature) -> FloatArray:
    """A round hole's x, y and radius (3,)."""
    return np.array([hole["x"], hole["y"], hole["diameter"] / 2])


def _seen(rings: Sequence[Lengths], circles: Sequence[FloatArray]) -> list[tuple[Lengths, float]]:
    """Lengths of round holes, each with its radius."""
    return [(ring, float(circle[2])) for ring, circle in zip(rings, circles, strict=True)]


def _ring(lit: Lit, bench: Bench, sheet: Sheet, circle: FloatArray) -> Lengths:
    x, y, radius = (float(v) for v in circle)
    return lengths_along(lit, bench, sheet, circle_contour(x, y, radius, sheet.height, _SPACING_MM), _ROUND_MM)


def _with_likeliest_rounding(
    known: FaceKnowledge, everything: Sequence[Lengths], light: PaperLight, rounded: float
) -> FaceKnowledge:
    """The sheet with the rounding that explains its edges best."""
    some = [one.thinned(_EVERY) for one in everything]

    def cost(radius: float) -> float:
        told = edge_costs(some, replace(known.sheet, rounding=radius), light.with_rounding(radius))
        return float(np.concatenate([each.min(axis=1) for each in told]).mean())

    return known.with_rounding(rounding_by_costs(cost, rounded))


def _brought_back(
    lit: Lit, bench: Bench, sheet: Sheet, contour: Contour, seen: Sequence[tuple[Lengths, float]]
) -> tuple[FloatArray, Lengths, PaperLight]:
    """How far outward (M,) rows of an outline are moved that follow another line, mm; its lengths there, and the light.

    A long run on a shadow's end teaches a light that has its shadow end elsewhere. Where that leaves much unexplained, the
    light that holes alone tell of is tried; it is believed where, all learned anew, what it moves in is explained so much
    better. A shadow's end lies outside the metal.
    """

    def read(shift: FloatArray) -> tuple[Lengths, PaperLight]:
        around = lengths_along(lit, bench, sheet, pushed(contour, shift), _LENGTH_MM)
        return around, light_on_paper(around, seen, sheet)

    def wide(shift: FloatArray, light: PaperLight) -> tuple[Lengths, FloatArray]:
        lengths = lengths_along(lit, bench, sheet, pushed(contour, shift), _LENGTH_MM, WIDE)
        return lengths, edge_costs([lengths], sheet, light, quick=True, over=WIDE)[0]

    back = np.zeros(len(contour.xy))
    around, light = read(back)
    lengths, costs = wide(back, light)
    own = astray(costs, lengths)
    if own.any():
        back, (around, light) = own, read(own)
        lengths, costs = wide(back, light)
    other = light_in_holes(light, seen) if unexplained(costs) else None
    if other is None:
        return back, around, light
    more = np.minimum(astray(edge_costs([lengths], sheet, other, quick=True, over=WIDE)[0], lengths), 0.0)
    if not more.any():
        return back, around, light
    moved = back + more
    there = read(moved)
    gain = near_cost(costs).sum() - near_cost(wide(moved, there[1])[1]).sum()
    enough = _WORTH * len(costs) * float((more != 0).mean())
    return (moved, *there) if gain > enough else (back, around, light)


def _circle_as(
    lit: Lit, bench: Bench, known: FaceKnowledge, found: Measured, circle: FloatArray, cov: FloatArray
) -> Measured:
    """The hole with its circle so and own covariance so; shared errors come from the steps that lie on it."""
    from fit.shapes import fit_circle

    x, y, radius = (float(v) for v in circle)
    edge = edge_at(lit, bench, known, circle_contour(x, y, radius, known.sheet.height, _SPACING_MM))
    if len(edge.picked.row) < _LEAST_POINTS:
        return found
    points = measured_points(bench, known, edge)
    feature = fit_circle(points, robust=False, correlated=True)
    side = _side_u(bench, known.sheet, edge)
    as_diameter = np.array([1.0, 1.0, 2.0])
    own = (cov + np.diag([side, side, side / 2]) ** 2) * np.outer(as_diameter, as_diameter)
    values = dict(zip(("x", "y", "diameter"), circle * as_diameter, strict=True))
    return _told(feature, values, own), points, edge


def _side_u(bench: Bench, sheet: Sheet, edge: Edge) -> float:
    wall = max(float(sheet.wall(bench, edge.strip.contour).max()), 0.0)
    return float(np.linalg.norm([_SIDE_PX / edge.strip.px_per_mm, _SIDE_ROUNDED * sheet.rounding, _SIDE_WALL * wall]))


def _told(feature: Feature, values: dict[str, float], own: FloatArray) -> Feature:
    """The feature with these values and their own covariance, all else of it without own errors."""
    at = [feature.index(key) for key in values]
    told, cov = feature.values.copy(), np.zeros_like(feature.cov_own)
    told[at] = list(values.values())
    cov[np.ix_(at, at)] = own
    return replace(read_twice(waves_left_out(feature)), values=told, cov_own=cov, dof=np.inf)


def _slot_in(lit: Lit, bench: Bench, known: FaceKnowledge, found: Measured, light: PaperLight) -> Measured:
    """The slot where its rim is likeliest."""
    from fit.shapes import fit_slot

    slot = stadium_of(found[0])
    for _ in range(_TURNS):
        lengths = lengths_along(lit, bench, known.sheet, slot.contour(known.sheet.height, _SPACING_MM), _ROUND_MM)
        (costs,) = edge_costs([lengths], known.sheet, light)
        move, cov = likely_slot_move(costs, lengths, slot, _SPACING_MM)
        slot = slot.moved(move)
    edge = edge_at(lit, bench, known, slot.contour(known.sheet.height, _SPACING_MM))
    if len(edge.picked.row) < _LEAST_POINTS:
        return found
    points = measured_points(bench, known, edge)
    feature = fit_slot(points, robust=False, correlated=True)
    values, turn = slot_values(slot)
    side = _side_u(bench, known.sheet, edge)
    floor = np.diag([side, side, side, side, side / values["length"]]) ** 2
    return _told(feature, values, turn @ cov @ turn.T + floor), points, edge
