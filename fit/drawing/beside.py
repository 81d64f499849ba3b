"""Lengths along straight edges and dimension lines between two places, each where nothing else is (ISO 129-1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.drawing.leaders import Ground
from fit.drawing.lettering import text_width
from fit.drawing.marks import GAP, SMALL, TEXT, arrow, line
from fit.drawing.model import Along, Span
from fit.drawing.sheet import Item, Written
from fit.points import FloatArray

__all__ = ["place_lengths", "place_spans", "tick_items"]

_UPRIGHT = 0.02
"""Sideways share of a direction, about 1°, below which an edge counts as standing."""
_PARTS = (0.5, 0.38, 0.62, 0.26, 0.74)
_OVER = 1.7
"""Base line of a text over its dimension line, mm."""
_CLEAR = 2.7
"""Base line of a text over its edge, mm; figures have nothing below it."""
_OFFSETS = (10.0, 15.0, 20.0, 26.0, 33.0, 41.0, 50.0, 60.0)


@dataclass(frozen=True, eq=False, slots=True)
class _Edge:
    """A straight run on the sheet read from left to right: start, direction, upward normal and length, mm."""

    start: FloatArray
    along: FloatArray
    up: FloatArray
    length: float

    @property
    def angle(self) -> float:
        return math.degrees(math.atan2(self.along[1], self.along[0]))

    def at(self, part: float, above: float) -> FloatArray:
        return self.start + part * self.length * self.along + above * self.up


def _edge(x1: float, y1: float, x2: float, y2: float) -> _Edge:
    """Text along it reads from left to right, or from below where it stands."""
    length = math.hypot(x2 - x1, y2 - y1)
    along = np.array([x2 - x1, y2 - y1]) / max(length, 1e-9)
    start = np.array([x1, y1])
    if along[0] < -_UPRIGHT or (along[0] <= _UPRIGHT and along[1] < 0):
        start, along = np.array([x2, y2]), -along
    return _Edge(start, along, np.array([-along[1], along[0]]), length)


def place_lengths(lengths: Sequence[Along], ground: Ground) -> tuple[list[Item], list[Along]]:
    """Texts along their edges, on the side and at the place where they find room; returns those that find none."""
    items: list[Item] = []
    lost = []
    for length in lengths:
        edge = _edge(length.x1, length.y1, length.x2, length.y2)
        placed = _beside(edge, length.text, TEXT if length.must else SMALL, ground)
        if placed is None:
            lost.append(length)
        else:
            items.append(placed)
    return items, lost


def _beside(edge: _Edge, text: str, height: float, ground: Ground) -> Written | None:
    if edge.length < text_width(text, height) + 2 * GAP:
        return None
    above = (_CLEAR, -_CLEAR - 0.7 * height)
    tries = [_text(edge, part, rise, text, height) for part in _PARTS for rise in above]
    placed = next((item for item in tries if ground.is_free(item)), None)
    if placed is not None:
        ground.add([placed])
    return placed


def _text(edge: _Edge, part: float, rise: float, text: str, height: float) -> Written:
    x, y = edge.at(part, rise).tolist()
    return Written(x, y, text, height, 0.5, edge.angle)


def place_spans(spans: Sequence[Span], ground: Ground) -> tuple[list[Item], list[Span]]:
    """Dimension lines beside the line between their two places; returns the spans that find no room."""
    items: list[Item] = []
    lost = []
    for span in spans:
        placed = _dimension(span, ground)
        if placed is None:
            lost.append(span)
        else:
            items += placed
    return items, lost


def _dimension(span: Span, ground: Ground) -> list[Item] | None:
    edge = _edge(span.x1, span.y1, span.x2, span.y2)
    if edge.length < text_width(span.text, TEXT) + 8.0:
        return None
    offsets = [side * offset for offset in _OFFSETS for side in (1.0, -1.0)]
    tries = [(offset, part) for offset in (0.0, *offsets) for part in _PARTS]
    costs = [_cost(edge, offset, _text(edge, part, offset + _OVER, span.text, TEXT), ground) for offset, part in tries]
    best = min(range(len(tries)), key=lambda i: (costs[i], i))
    if not math.isfinite(costs[best]):
        return None
    offset, part = tries[best]
    text = _text(edge, part, offset + _OVER, span.text, TEXT)
    turn = math.radians(edge.angle)
    (x1, y1), (x2, y2) = edge.at(0.0, offset).tolist(), edge.at(1.0, offset).tolist()
    strokes = [line(x1, y1, x2, y2)]
    if offset:
        strokes += [line(*edge.at(p, 0.0), *edge.at(p, offset + math.copysign(2.0, offset))) for p in (0.0, 1.0)]
    items: list[Item] = [*strokes, arrow(x1, y1, turn + math.pi), arrow(x2, y2, turn), text]
    ground.add(items)
    ground.shapes.add_shape(strokes[0].shape)  # leaders keep off dimension lines as they do off edges
    return items


def _cost(edge: _Edge, offset: float, text: Written, ground: Ground) -> float:
    """Length of extension lines and what the dimension line meets; inf where words would touch something."""
    if not ground.is_free(text):
        return math.inf
    ends = np.array([edge.at(0.0, offset), edge.at(0.0, 0.0), edge.at(1.0, 0.0)])
    tips = np.array([edge.at(1.0, offset), edge.at(0.0, offset), edge.at(1.0, offset)])
    if ground.words.crossings(ends, tips).any():
        return math.inf
    met = ground.shapes.crossings(ends[:1], tips[:1])[0]
    over, times = ground.lines.along_and_crossings(ends[:1], tips[:1])
    crossed = over[0] + 6.0 * times[0]
    return abs(offset) + 12.0 * float(met) + float(crossed)


def tick_items(x: float, y: float, angle: float) -> Item:
    """A stroke of 3 mm across a path."""
    dx, dy = -1.5 * math.sin(angle), 1.5 * math.cos(angle)
    return line(x - dx, y - dy, x + dx, y + dy)
