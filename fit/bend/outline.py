"""Flanges along straight edges of a measured outline: the blank's outer edge, bend lines and reliefs.

The outline is the folded part's outer face: its edges are the sharp outer corners (mould lines) of the flanges.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.bend.allowance import bend_allowance, outside_setback
from fit.drawing.model import Line, Polyline
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["Flange", "FlangedBlank", "Fold", "flanged_outline", "straight_edges"]

_OPEN_CORNER = math.radians(91.0)
"""Corners up to this leave a bend's end free; wider ones leave metal beside it, which needs a relief."""


@dataclass(frozen=True, slots=True)
class Flange:
    """A flange along an edge (numbered from 1): outside height to the sharp corner, mm, and signed turn, rad."""

    edge: int
    height: float
    angle: float


@dataclass(frozen=True, slots=True)
class Fold:
    """How the sheet folds: inside radius and thickness, mm, K-factor, kerf mm."""

    radius: float
    thickness: float
    k: float
    kerf: float = 0.0

    @property
    def relief(self) -> float:
        """Width of a relief, mm: at least the thickness and the kerf."""
        return max(self.thickness, self.kerf)


@dataclass(frozen=True, eq=False, slots=True)
class FlangedBlank:
    """Outline to cut, bend lines in the order of the flanges, and how far each flange reaches past its edge, mm."""

    outline: Polyline
    lines: tuple[Line, ...]
    reach: tuple[float, ...]


@dataclass(frozen=True, eq=False, slots=True)
class _Edge:
    """A straight edge with a flange on it: ends, direction, outward normal; levels past the edge, mm."""

    first: FloatArray
    last: FloatArray
    along: FloatArray
    out: FloatArray
    tip: float
    floor: float
    line: float

    def at(self, along: float, level: float, *, from_last: bool = False) -> FloatArray:
        base = self.last - along * self.along if from_last else self.first + along * self.along
        return np.asarray(base + level * self.out)


def straight_edges(outline: Polyline) -> list[int]:
    """Numbers, from 1, of an outline's straight edges."""
    return [i for i, (_, _, bulge) in enumerate(outline.vertices, 1) if abs(bulge) < 1e-9]


def flanged_outline(outline: Polyline, flanges: Sequence[Flange], fold: Fold) -> FlangedBlank:
    """Blank of an outline with flanges.

    A flange of outside height H reaches H − 2 s + A (R + K T) past its edge, s = (R + T) tan(A/2); its bend line lies
    s − A (R + K T)/2 inside the edge. A relief goes T past the bend's inner start wherever metal stands beside the
    bend's end; where two flanges meet both end clear of the other's bend. Source: definitions of set-back and allowance.

    Raises InputError for edges that are curved or not there, CannotDetermine for flanges that do not fit.
    """
    if not outline.closed or len(outline.vertices) < 3:
        message = "Flanges need a closed outline with at least three edges."
        raise InputError(message)
    made = {flange.edge: _edge(outline, flange, fold) for flange in flanges}
    if len(made) < len(flanges):
        message = "An edge has two flanges; give each edge one."
        raise InputError(message)
    vertices: list[tuple[float, float, float]] = []
    count = len(outline.vertices)
    for number, (x, y, bulge) in enumerate(outline.vertices, 1):
        before = made.get((number - 2) % count + 1)
        edge = made.get(number)
        if edge is None:
            # A flange before it has drawn this corner already, without the bulge that starts here.
            if before is not None and vertices:
                vertices.pop()
            vertices.append((float(x), float(y), bulge))
            continue
        after = made.get(number % count + 1)
        vertices += [
            (float(a), float(b), 0.0) for a, b in _flange(edge, (before, after), _opens(outline, number), fold)
        ]
    ordered = [made[flange.edge] for flange in flanges]
    lines = tuple(_bend_line(outline, flange, made, fold) for flange in flanges)
    return FlangedBlank(_without_repeats(vertices), lines, tuple(edge.tip for edge in ordered))


def _edge(outline: Polyline, flange: Flange, fold: Fold) -> _Edge:
    if flange.edge not in straight_edges(outline):
        straight = ", ".join(map(str, straight_edges(outline)))
        message = f"Edge {flange.edge} is not a straight edge of the outline; straight ones are {straight or 'none'}."
        raise InputError(message)
    points = np.array([vertex[:2] for vertex in outline.vertices])
    first, last = points[flange.edge - 1], points[flange.edge % len(points)]
    along = (last - first) / np.linalg.norm(last - first)
    out = np.array([along[1], -along[0]]) * (1.0 if _area(points) > 0 else -1.0)
    setback = float(outside_setback(flange.angle, fold.radius, fold.thickness))
    allowance = float(bend_allowance(flange.angle, fold.radius, fold.thickness, fold.k))
    if not flange.height > setback:
        message = f"The flange on edge {flange.edge} is {flange.height:g} mm high, below its set-back {setback:.2f} mm."
        raise CannotDetermine(message)
    if np.linalg.norm(last - first) <= 2 * (setback + fold.thickness):
        message = f"Edge {flange.edge} is too short for a flange with its reliefs; leave it flat."
        raise CannotDetermine(message)
    tip = flange.height - 2 * setback + allowance
    return _Edge(first, last, along, out, tip, -setback - fold.thickness, -setback + allowance / 2)


