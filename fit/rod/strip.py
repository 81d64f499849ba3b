"""Wrap-around template: the bar's skin unrolled at full size, with every bend's start, middle and end.

Along the strip runs the bar from end a; across it runs the bar's circumference. Wrapped round the bar it tells where to
bend and which way: the dashed line lies on the inside of the bend.
"""

from __future__ import annotations

import math

import numpy as np

from fit.drawing.frame import check_bar
from fit.drawing.model import Line
from fit.drawing.pdf import pdf_bytes
from fit.drawing.sheet import FINE, PAPERS, STROKES, WIDE, Drawn, Item, Sheet, Written
from fit.rod.schedule import Schedule, reversed_schedule

__all__ = ["strip_pdf"]

_MARGIN, _LAP, _ROW_GAP, _HEAD, _FOOT = 12.0, 10.0, 22.0, 30.0, 22.0


def strip_pdf(schedule: Schedule, rod: float, name: str = "bent rod", paper: str = "a4") -> bytes:
    """Full-size strip, from end a and from end b, as PDF pages with a check bar on each.

    rod is the bar's diameter, mm; the strip is π × rod wide. Pieces overlap by 10 mm, cut on the first line and lay
    the next piece's first line on the last line of the piece before.
    """
    pages = [
        *_pages(schedule, rod, f"{name}: marks from end a", paper, ("end a", "end b")),
        *_pages(reversed_schedule(schedule), rod, f"{name}: marks from end b", paper, ("end b", "end a")),
    ]
    return pdf_bytes(pages, f"{name}: wrap-around template")


def _pages(schedule: Schedule, rod: float, title: str, paper: str, ends: tuple[str, str]) -> list[Sheet]:
    height, width = PAPERS[paper]
    usable = width - 2 * _MARGIN - _LAP
    pieces = math.ceil(schedule.cut_length / usable)
    pitch = math.pi * rod + _ROW_GAP
    per_page = max(1, int((height - _HEAD - _FOOT) / pitch))
    sheets = []
    for first in range(0, pieces, per_page):
        count = min(per_page, pieces - first)
        items = _frame(width, height, title, f"sheet {first // per_page + 1} of {math.ceil(pieces / per_page)}")
        for row in range(count):
            low = (first + row) * usable
            bottom = height - _HEAD - (row + 1) * pitch + _ROW_GAP / 2
            items += _piece(schedule, rod, (low, min(low + usable + _LAP, schedule.cut_length)), bottom, ends)
        sheets.append(Sheet(width, height, tuple(items)))
    return sheets


def _frame(width: float, height: float, title: str, sheet: str) -> list[Item]:
    words = "Print at 100 %. Wrap round the bar: both long edges meet. Dashed line: inside of the bend."
    return [
        Written(_MARGIN, height - 13, title, 4.0, bold=True),
        Written(width - _MARGIN, height - 13, sheet, 3.0, anchor=1.0),
        Written(_MARGIN, height - 20, words, 3.0),
        *check_bar(_MARGIN, 10.0, 100.0),
        Written(_MARGIN + 103, 8.8, "100 mm: measure before use", 3.0),
    ]


def _piece(
    schedule: Schedule, rod: float, span: tuple[float, float], bottom: float, ends: tuple[str, str]
) -> list[Item]:
    """One length of the strip, from span[0] to span[1] mm along the bar."""
    low, high = span
    wide = math.pi * rod
    right = _MARGIN + high - low
    items: list[Item] = [
        Drawn(Line(_MARGIN, bottom, right, bottom), WIDE),
        Drawn(Line(_MARGIN, bottom + wide, right, bottom + wide), WIDE),
    ]
    for at, end in ((0.0, ends[0]), (schedule.cut_length, ends[1])):
        if low <= at <= high:
            items.append(_across(at - low, bottom, wide, WIDE))
            items.append(Written(_MARGIN + at - low, bottom - 4.5, end, 3.0, anchor=0.0 if at == 0 else 1.0))
    items += [_across(at - low, bottom, wide, FINE) for at in (low, high)]
    for i, marks in enumerate(schedule.marks):
        items += _bend(schedule, i, marks - low, (bottom, wide, high - low))
    return items


def _across(at: float, bottom: float, wide: float, stroke: object) -> Drawn:
    return Drawn(Line(_MARGIN + at, bottom, _MARGIN + at, bottom + wide), stroke)  # type: ignore[arg-type]


def _bend(schedule: Schedule, i: int, marks: np.ndarray, room: tuple[float, float, float]) -> list[Item]:
    bottom, wide, length = room
    items: list[Item] = []
    for at, stroke in zip(marks, (WIDE, STROKES["centre"], WIDE), strict=True):
        if 0 <= at <= length:
            items.append(_across(float(at), bottom, wide, stroke))
            items.append(
                Written(_MARGIN + float(at), bottom + wide + 1.0, f"{at + _low(schedule, i, marks):.1f}", 2.2, 0.5)
            )
    start, end = max(float(marks[0]), 0.0), min(float(marks[2]), length)
    if start < end:
        level = bottom + wide * _place_round(schedule, i)
        items.append(Drawn(Line(_MARGIN + start, level, _MARGIN + end, level), STROKES["bend"]))
        if 0 <= marks[1] <= length:
            words = f"bend {i + 1}: {math.degrees(schedule.bend[i]):.1f}°"
            items.append(Written(_MARGIN + float(marks[1]), bottom + wide + 4.5, words, 3.0, 0.5, bold=True))
    return items


def _low(schedule: Schedule, i: int, marks: np.ndarray) -> float:
    """Where the piece begins along the bar."""
    return float(schedule.marks[i, 0] - marks[0])


def _place_round(schedule: Schedule, i: int) -> float:
    """Place of the inside of a bend round the bar, 0 … 1 of the circumference; the first bend's is the middle.

    A positive turn carries the next bend's inside right-hand about the feed, which on the strip, seen from outside with
    the feed to the right, is downwards.
    """
    turned = float(np.sum(schedule.rotation[: i + 1]))
    return (0.5 - turned / (2 * math.pi)) % 1.0
