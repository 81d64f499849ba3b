"""Where patterns, check bars and first steps stand on each page. All lengths mm."""

from __future__ import annotations

import numpy as np

from capture.pieces import STICKER_MARKER_MM, Piece, frame, sheet, strip
from capture.printing.page import PAPERS, Ink, Page, Text, bars
from capture.printing.pattern import piece_rects, sticker_rects
from capture.printing.words import STEPS
from fit.points import FloatArray
from fit.version import EDGEWRIGHT

__all__ = ["board_page", "sticker_page", "stickers_per_page", "strip_page", "strips_per_page"]

_CHECK = 100.0  # length of the check bars
_HEAD = 26.5  # from the paper's upper edge to the highest ink of a pattern
_FOOT = 12.9  # from the lower edge to a full board on the shorter of the two papers
_STRIP_BORDER, _STICKER_BORDER = 5.0, 3.0  # white that stays round a cut-out piece
_FAINT, _GREY = 0.3, 0.6  # shades of cut lines and of words beside markers
_SHORTEST = 279.4  # height of the shorter paper (letter)


def board_page(kind: str, paper: str) -> Page:
    """The frame or the lens sheet, alone on its page."""
    piece = frame() if kind == "frame" else sheet()
    width, height = PAPERS[paper]
    x, y = (width - piece.width) / 2, _FOOT + (height - _SHORTEST) / 2
    name = f"{kind.capitalize()} – pattern 180 × 240 mm"
    head = _head(kind, name, paper, x, "Short caliper? x = bar × 1.8, y = bar × 2.4.")
    marks, words = _caliper_places(piece, x, y)
    bar, label = _upright_bar(x - 8, y)
    ink = (Ink(_moved(piece_rects(piece), x, y)), bar, marks, head[0])
    return Page(_title(name, paper), width, height, ink, (*words, label, *head[1]))


