"""Frame and title block of a sheet: what it shows, which side, which face, which way is front, unit, date, version."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from fit.drawing.lettering import clean, fitted, text_width
from fit.drawing.marks import SMALL, TEXT, arrow, line
from fit.drawing.model import Line, Polyline, TitleBlock
from fit.drawing.sheet import WIDE, Drawn, Item, Stroke, Written
from fit.units import unit_words
from fit.version import EDGEWRIGHT

__all__ = [
    "BLOCK_HEIGHT",
    "BLOCK_WIDTH",
    "MARGIN",
    "check_bar",
    "frame_items",
    "front_arrow",
    "space_of",
    "tool_version",
    "upright",
]

FILING, MARGIN = 20.0, 10.0
"""Borders: 20 mm at the filing edge, 10 mm elsewhere (ISO 5457)."""
BLOCK_WIDTH, BLOCK_HEIGHT = 180.0, 36.0
_CELL = 12.0
_CAPTION = 1.8
_BORDER = Stroke(0.7)


def tool_version() -> str:
    """Name and version of this tool as a sheet states it."""
    return f"edgewright {EDGEWRIGHT}"


def space_of(width: float, height: float) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of the room above the title block, mm."""
    return FILING, MARGIN + BLOCK_HEIGHT, width - MARGIN, height - MARGIN


def frame_items(
    width: float, height: float, title: TitleBlock, *, scale: str, unit_out: str, sheet: tuple[int, int]
) -> list[Item]:
    """Border and title block; scale in words such as 1:2, sheet as (number, of how many)."""
    left, right, base = width - MARGIN - BLOCK_WIDTH, width - MARGIN, MARGIN
    corners = ((FILING, MARGIN), (right, MARGIN), (right, height - MARGIN), (FILING, height - MARGIN))
    border = Polyline(tuple((x, y, 0.0) for x, y in corners), closed=True, layer="reference")
    items: list[Item] = [Drawn(border, _BORDER)]
    said = {
        "scale": scale,
        "unit": unit_words(unit_out),
        "sheet": f"{sheet[0]} of {sheet[1]}",
        "made with": tool_version(),
    }
    for i, cells in enumerate(_block(title, said)):
        items += _cells(left, base + (2 - i) * _CELL, cells)
    items += front_arrow(left + 76.0, base + _CELL + 4.6, title.front)
    items += [*check_bar(left + 122.5, base + 3.4, 50.0), *upright(check_bar(base + 2.0, FILING - 6.0, 50.0))]
    items += [Drawn(Line(left, base + i * _CELL, right, base + i * _CELL), WIDE) for i in (1, 2, 3)]
    if left > FILING + 1:
        items.append(Drawn(Line(left, base, left, base + BLOCK_HEIGHT), WIDE))
        items.append(line(FILING, base + BLOCK_HEIGHT, left, base + BLOCK_HEIGHT))
    return items


def _block(title: TitleBlock, said: Mapping[str, str]) -> list[list[tuple[str, str, float]]]:
    """Rows of the title block from the top: caption, words, width in mm."""
    first = [
        ("part", title.name, 90.0),
        *((key, said[key], width) for key, width in (("scale", 25.0), ("unit", 40.0), ("sheet", 25.0))),
    ]
    second = [("side", title.side, 26.0), ("face shown", title.face, 36.0), ("front", "", 28.0)]
    second += [("general tolerance", title.tolerance, 36.0), ("material", title.material, 54.0)]
    third = [("date", title.date, 30.0), ("measured by", title.creator, 35.0), ("made with", said["made with"], 50.0)]
    return [first, second, [*third, ("at 100 % both bars are 50 mm", "", 65.0)]]


def _cells(left: float, base: float, cells: Sequence[tuple[str, str, float]]) -> list[Item]:
    items: list[Item] = []
    x = left
    for caption, words, width in cells:
        items.append(Written(x + 1.2, base + _CELL - 1.2 - _CAPTION, caption, _CAPTION))
        if words:
            bold, said, room = caption == "part", clean(words), width - 2.4
            height = TEXT if text_width(said, TEXT, bold=bold) <= room else SMALL
            items.append(Written(x + 1.2, base + 2.4, fitted(said, height, room, bold=bold), height, bold=bold))
        if x > left:
            items.append(line(x, base, x, base + _CELL))
        x += width
    return items


def front_arrow(x: float, y: float, front: str) -> list[Item]:
    """A bold arrow through (x, y) towards the vehicle's front: right, left, up or down."""
    ways = {"right": 0.0, "up": 90.0, "left": 180.0, "down": 270.0}
    if front not in ways:
        return [Written(x - 13.0, y - 2.2, clean(front), TEXT)] if front else []
    angle = math.radians(ways[front])
    reach = 8.0 if front in ("right", "left") else 3.6
    c, s = math.cos(angle), math.sin(angle)
    shaft = Drawn(Line(x - reach * c, y - reach * s, x + (reach - 2.0) * c, y + (reach - 2.0) * s), Stroke(0.7))
    return [shaft, arrow(x + reach * c, y + reach * s, angle)]


def check_bar(x: float, y: float, length: float) -> list[Item]:
    """A bar of known length with end strokes, to be measured on the paper."""
    ends = [line(x + part, y - 1.5, x + part, y + 1.5) for part in (0.0, length)]
    return [line(x, y, x + length, y), *ends]


def upright(items: Sequence[Item]) -> list[Item]:
    """Lines with x and y exchanged, such as a check bar that stands."""
    shapes = [item.shape for item in items if isinstance(item, Drawn)]
    return [line(s.y1, s.x1, s.y2, s.x2) for s in shapes if isinstance(s, Line)]
