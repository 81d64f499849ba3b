"""A sheet of paper in mm, y up, with what is drawn on it; pens only replay it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from fit.drawing.model import Arc, Circle, Line, Polyline

__all__ = [
    "FINE",
    "PAPERS",
    "STROKES",
    "WIDE",
    "Drawn",
    "Filled",
    "Item",
    "Pen",
    "Shape",
    "Sheet",
    "Stroke",
    "Written",
    "replay",
]

Shape = Line | Arc | Circle | Polyline

PAPERS = {"a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4)}
"""Trimmed sizes, width and height in mm (ISO 216; Letter is 8.5 x 11 in)."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """Line width in mm, dashes (mm on, mm off, ...), grey 0 = black."""

    width: float
    dash: tuple[float, ...] = ()
    grey: float = 0.0


WIDE, FINE = Stroke(0.5), Stroke(0.25)
"""ISO 128-2, types 01.2 and 01.1; narrow to wide 1:2."""

STROKES = {
    "cut": WIDE,
    "bend": Stroke(0.25, (6.0, 0.75, 0.125, 0.75)),
    "mark": WIDE,
    "reference": Stroke(0.25, (6.0, 0.75, 0.125, 0.75, 0.125, 0.75)),
    "check": FINE,
    "centre": Stroke(0.25, (4.0, 0.75, 0.125, 0.75)),
}
"""Line type by purpose: ISO 128-2 types 04.1 (long dash, dot) for bend and centre lines, 05.1 for reference shapes."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A shape with a stroke."""

    shape: Shape
    stroke: Stroke = FINE


@dataclass(frozen=True, slots=True)
class Filled:
    """A filled polygon, such as an arrow head or a white ground under words."""

    points: tuple[tuple[float, float], ...]
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Written:
    """A line of text: (x, y) on its base line at the anchor (0 left, 0.5 middle, 1 right); height is of capitals."""

    x: float
    y: float
    text: str
    height: float = 3.5
    anchor: float = 0.0
    angle: float = 0.0
    bold: bool = False


Item = Drawn | Filled | Written


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page: the part itself, and everything written and drawn around it.

    scale is sheet mm per part mm, and (left, bottom) is where the part's (0, 0) lies on the sheet. The part shows only
    inside clip (left, bottom, right, top), where there is one.
    """

    width: float
    height: float
    items: tuple[Item, ...] = ()
    part: tuple[Drawn, ...] = ()
    scale: float = 1.0
    left: float = 0.0
    bottom: float = 0.0
    clip: tuple[float, float, float, float] | None = None


class Pen(Protocol):
    """What a file writer must be able to do."""

    def draw(self, item: Drawn) -> None: ...
    def fill(self, item: Filled) -> None: ...
    def write(self, item: Written) -> None: ...
    def clip(self, box: tuple[float, float, float, float] | None) -> None: ...


def replay(sheet: Sheet, pen: Pen) -> None:
    """Send everything on a sheet through a pen, in order."""
    if sheet.clip:
        pen.clip(sheet.clip)
    for drawn in sheet.part:
        pen.draw(drawn)
    if sheet.clip:
        pen.clip(None)
    for item in sheet.items:
        if isinstance(item, Drawn):
            pen.draw(item)
        elif isinstance(item, Filled):
            pen.fill(item)
        else:
            pen.write(item)