def _area(points: FloatArray) -> float:
    following = np.roll(points, -1, axis=0)
    return float(np.sum(points[:, 0] * following[:, 1] - points[:, 1] * following[:, 0])) / 2


def _opens(outline: Polyline, number: int) -> tuple[float, float]:
    """Inner angles at an edge's first and last end, radians; π where an arc runs on smoothly."""
    return _inner(outline, number - 1), _inner(outline, number % len(outline.vertices))


def _inner(outline: Polyline, corner: int) -> float:
    points = np.array([vertex[:2] for vertex in outline.vertices])
    count = len(points)
    bulges = [vertex[2] for vertex in outline.vertices]
    turned = 1.0 if _area(points) > 0 else -1.0
    arriving = _heading(points[corner - 1], points[corner], bulges[corner - 1], at_end=True)
    leaving = _heading(points[corner], points[(corner + 1) % count], bulges[corner], at_end=False)
    turn = (leaving - arriving + math.pi) % (2 * math.pi) - math.pi
    return math.pi - turned * turn


def _heading(a: FloatArray, b: FloatArray, bulge: float, *, at_end: bool) -> float:
    """Direction of travel at an end of a piece; a bulge b turns it by 4 atan b, half on each side of the chord."""
    chord = math.atan2(b[1] - a[1], b[0] - a[0])
    return chord + (2 if at_end else -2) * math.atan(bulge)


def _flange(
    edge: _Edge, beside: tuple[_Edge | None, _Edge | None], opens: tuple[float, float], fold: Fold
) -> list[FloatArray]:
    """Corners of the blank round one flange, from the edge's first end to its last."""
    before, after = beside
    points = [*_end(edge, before, opens[0], fold, from_last=False)]
    points += reversed(_end(edge, after, opens[1], fold, from_last=True))
    if before is not None:
        points = [_meeting(before, edge), *points]
    return points


def _end(edge: _Edge, neighbour: _Edge | None, opens: float, fold: Fold, *, from_last: bool) -> list[FloatArray]:
    """Corners at one end, from the outline towards the flange's tip."""
    if neighbour is not None:
        if opens > math.pi:
            message = "Two flanges at an inner corner would run into each other; leave one of the edges flat."
            raise CannotDetermine(message)
        return [edge.at(-edge.floor, edge.tip, from_last=from_last)]
    corner = edge.at(0.0, 0.0, from_last=from_last)
    if opens <= _OPEN_CORNER:
        return [corner, edge.at(0.0, edge.tip, from_last=from_last)]
    steps = ((0.0, edge.floor), (fold.relief, edge.floor), (fold.relief, edge.tip))
    return [corner, *(edge.at(along, level, from_last=from_last) for along, level in steps)]


def _meeting(before: _Edge, edge: _Edge) -> FloatArray:
    """Where the sides of two neighbouring flanges cross, inside both bends."""
    a = before.at(-before.floor, 0.0, from_last=True)
    b = edge.at(-edge.floor, 0.0)
    system = np.stack([before.out, -edge.out], axis=1)
    s = np.linalg.solve(system, b - a)[0]
    return np.asarray(a + s * before.out)


def _bend_line(outline: Polyline, flange: Flange, made: Mapping[int, _Edge], fold: Fold) -> Line:
    """The bend line, as long as the flange is wide."""
    edge, count = made[flange.edge], len(outline.vertices)
    neighbours = made.get((flange.edge - 2) % count + 1), made.get(flange.edge % count + 1)
    insets = [
        -edge.floor if other is not None else 0.0 if opens <= _OPEN_CORNER else fold.relief
        for other, opens in zip(neighbours, _opens(outline, flange.edge), strict=True)
    ]
    a = edge.at(insets[0], edge.line)
    b = edge.at(insets[1], edge.line, from_last=True)
    return Line(float(a[0]), float(a[1]), float(b[0]), float(b[1]), "bend")


def _without_repeats(vertices: Sequence[tuple[float, float, float]]) -> Polyline:
    kept = [v for i, v in enumerate(vertices) if i == 0 or math.dist(v[:2], vertices[i - 1][:2]) > 1e-6]
    if math.dist(kept[0][:2], kept[-1][:2]) <= 1e-6:
        kept.pop()
    return Polyline(tuple(kept), closed=True, layer="cut")
