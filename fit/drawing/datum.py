"""The corner or hole that a sketch measures from, and places in its axes with their own and shared errors."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fit.drawing.view import View, arc_point
from fit.feature import Feature
from fit.points import FloatArray
from fit.uncertain import Value, propagate

__all__ = ["PartAxes", "axes_of"]

_FLAT = math.radians(5.0)
_NEAR = 0.5
_APART = 1.0
Numbers = FloatArray
Turn = tuple[float, float]
"""Cosine and sine of the part's x axis in the view."""


@dataclass(frozen=True, eq=False, slots=True)
class PartAxes:
    """Axes built from features of the part: a direction, what x is measured from, and what y is measured from.

    inputs hold (direction, left, bottom) features, empty where the axes of the results serve; words name them.
    """

    view: View
    inputs: tuple[Feature, ...]
    words: str
    holes: bool = False

    def _frame(self, values: Sequence[FloatArray]) -> tuple[float, float, float, float]:
        """cos, sin of the direction and the origin in turned axes, from the values of the inputs."""
        if not self.inputs:
            return 1.0, 0.0, 0.0, 0.0
        along, left, low = values
        if self.holes:
            (x1, y1), (x2, y2) = self._point(left), self._point(along)
            length = math.hypot(x2 - x1, y2 - y1)
            c, s = (x2 - x1) / length, (y2 - y1) / length
            return c, s, c * x1 + s * y1, -s * x1 + c * y1
        c, s = self._direction(self.inputs[0], along)
        y0 = self._extreme(self.inputs[2], low, (c, s), (1, -1))
        x0 = (
            self._at_height(left, c, s, y0)
            if self.inputs[1].kind == "line"
            else self._extreme(self.inputs[1], left, (c, s), (0, -1))
        )
        return c, s, x0, y0

    def _point(self, values: Numbers) -> tuple[float, float]:
        return self.view.flat(values[:3])

    def _direction(self, feature: Feature, values: Numbers) -> tuple[float, float]:
        (x1, y1), (x2, y2) = self.view.flat(values[:3]), self.view.flat(values[3:6])
        dx, dy = x2 - x1, y2 - y1
        if abs(dy) > abs(dx):
            dx, dy = (dy, -dx) if dy > 0 else (-dy, dx)
        length = math.copysign(math.hypot(dx, dy), dx)
        return dx / length, dy / length

    def _at_height(self, values: Numbers, c: float, s: float, height: float) -> float:
        """x in turned axes of a line where it passes the given height: the corner it makes with the bottom edge."""
        (x1, y1), (x2, y2) = (_turn(self.view.flat(values[i : i + 3]), c, s) for i in (0, 3))
        if abs(x2 - x1) > abs(y2 - y1):
            return min(x1, x2)
        return x1 + (height - y1) * (x2 - x1) / (y2 - y1)

    def _extreme(self, feature: Feature, values: Numbers, turn: Turn, way: tuple[int, int]) -> float:
        """Outermost coordinate of a piece along a turned axis; an edge nearly square to it counts by its middle.

        way is the axis, 0 or 1, and the side, -1 or 1.
        """
        (c, s), (axis, side) = turn, way
        if feature.kind == "line":
            a, b = (_turn(self.view.flat(values[i : i + 3]), c, s) for i in (0, 3))
            if abs(a[axis] - b[axis]) <= math.tan(_FLAT) * abs(a[1 - axis] - b[1 - axis]):
                return (a[axis] + b[axis]) / 2
            return side * max(side * a[axis], side * b[axis])
        if feature.kind == "arc" and not _reaches(self.view, feature, turn, way):
            ends = (_turn(self.view.flat(arc_point(feature, values, part)), c, s)[axis] for part in (0.0, 1.0))
            return side * max(side * end for end in ends)
        middle = _turn(self.view.flat(values[:3]), c, s)[axis]
        size = values[feature.index("radius")] if feature.kind == "arc" else values[feature.index("diameter")] / 2
        return middle + side * size

    def frame(self) -> tuple[float, float, float, float]:
        """cos, sin of the turn and origin in turned axes, at the measured values."""
        return self._frame([feature.values for feature in self.inputs])

    def place(self, flat: tuple[float, float]) -> tuple[float, float]:
        """A point of the view in the part's axes."""
        c, s, x0, y0 = self.frame()
        x, y = _turn(flat, c, s)
        return x - x0, y - y0

    def coordinate(self, feature: Feature, axis: int) -> Value:
        """Place of a hole, slot, arc centre or ball from the datum along x (0) or y (1)."""
        return self._value(feature, lambda values, c, s: _turn(self._point(values), c, s)[axis], axis)

    def edge(self, feature: Feature, axis: int, side: int) -> Value:
        """Place of an edge from the datum along x (0) or y (1); side -1 takes its low end, +1 its high end."""
        return self._value(feature, lambda values, c, s: self._extreme(feature, values, (c, s), (axis, side)), axis)

    def _value(self, feature: Feature, measure: Callable[[FloatArray, float, float], float], axis: int) -> Value:
        distinct = list({id(item): item for item in (*self.inputs, feature)}.values())
        *frame, last = (next(i for i, o in enumerate(distinct) if o is item) for item in (*self.inputs, feature))

        def along(*values: FloatArray) -> float:
            c, s, *origin = self._frame([values[i] for i in frame])
            return float(measure(values[last], c, s) - origin[axis])

        return propagate(along, *distinct)

    def extent(self, low: Feature, high: Feature, axis: int) -> Value:
        """Over-all size along x (0) or y (1) between two edges."""
        distinct = list({id(item): item for item in (*self.inputs, low, high)}.values())
        *frame, a, b = (next(i for i, o in enumerate(distinct) if o is item) for item in (*self.inputs, low, high))

        def across(*values: FloatArray) -> float:
            turn = self._frame([values[i] for i in frame])[:2]
            far = self._extreme(high, values[b], turn, (axis, 1))
            return far - self._extreme(low, values[a], turn, (axis, -1))

        return propagate(across, *distinct)


