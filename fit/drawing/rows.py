"""Places from the datum in rows below and left of the part, over-all sizes above and right of it (ISO 129-1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fit.drawing.lettering import text_width
from fit.drawing.marks import GAP, TEXT, arrow, line
from fit.drawing.model import OverAll
from fit.drawing.sheet import Drawn, Filled, Item, Written

__all__ = ["ROW", "Mark", "Rows", "depth_of", "over_all_items", "overhang", "row_items", "spread"]

ROW = 9.0
"""Distance between rows of dimensions, mm."""
_FIRST = 10.0
_OFFSET, _OVERSHOOT = 1.0, 2.0
"""Gap at the part and overshoot past the dimension line of an extension line, mm."""
_ABOVE = 1.7
"""Base line of words over their dimension line, mm: brackets and commas hang down 1.05 mm, arrow heads stand 0.5 mm up."""
_PITCH = 5.0
_TAIL = 8.0
_MOST_ROWS = 3


@dataclass(frozen=True, slots=True)
class Mark:
    """Something to be placed along an axis: where on the sheet (along the axis, across it), and the words."""

    along: float
    across: float
    text: str


@dataclass(frozen=True, slots=True)
class Rows:
    """A side of the part: axis 'x' (rows below) or 'y' (rows left of it), datum and near side of the part, sheet mm."""

    axis: str
    zero: float | None
    side: float
    low: float
    high: float


def row_items(rows: Rows, marks: Sequence[Mark]) -> list[Item]:
    """Up to three parallel rows where their words fit, else running dimensions in one row."""
    if not marks:
        return []
    ordered = sorted(marks, key=lambda mark: (mark.along, mark.text))
    zero = rows.zero
    if zero is not None and len(ordered) <= _MOST_ROWS and all(_fits(zero, mark) for mark in ordered):
        return _parallel(rows, zero, ordered)
    return _running(rows, ordered)


def _fits(zero: float, mark: Mark) -> bool:
    return mark.along - zero > text_width(mark.text, TEXT) + 2.0


def depth_of(rows: Rows, marks: Sequence[Mark]) -> float:
    """Room that `row_items` takes beside the part, mm."""
    words = [item for item in row_items(rows, marks) if isinstance(item, Written)]
    return max((rows.side - _across(rows, item) for item in words), default=0.0) + TEXT + GAP


def _across(rows: Rows, item: Written) -> float:
    back = text_width(item.text, item.height) if item.anchor == 1.0 else 0.0
    return (item.y if rows.axis == "x" else item.x) - back


def _parallel(rows: Rows, zero: float, marks: Sequence[Mark]) -> list[Item]:
    items: list[Item] = []
    for i, mark in enumerate(marks):
        level = rows.side - _FIRST - i * ROW
        items += _swap(rows, _dimension((zero, mark.along), level, mark.text))
        items += _swap(rows, [line(mark.along, mark.across - _OFFSET, mark.along, level - _OVERSHOOT)])
    lowest = rows.side - _FIRST - (len(marks) - 1) * ROW - _OVERSHOOT
    return [*items, *_swap(rows, [line(zero, rows.side - _OFFSET, zero, lowest)])]


def _dimension(reach: tuple[float, float], level: float, text: str, *, words_before: bool = False) -> list[Item]:
    """A dimension line with arrows and its words above it; arrows and words go outside where they do not fit."""
    start, end = reach
    width = text_width(text, TEXT)
    inside = end - start > 8.0
    turn = 0.0 if inside else math.pi
    items: list[Item] = [arrow(start, level, math.pi + turn), arrow(end, level, turn)]
    if end - start > max(width + 1.0, 8.0):
        return [line(start, level, end, level), *items, Written((start + end) / 2, level + _ABOVE, text, TEXT, 0.5)]
    low, high = (start, end) if inside else (start - 6.0, end + 6.0)
    if words_before:
        first = start - _TAIL - width
        return [line(first, level, high, level), *items, Written(first, level + _ABOVE, text, TEXT)]
    return [line(low, level, end + _TAIL + width, level), *items, Written(end + _TAIL, level + _ABOVE, text, TEXT)]


def _running(rows: Rows, marks: Sequence[Mark]) -> list[Item]:
    """Running dimensions: every place on an extension line of its own, words spread so that none touch."""
    origin = [] if rows.zero is None else [Mark(rows.zero, rows.side, "0")]
    marks = sorted([*origin, *marks], key=lambda mark: (mark.along, mark.text))
    spots = spread([mark.along for mark in marks], _PITCH, rows.low, rows.high)
    items: list[Item] = []
    knee, jog, words = rows.side - 3.0, rows.side - 8.0, rows.side - 9.5
    for mark, at in zip(marks, spots, strict=True):
        items.append(line(mark.along, mark.across - _OFFSET, mark.along, knee))
        items.append(line(mark.along, knee, at, jog))
        items.append(Written(at + TEXT / 2, words, mark.text, TEXT, 1.0, 90.0))
    return _swap(rows, items)


def spread(places: Sequence[float], pitch: float, low: float, high: float) -> list[float]:
    """Places in rising order moved as little as need be to stand a pitch apart within low ... high (pool adjacent)."""
    blocks: list[tuple[float, int]] = []
    for place in places:
        centre, count = place, 1
        while blocks and centre - (count - 1) * pitch / 2 < blocks[-1][0] + (blocks[-1][1] - 1) * pitch / 2 + pitch:
            before, many = blocks.pop()
            total = count + many
            centre = (before * many + centre * count) / total
            count = total
            centre = _held(centre, count, pitch, low, high)
        blocks.append((_held(centre, count, pitch, low, high), count))
    return [centre + (i - (count - 1) / 2) * pitch for centre, count in blocks for i in range(count)]


def _held(centre: float, count: int, pitch: float, low: float, high: float) -> float:
    half = (count - 1) * pitch / 2
    return max(low + half, min(high - half, centre))


def _swap(rows: Rows, items: Sequence[Item]) -> list[Item]:
    """Items drawn for the side below the part, turned to the left side where the axis is y.

    Numbers along become y, numbers across become x; words of running dimensions then lie flat, others stand.
    """
    return list(items) if rows.axis == "x" else [_transposed(item) for item in items]


def _transposed(item: Item) -> Item:
    if isinstance(item, Drawn):
        shape = item.shape
        return line(shape.y1, shape.x1, shape.y2, shape.x2)  # type: ignore[union-attr]
    if isinstance(item, Filled):
        return Filled(tuple((y, x) for x, y in item.points), item.grey)
    if item.angle == 90.0:
        return Written(item.y, item.x - TEXT, item.text, item.height, item.anchor, 0.0)
    return Written(item.y - 2 * _ABOVE, item.x, item.text, item.height, item.anchor, 90.0)


def overhang(size: OverAll, scale: float) -> float:
    """How far the words of an over-all size run past the part where they do not fit between the arrows, mm."""
    width = text_width(size.text, TEXT)
    return 0.0 if (size.high - size.low) * scale > width + 1.0 else _TAIL + width + GAP


def over_all_items(axis: str, reach: tuple[float, float], side: float, text: str) -> list[Item]:
    """An over-all size above (x) or right of (y) the part, whose edge is at side; reach is where it begins and ends."""
    low, high = reach
    level = side + _FIRST
    drawn = [
        *_dimension(reach, level, text, words_before=axis == "x"),
        line(low, side + _OFFSET, low, level + _OVERSHOOT),
        line(high, side + _OFFSET, high, level + _OVERSHOOT),
    ]
    return drawn if axis == "x" else [_transposed(item) for item in drawn]
