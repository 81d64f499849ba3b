"""A drawing before it has a sheet: shapes, sizes and words in mm, y up, as seen facing the marked side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = [
    "LAYERS",
    "Along",
    "Arc",
    "Circle",
    "Datum",
    "Drawing",
    "Entity",
    "Label",
    "Line",
    "Note",
    "OverAll",
    "Place",
    "PointMark",
    "Polyline",
    "Span",
    "Spot",
    "Tick",
    "TitleBlock",
    "bounds_of",
]

LAYERS = ("cut", "bend", "mark", "reference", "check")
"""Layers by purpose; `cut` holds only what is cut."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line, mm."""

    x1: float
    y1: float
    x2: float
    y2: float
    layer: str = "reference"


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular arc, mm and radians; span is counter-clockwise positive."""

    x: float
    y: float
    radius: float
    start: float
    span: float
    layer: str = "reference"


@dataclass(frozen=True, slots=True)
class Circle:
    """A full circle, mm."""

    x: float
    y: float
    radius: float
    layer: str = "cut"


@dataclass(frozen=True, slots=True)
class Polyline:
    """Lines and arcs in a row; each vertex is (x, y, bulge to the next), bulge = tan(span / 4) as in DXF."""

    vertices: tuple[tuple[float, float, float], ...]
    closed: bool = False
    layer: str = "cut"

    def pieces(self) -> list[Line | Arc]:
        """The same chain as single lines and arcs."""
        ends = [*self.vertices[1:], *self.vertices[: 1 if self.closed else 0]]
        return [_piece(a, b, self.layer) for a, b in zip(self.vertices, ends, strict=False)]


def _piece(a: tuple[float, float, float], b: tuple[float, float, float], layer: str) -> Line | Arc:
    (x1, y1, bulge), (x2, y2, _) = a, b
    if abs(bulge) < 1e-12:
        return Line(x1, y1, x2, y2, layer)
    span = 4.0 * math.atan(bulge)
    half = math.hypot(x2 - x1, y2 - y1) / 2.0
    radius = half / abs(math.sin(span / 2.0))
    along = (1.0 - bulge * bulge) / (4.0 * bulge)
    cx, cy = (x1 + x2) / 2.0 - along * (y2 - y1), (y1 + y2) / 2.0 + along * (x2 - x1)
    return Arc(cx, cy, radius, math.atan2(y1 - cy, x1 - cx), span, layer)


@dataclass(frozen=True, slots=True)
class PointMark:
    """A small cross where something is."""

    x: float
    y: float
    layer: str = "reference"


@dataclass(frozen=True, slots=True)
class Label:
    """Words at a place on the part itself; height is that of capitals, mm on the sheet."""

    x: float
    y: float
    text: str
    height: float = 3.5
    layer: str = "mark"


Entity = Line | Arc | Circle | Polyline | PointMark | Label


@dataclass(frozen=True, slots=True)
class OverAll:
    """An over-all size along x or y between two places."""

    axis: str
    low: float
    high: float
    text: str


@dataclass(frozen=True, slots=True)
class Place:
    """The distance of something from the datum corner along one axis; (x, y) is where its extension line begins."""

    axis: str
    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Spot:
    """A hole, slot or arc to be sized: by a leader, or by a row of the table when there are many.

    reach is the distance from (x, y) to the rim; arc = (middle angle, half span) limits where a leader may touch.
    """

    name: str
    x: float
    y: float
    reach: float
    text: str
    x_text: str = ""
    y_text: str = ""
    arc: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Along:
    """The length of a straight piece, said beside it; must is False where the sketch may do without it."""

    x1: float
    y1: float
    x2: float
    y2: float
    text: str
    must: bool = True


@dataclass(frozen=True, slots=True)
class Tick:
    """A short stroke across a path where one piece runs into the next; angle is the path's direction there."""

    x: float
    y: float
    angle: float


@dataclass(frozen=True, slots=True)
class Span:
    """The distance between two places as a dimension line; row is what the table says where it finds no room."""

    x1: float
    y1: float
    x2: float
    y2: float
    text: str
    row: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Datum:
    """The corner or hole that places are measured from; with_axes where the user chose its axes, which then are drawn."""

    x: float
    y: float
    words: str
    with_axes: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """A line of words beside the drawing; strong ones are set in bold."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class TitleBlock:
    """What every sheet says about the part (fields after ISO 7200). Empty fields stay blank to be filled by hand.

    front is the direction of the vehicle's front as seen on the drawing: right, left, up, down or ''.
    """

    name: str = ""
    side: str = ""
    face: str = ""
    front: str = ""
    material: str = ""
    tolerance: str = ""
    date: str = ""
    creator: str = ""
    number: str = ""


@dataclass(frozen=True, slots=True)
class Drawing:
    """Everything there is to draw, in mm, before scale and sheet.

    is_true is False for a view in which shapes are foreshortened or cut, so that nobody lays a part on a 1:1 print of it.
    """

    entities: Sequence[Entity] = ()
    over_all: Sequence[OverAll] = ()
    places: Sequence[Place] = ()
    spots: Sequence[Spot] = ()
    lengths: Sequence[Along] = ()
    ticks: Sequence[Tick] = ()
    spans: Sequence[Span] = ()
    sizes: Sequence[tuple[str, ...]] = ()
    datum: Datum | None = None
    notes: Sequence[Note] = ()
    title: TitleBlock = field(default_factory=TitleBlock)
    unit_out: str = "mm"
    is_true: bool = True


def bounds_of(entities: Sequence[Entity]) -> tuple[float, float, float, float]:
    """(x least, y least, x most, y most) of shapes in mm; (0, 0, 0, 0) for none."""
    points = [point for entity in entities for point in _extremes(entity)]
    if not points:
        return 0.0, 0.0, 0.0, 0.0
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def _extremes(entity: Entity) -> list[tuple[float, float]]:
    if isinstance(entity, Line):
        return [(entity.x1, entity.y1), (entity.x2, entity.y2)]
    if isinstance(entity, Circle):
        x, y, r = entity.x, entity.y, entity.radius
        return [(x - r, y - r), (x + r, y + r)]
    if isinstance(entity, Arc):
        return _arc_extremes(entity)
    if isinstance(entity, Polyline):
        return [point for piece in entity.pieces() for point in _extremes(piece)]
    return [(entity.x, entity.y)]


def _arc_extremes(arc: Arc) -> list[tuple[float, float]]:
    low, high = sorted((arc.start, arc.start + arc.span))
    first = math.ceil(low / (math.pi / 2))
    turns = [k * math.pi / 2 for k in range(first, math.floor(high / (math.pi / 2)) + 1)]
    return [(arc.x + arc.radius * math.cos(a), arc.y + arc.radius * math.sin(a)) for a in (low, high, *turns)]