def _turn(point: tuple[float, float], c: float, s: float) -> tuple[float, float]:
    return c * point[0] + s * point[1], -s * point[0] + c * point[1]


def axes_of(view: View, outline: Sequence[Feature], holes: Sequence[Feature]) -> PartAxes:
    """Axes from the outline's lower-left corner, else from two holes, else those of the results."""
    lines = [piece for piece in outline if piece.kind == "line"]
    if lines:
        return _edge_axes(view, outline, lines)
    places = [view.flat(hole.values[:3]) for hole in holes]
    if any(math.dist(place, places[0]) > _APART for place in places):
        return _hole_axes(view, holes)
    return PartAxes(view, (), "measured along the axes of the results")


def _edge_axes(view: View, outline: Sequence[Feature], lines: Sequence[Feature]) -> PartAxes:
    along = max(lines, key=lambda line: round(line["length"], 3))
    turn = PartAxes(view, (along, along, along), "")
    c, s = turn._direction(along, along.values)
    pieces = [piece for piece in outline if piece.kind in ("line", "arc")]

    def low_end(piece: Feature, axis: int) -> float:
        return turn._extreme(piece, piece.values, (c, s), (axis, -1))

    def lowest(axis: int) -> Feature:
        limit = min(low_end(piece, axis) for piece in pieces)
        near = [piece for piece in pieces if low_end(piece, axis) < limit + _NEAR]
        return max(
            near,
            key=lambda piece: (
                _is_across(view, piece, c, s, axis),
                round(piece["length"], 3) if piece.kind == "line" else 0,
            ),
        )

    return PartAxes(view, (along, lowest(0), lowest(1)), "measured from the lower left corner")


def _is_across(view: View, piece: Feature, c: float, s: float, axis: int) -> bool:
    """Whether a piece is a straight edge square to an axis."""
    if piece.kind != "line":
        return False
    a, b = (_turn(view.flat(piece.values[i : i + 3]), c, s) for i in (0, 3))
    return abs(a[axis] - b[axis]) <= math.tan(_FLAT) * abs(a[1 - axis] - b[1 - axis])


def _reaches(view: View, arc: Feature, turn: Turn, way: tuple[int, int]) -> bool:
    """Whether an arc really comes to the outermost point of its circle along an axis; else its ends are outermost."""
    (c, s), (axis, side) = turn, way
    outward = math.atan2(s, c) + axis * math.pi / 2 + (0.0 if side > 0 else math.pi)
    sign = math.copysign(1.0, float(arc.vector(("nx", "ny", "nz")) @ view.towards))
    start = view.flat(arc_point(arc, arc.values, 0.0))
    middle = view.flat(arc.values[:3])
    begins = math.atan2(start[1] - middle[1], start[0] - middle[0])
    return (sign * (outward - begins)) % (2 * math.pi) <= arc["span"]


def _hole_axes(view: View, holes: Sequence[Feature]) -> PartAxes:
    places = [view.flat(hole.values[:3]) for hole in holes]
    first = min(range(len(holes)), key=lambda i: (round(places[i][0] + places[i][1], 3), i))
    far = max(range(len(holes)), key=lambda i: round(math.dist(places[i], places[first]), 3))
    words = f"measured from {holes[first].name} along the line to {holes[far].name}"
    return PartAxes(view, (holes[far], holes[first], holes[first]), words, holes=True)
