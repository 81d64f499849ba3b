"""Small marks that dimensions are made of: arrow heads, crosses, boxes of text (ISO 129-1)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fit.drawing.grid import Box
from fit.drawing.lettering import text_width
from fit.drawing.model import Arc, Circle, Line, Polyline
from fit.drawing.sheet import FINE, STROKES, Drawn, Filled, Shape, Written
from fit.points import FloatArray

__all__ = [
    "AXIS",
    "GAP",
    "HALF",
    "HEAD",
    "SMALL",
    "TEXT",
    "arrow",
    "centre_mark",
    "datum_mark",
    "line",
    "scaled",
    "stacked",
    "text_box",
    "text_ground",
]

TEXT, SMALL = 3.5, 2.5
"""Heights of capitals, mm: sizes, and names or notes (ISO 3098 series)."""
GAP = 1.0
"""Clear space kept round words, mm."""
HEAD, HALF = 3.0, 0.5
"""Length and half width of an arrow head, mm."""
AXIS = 12.0
"""Length of the arrows along the axes of a datum, mm."""
_DESCENT = 0.30
"""Depth of p, g and brackets below the base line over the height of capitals."""


def line(x1: float, y1: float, x2: float, y2: float) -> Drawn:
    """A fine line on the sheet."""
    return Drawn(Line(x1, y1, x2, y2), FINE)


def arrow(x: float, y: float, angle: float) -> Filled:
    """A closed arrow head whose tip is at (x, y) and that points along angle, radians."""
    c, s = math.cos(angle), math.sin(angle)
    back = (x - HEAD * c, y - HEAD * s)
    return Filled(((x, y), (back[0] - HALF * s, back[1] + HALF * c), (back[0] + HALF * s, back[1] - HALF * c)))


def centre_mark(x: float, y: float, reach: float) -> list[Drawn]:
    """A cross of centre lines through a hole."""
    arm = reach + 2.5
    stroke = STROKES["centre"] if arm > 6 else FINE
    return [Drawn(Line(x - arm, y, x + arm, y), stroke), Drawn(Line(x, y - arm, x, y + arm), stroke)]


def datum_mark(x: float, y: float, *, with_axes: bool) -> list[Drawn | Filled]:
    """A ring round the datum's origin, with arrows along x and y where these axes were chosen by the user."""
    items: list[Drawn | Filled] = [Drawn(Circle(x, y, 1.5), FINE)]
    if with_axes:
        bold = STROKES["cut"]
        items += [Drawn(Line(x, y, x + AXIS - HEAD, y), bold), arrow(x + AXIS, y, 0.0)]
        items += [Drawn(Line(x, y, x, y + AXIS - HEAD), bold), arrow(x, y + AXIS, math.pi / 2)]
    return items


def text_box(item: Written) -> Box:
    """The box round a text, upright or turned by 90°."""
    width, down = text_width(item.text, item.height, bold=item.bold), _DESCENT * item.height
    left = -item.anchor * width
    if item.angle == 90.0:
        return item.x - item.height, item.y + left, item.x + down, item.y + left + width
    return item.x + left, item.y - down, item.x + left + width, item.y + item.height


def text_ground(item: Written, room: float = 0.0) -> FloatArray:
    """Points (N, 2), at most 0.6 mm apart, that cover a text turned by any angle, and room around it."""
    width = text_width(item.text, item.height, bold=item.bold)
    low, high = -_DESCENT * item.height - room, item.height + room
    left, right = -item.anchor * width - room, (1.0 - item.anchor) * width + room
    across = np.linspace(left, right, max(2, math.ceil((right - left) / 0.6) + 1))
    upward = np.linspace(low, high, max(2, math.ceil((high - low) / 0.6) + 1))
    turn = math.radians(item.angle)
    a, b = (grid.ravel() for grid in np.meshgrid(across, upward))
    c, s = math.cos(turn), math.sin(turn)
    return np.stack([item.x + a * c - b * s, item.y + a * s + b * c], axis=1)


def stacked(x: float, y: float, rows: Sequence[tuple[str, float]], anchor: float) -> list[Written]:
    """Rows of (text, height) one below the other; y is the upper edge of the first."""
    items = []
    for text, height in rows:
        y -= height
        items.append(Written(x, y, text, height, anchor))
        y -= 0.5 * height
    return items


def scaled(shape: Shape, scale: float, left: float, bottom: float) -> Shape:
    """A part's shape on the sheet."""
    if isinstance(shape, Line):
        ends = (shape.x1, shape.y1, shape.x2, shape.y2)
        x1, y1, x2, y2 = (f * scale + (bottom if i % 2 else left) for i, f in enumerate(ends))
        return Line(x1, y1, x2, y2, shape.layer)
    if isinstance(shape, Polyline):
        moved = tuple((x * scale + left, y * scale + bottom, bulge) for x, y, bulge in shape.vertices)
        return Polyline(moved, shape.closed, shape.layer)
    x, y, radius = shape.x * scale + left, shape.y * scale + bottom, shape.radius * scale
    if isinstance(shape, Circle):
        return Circle(x, y, radius, shape.layer)
    return Arc(x, y, radius, shape.start, shape.span, shape.layer)
