"""The sizes and places that a sketch shows, as short texts with their ±."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fit.drawing.datum import PartAxes
from fit.drawing.flat import flat_pieces
from fit.drawing.model import Arc, Line, OverAll, Place, Polyline, Spot, bounds_of
from fit.drawing.ring import chain_of, ends_of, without_doubles
from fit.feature import Feature
from fit.uncertain import Value
from fit.units import format_length

__all__ = ["Sizes"]

_STEEP = math.tan(math.radians(3.0))
_AT_RIM = 0.3
"""An edge nearer than this to the outline's box, mm, is part of the over-all size."""


_EXACT = 1e-6


class Sizes:
    """Sizes and places as short texts in the reader's unit."""

    def __init__(self, axes: PartAxes, unit_out: str) -> None:
        self.axes, self.unit_out = axes, unit_out

    def text(self, value: Value) -> str:
        return format_length(value.value, value.u95, self.unit_out, short=True)

    def place_text(self, value: Value) -> str:
        """A distance from the datum; what makes the datum stands at 0 by definition and has no ±."""
        return "0" if abs(value.value) < _EXACT and value.u < _EXACT else self.text(value)

    def over_all(self, outer: Feature) -> list[OverAll]:
        """Width and height of the outline."""
        box = bounds_of(flat_pieces(outer.segments, self.axes))
        found = []
        for axis in (0, 1):
            low, high = (self._at_rim(outer, box, k) for k in (axis, axis + 2))
            text = self.text(self.axes.extent(low, high, axis))
            found.append(OverAll("xy"[axis], box[axis], box[axis + 2], text))
        return found

    def _at_rim(self, outer: Feature, box: tuple[float, float, float, float], k: int) -> Feature:
        """The piece that makes one side of the outline's box; of several a straight edge, the longest."""
        misses = []
        for piece in outer.segments:
            straight = 1e-3 * piece["length"] if piece.kind == "line" else 0.0
            misses.append(abs(bounds_of(flat_pieces([piece], self.axes))[k] - box[k]) - straight)
        return outer.segments[misses.index(min(misses))]

    def edge_places(self, outer: Feature) -> list[Place]:
        """Straight edges square to the datum that are not at the rim: steps and notches."""
        box = bounds_of(flat_pieces(outer.segments, self.axes))
        lines = [(piece, flat_pieces([piece], self.axes)[0]) for piece in outer.segments if piece.kind == "line"]
        return [
            Place("xy"[axis], *_midpoint(shape), self.text(self.axes.edge(piece, axis, 1)))
            for piece, shape in lines
            for axis in (0, 1)
            if _is_square(shape, axis) and box[axis] + _AT_RIM < _midpoint(shape)[axis] < box[axis + 2] - _AT_RIM
        ]

    def hole_spots(self, holes: Sequence[Feature]) -> list[Spot]:
        return [self._hole(hole) for hole in holes]

    def _hole(self, hole: Feature) -> Spot:
        x, y = self.axes.place(self.axes.view.flat(hole.values[:3]))
        if hole.kind == "circle":
            text, reach = f"Ø{self.text(hole.value('diameter'))}", hole["diameter"] / 2
        else:
            text = f"{self.text(hole.value('length'))}\n× {self.text(hole.value('width'))}"
            reach = hole["width"] / 2
        x_text, y_text = (self.place_text(self.axes.coordinate(hole, axis)) for axis in (0, 1))
        return Spot(hole.name, x, y, reach, text, x_text, y_text)

    def arc_spots(self, features: Sequence[Feature]) -> list[Spot]:
        """A radius for every arc of the outline, of other paths, and for arcs measured alone."""
        pieces = [piece for path in features if path.kind == "path" for piece in path.segments if piece.kind == "arc"]
        drawn = flat_pieces(pieces, self.axes)
        for arc in (item for item in features if item.kind == "arc"):
            shape = flat_pieces([arc], self.axes)
            if without_doubles(shape, [_as_chain(piece) for piece in drawn]):
                pieces.append(arc)
        return [spot for piece in pieces if (spot := self._arc(piece))]

    def _arc(self, piece: Feature) -> Spot | None:
        shape = flat_pieces([piece], self.axes)[0]
        if not isinstance(shape, Arc):
            return None
        limits = (shape.start + shape.span / 2, abs(shape.span) / 2)
        return Spot(piece.name, shape.x, shape.y, shape.radius, f"R{self.text(piece.value('radius'))}", arc=limits)


def _is_square(piece: Line | Arc, axis: int) -> bool:
    """Whether a line stands square to an axis, within 3°."""
    (x1, y1), (x2, y2) = ends_of(piece)
    run = (abs(x2 - x1), abs(y2 - y1))
    return run[axis] <= _STEEP * run[1 - axis]


def _midpoint(piece: Line | Arc) -> tuple[float, float]:
    (x1, y1), (x2, y2) = ends_of(piece)
    return (x1 + x2) / 2, (y1 + y2) / 2


def _as_chain(piece: Line | Arc) -> Polyline:
    return chain_of([piece], closed=False, layer=piece.layer)