def strips_per_page(paper: str) -> int:
    """How many strips stand side by side."""
    return int((PAPERS[paper][0] - 20) // (strip(0).width + 2 * _STRIP_BORDER))


def strip_page(first: int, count: int, paper: str) -> Page:
    """Strips `first` … side by side, each with its white border and cut lines."""
    width, height = PAPERS[paper]
    piece, border = strip(first), _STRIP_BORDER
    pitch = piece.width + 2 * border
    left = (width - strips_per_page(paper) * pitch) / 2
    low = 5.9 + (height - _SHORTEST) / 2
    last = first + count - 1
    name = (f"Strip {first}" if count == 1 else f"Strips {first} to {last}") + " – pattern 45 × 240 mm each"
    head = _head("strips", name, paper, left, "Short caliper? y = bar × 2.4; x is 45 mm.")
    bar, label = _upright_bar(left - 10, low + border)
    ink, words = [head[0], bar], [label, *head[1]]
    for i in range(count):
        x, y = left + i * pitch + border, low + border
        ink.append(Ink(_moved(piece_rects(strip(first + i)), x, y)))
        words += _strip_words(strip(first + i), x, y)
    columns = np.linspace(left, left + count * pitch, count + 1)
    ink.append(_cut_grid(columns, np.array([low, low + piece.height + 2 * border])))
    return Page(_title(name, paper), width, height, tuple(ink), tuple(words))


def stickers_per_page(paper: str) -> int:
    """How many stickers fill a page."""
    columns, rows = _sticker_grid(paper)
    return columns * rows


def sticker_page(first: int, count: int, paper: str) -> Page:
    """Numbered stickers in rows from the upper left, each with its white border and cut lines."""
    width, height = PAPERS[paper]
    columns = _sticker_grid(paper)[0]
    cell = STICKER_MARKER_MM + 2 * _STICKER_BORDER
    left, top = (width - columns * cell) / 2, height - _HEAD + 2
    last = first + count - 1
    name = (f"Sticker {first}" if count == 1 else f"Stickers {first} to {last}") + " – marker 15 × 15 mm each"
    head = _head("stickers", name, paper, left, "")
    bar, label = _upright_bar(left - 4.5, (height - _CHECK) / 2)
    ink, words = [head[0], bar], [label, *head[1]]
    for i in range(count):
        x, y = left + (i % columns) * cell + _STICKER_BORDER, top - (i // columns + 1) * cell + _STICKER_BORDER
        ink.append(Ink(_moved(sticker_rects(first + i), x, y)))
        words.append(Text(x + STICKER_MARKER_MM / 2, y - 2.3, str(first + i), 1.7, _GREY, anchor="middle"))
    used_columns, used_rows = min(count, columns), -(-count // columns)
    across = np.linspace(left, left + used_columns * cell, used_columns + 1)
    ink.append(_cut_grid(across, np.linspace(top - used_rows * cell, top, used_rows + 1)))
    return Page(_title(name, paper), width, height, tuple(ink), tuple(words))


def _sticker_grid(paper: str) -> tuple[int, int]:
    width, height = PAPERS[paper]
    cell = STICKER_MARKER_MM + 2 * _STICKER_BORDER
    return int((width - 20) // cell), int((height - _HEAD - 6) // cell)


def _title(name: str, paper: str) -> str:
    return f"edgewright {EDGEWRIGHT}: {name}, {paper.capitalize()}, print at 100 %"


def _head(kind: str, name: str, paper: str, left: float, hint: str) -> tuple[Ink, list[Text]]:
    """Name, first steps in two columns and the level check bar, under the paper's upper edge."""
    width, height = PAPERS[paper]
    column = (width - 2 * left) / 2 + 1
    detail = f"edgewright {EDGEWRIGHT} – {paper.capitalize()} – DICT_5X5_1000, OpenCV 4.6+ layout"
    words = [
        Text(left, height - 8.2, f"{name} – print at 100 %", 3.3),
        Text(width - left, height - 8.2, detail, 1.8, _GREY, anchor="end"),
        Text(left + _CHECK + 2, height - 21.4, f"x check bar, 100 mm. {hint}".rstrip(), 2.0),
    ]
    for i, step in enumerate(STEPS[kind]):
        words.append(Text(left + (i // 3) * column, height - 11.9 - 3.1 * (i % 3), f"{i + 1}  {step}", 2.2))
    return bars([(left, height - 21.5, _CHECK, 1.2)]), words


def _upright_bar(x: float, y: float) -> tuple[Ink, Text]:
    """The upright check bar, its right side at x, and its name."""
    return bars([(x - 1.2, y, 1.2, _CHECK)]), Text(x - 0.3, y + _CHECK + 2, "y check bar, 100 mm", 2.0, upright=True)


def _caliper_places(piece: Piece, x: float, y: float) -> tuple[Ink, list[Text]]:
    """Thin marks in line with the outer sides, below and right of the pattern, where the caliper goes."""
    right, top = x + piece.width, y + piece.height
    ticks = [(edge - 0.1, y - 6.5, 0.2, 2.5) for edge in (x, right)]
    ticks += [(right + 4, edge - 0.1, 2.5, 0.2) for edge in (y, top)]
    where = "caliper here, over the pattern's outer sides"
    words = [
        Text(x + piece.width / 2, y - 6.3, f"x: {where}; nominal {piece.width:g} mm", 2.2, _GREY, anchor="middle"),
        Text(right + 6.3, y + piece.height / 2, f"y: {where}; nominal {piece.height:g} mm", 2.2, _GREY, True, "middle"),
    ]
    return bars(ticks, _GREY), words


def _strip_words(piece: Piece, x: float, y: float) -> list[Text]:
    """The words in a strip's white border, so that they stay on it when it is cut out."""
    middle = x + piece.width / 2
    tool = f"print at 100 % – edgewright {EDGEWRIGHT}"
    side = f"{piece.name} – y: caliper over the outer sides, nominal 240 mm – {tool}"
    return [
        Text(middle, y - 4, f"{piece.name} – x: caliper here, nominal 45 mm", 1.9, _GREY, anchor="middle"),
        Text(x + piece.width + 3.6, y + piece.height / 2, side, 1.9, _GREY, True, "middle"),
    ]


def _cut_grid(columns: FloatArray, rows: FloatArray) -> Ink:
    """Faint dashed cut lines at these x and y."""
    dash, thick = 2.0, 0.2
    lines = [(x, y - thick / 2, dash, thick) for y in rows for x in _dash_starts(columns[0], columns[-1], dash)]
    lines += [(x - thick / 2, y, thick, dash) for x in columns for y in _dash_starts(rows[0], rows[-1], dash)]
    return bars(lines, _FAINT)


def _dash_starts(start: float, end: float, dash: float) -> FloatArray:
    """Where dashes begin so that the first and the last touch the ends and the gaps are about a dash long."""
    return np.linspace(start, end - dash, max(2, round((end - start + dash) / (2 * dash))))


def _moved(rects: FloatArray, x: float, y: float) -> FloatArray:
    return rects + np.array([x, y, 0.0, 0.0])
