"""Sizes of holes and arcs on leaders, each where nothing else is (ISO 129-1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.drawing.grid import Occupancy
from fit.drawing.lettering import text_width
from fit.drawing.marks import GAP, HALF, HEAD, SMALL, TEXT, arrow, line, stacked, text_box, text_ground
from fit.drawing.model import Polyline, Spot
from fit.drawing.sheet import Drawn, Filled, Item, Written
from fit.points import FloatArray

__all__ = ["Ground", "place_label", "place_leaders"]

_SHOULDER = 2.0
_LENGTHS = (
    5.0,
    7.0,
    9.0,
    12.0,
    15.0,
    18.0,
    22.0,
    26.0,
    30.0,
    35.0,
    40.0,
    46.0,
    52.0,
    59.0,
    66.0,
    74.0,
    82.0,
    91.0,
    100.0,
)
_ASKEW = tuple(math.radians(turn) for turn in (-45.0, -25.0, 25.0, 45.0))
"""Turns off the radial direction for a leader that finds no room along it."""
_OFF_LINES = 0.3
"""Clear space between words and fine lines, mm."""
_ROUND = 0.4
"""Kept round words, mm, so that no line slips across a corner of them between two looks along it."""
_AT_ONCE = 48
"""Leaders looked at together."""
_CROSSING = 60.0
"""Cost of a leader that crosses an edge of the part, in mm of leader as it were; twice the edges, four times that."""
_TURNS = tuple(math.radians(10.0 * k + 45.0) for k in range(36))


class Ground:
    """What is on a sheet already: shapes of the part, fine lines, and words."""

    def __init__(self, width: float, height: float) -> None:
        self.shapes = Occupancy(width, height)
        self.lines = Occupancy(width, height)
        self.words = Occupancy(width, height)
        self.heads = Occupancy(width, height)

    def add(self, items: Sequence[Item]) -> None:
        """Take the room of words and fine lines."""
        for item in items:
            if isinstance(item, Written) and item.angle not in (0.0, 90.0):
                self.words.add_points(text_ground(item, _ROUND))
            elif isinstance(item, Written):
                left, low, right, top = text_box(item)
                self.words.add_box((left - _ROUND, low - _ROUND, right + _ROUND, top + _ROUND))
            elif isinstance(item, Drawn):
                self.lines.add_shape(item.shape)
            elif isinstance(item, Filled):
                head = Polyline(tuple((*point, 0.0) for point in item.points), closed=True)
                self.lines.add_shape(head)
                self.heads.add_shape(head)

    def is_free(self, item: Written) -> bool:
        """Whether a text would lie on no word, no edge of the part and no fine line."""
        points = text_ground(item, 0.4)
        return not any(taken.at(*points.T).any() for taken in (self.words, self.shapes, self.lines))

    def under_head(self, tips: FloatArray, ends: FloatArray) -> FloatArray:
        """How much of words and other arrow heads would lie under the arrow heads of leaders (N, 2) to (N, 2)."""
        way = (ends - tips) / np.hypot(*(ends - tips).T)[:, None]
        across = HALF * np.stack([-way[:, 1], way[:, 0]], axis=1)
        back = tips + HEAD * way
        edges = np.concatenate([tips, tips + 0.3 * across, tips - 0.3 * across])
        toward = np.concatenate([back, back + across, back - across])
        under = self.words.along(edges, toward) + self.heads.along(edges, toward)
        return np.asarray(under.reshape(3, -1).sum(axis=0))


def place_label(
    place: tuple[float, float], text: str, height: float, ground: Ground, *, must: bool = True
) -> list[Item]:
    """A label as near to its place as it finds room, else on a leader; its room is taken.

    Where there is no room at all it stands at its very place if it must be said, else it is left out.
    """
    x, y = place
    turns = [math.radians(30.0 * k) for k in range(12)]
    shifts = [(0.0, 0.0), *((r * math.cos(a), r * math.sin(a)) for r in (2.0, 4.0, 7.0, 11.0) for a in turns)]
    tries = [Written(x + dx, y + dy, text, height, 1.0 if dx < -1e-9 else 0.0) for dx, dy in shifts]
    boxes = np.array([text_box(item) for item in tries]) + np.array([-0.6, -0.6, 0.6, 0.6])
    free = ground.words.hits(boxes) + ground.shapes.hits(boxes) + ground.lines.hits(boxes) == 0
    if not free.any():
        led = _place(Spot("", x, y, 0.0, text), [(text, height)], ground)
        if led is not None or not must:
            return led or []
        free[0] = True
    best = tries[int(np.argmin(np.where(free, 0.0, 1e6) + np.round(np.hypot(*np.array(shifts).T), 6)))]
    ground.add([best])
    return [best]


def place_leaders(spots: Sequence[Spot], names: Sequence[str], ground: Ground) -> tuple[list[Item], list[Spot]]:
    """Leaders with words for spots given on the sheet; returns the items and the spots that found no place.

    Spots with the least choice go first: arcs, then those in the middle of the crowd.
    """
    items: list[Item] = []
    lost: list[Spot] = []
    for i in _least_choice_first(spots):
        rows = [(text, TEXT) for text in spots[i].text.split("\n")] + ([(names[i], SMALL)] if names[i] else [])
        placed = _place(spots[i], rows, ground)
        if placed is None:
            lost.append(spots[i])
        else:
            items += placed
    return items, lost


def _least_choice_first(spots: Sequence[Spot]) -> list[int]:
    places = np.array([(spot.x, spot.y) for spot in spots]).reshape(-1, 2)
    apart = np.hypot(*(places[:, None] - places[None, :]).transpose(2, 0, 1))
    crowd = np.round(np.exp(-apart / 25.0).sum(axis=1), 6)
    return sorted(range(len(spots)), key=lambda i: (spots[i].arc is None, -crowd[i], i))


def _place(spot: Spot, rows: Sequence[tuple[str, float]], ground: Ground) -> list[Item] | None:
    width = max(text_width(text, height) for text, height in rows)
    height = sum(1.5 * size for _, size in rows) - 0.2 * rows[-1][1]
    starts, bends, sides, cost = _candidates(spot)
    boxes = _boxes(bends, sides, width, height)
    clear = boxes + np.array([-GAP, -GAP, GAP, GAP])
    near = boxes + np.array([-_OFF_LINES, -_OFF_LINES, _OFF_LINES, _OFF_LINES])
    free = np.flatnonzero(ground.words.hits(clear) + ground.shapes.hits(clear) + ground.lines.hits(near) == 0)
    table = _Leaders(starts[free], bends[free], sides[free], cost[free])
    best = _cheapest(table, ground)
    if best is None:
        return None
    return _drawn(spot, rows, (table.starts[best], table.bends[best], float(table.sides[best])), ground)


@dataclass(frozen=True, eq=False, slots=True)
class _Leaders:
    """Leaders that could be drawn: where they touch and bend (N, 2), side of the words (N,), least cost (N,)."""

    starts: FloatArray
    bends: FloatArray
    sides: FloatArray
    cost: FloatArray


def _cheapest(table: _Leaders, ground: Ground) -> int | None:
    """The leader of least cost; those that cannot beat the best so far are not looked at."""
    order = np.argsort(np.round(table.cost, 6), kind="stable")
    best, least = None, math.inf
    for first in range(0, len(order), _AT_ONCE):
        some = order[first : first + _AT_ONCE]
        if table.cost[some[0]] >= least:
            break
        cost = np.round(_costs(table, some, ground), 6)
        lowest = int(np.argmin(cost))
        if cost[lowest] < least:
            best, least = int(some[lowest]), float(cost[lowest])
    return best


def _costs(table: _Leaders, some: NDArray[np.int_], ground: Ground) -> FloatArray:
    """Cost of some leaders with what they cross; inf where they or their arrow heads lie on words."""
    starts, bends, sides, cost = (column[some] for column in (table.starts, table.bends, table.sides, table.cost))
    ends = bends + np.stack([sides * _SHOULDER, np.zeros(len(sides))], axis=1)
    hard = ground.words.along(starts, bends) + ground.words.along(bends, ends) + ground.under_head(starts, bends)
    outward = starts + 0.15 * (bends - starts)
    over, times = ground.lines.along_and_crossings(outward, bends)
    cost = cost + _CROSSING * ground.shapes.crossings(outward, ends) ** 2 + 1.0 * over + 4.0 * times
    return np.where(hard > 0, np.inf, cost)


def _candidates(spot: Spot) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Leaders that could be drawn: where they touch, where they bend, which side the words lie, and a first cost."""
    angle, inwards, askew = np.array(_angles(spot)).T
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    touch = np.array([spot.x, spot.y]) + spot.reach * ray
    heading = angle + askew + np.pi * inwards
    way = np.stack([np.cos(heading), np.sin(heading)], axis=1)
    bend = touch[:, None] + np.array(_LENGTHS)[None, :, None] * way[:, None]
    flat = (np.abs(way) < 0.2).any(axis=1)
    cost = 1.5 * np.array(_LENGTHS) + (6.0 * flat + 8.0 * inwards + 4.0 * (askew != 0))[:, None]
    side = np.where(way[:, 0] > -1e-9, 1.0, -1.0)
    each = len(_LENGTHS)
    return np.repeat(touch, each, axis=0), bend.reshape(-1, 2), np.repeat(side, each), cost.ravel()


def _angles(spot: Spot) -> list[tuple[float, float, float]]:
    """Directions from the centre, whether the leader runs inwards (an arc takes both ways), and how far it is askew."""
    if spot.arc is None:
        return [(angle, 0.0, 0.0) for angle in _TURNS]
    middle, half = spot.arc
    fan = [middle + part * half for part in (0.0, -0.3, 0.3, -0.6, 0.6, -0.85, 0.85)]
    radial = [(angle, inwards, 0.0) for inwards in (0.0, 1.0) for angle in fan]
    return radial + [(middle, inwards, askew) for inwards in (0.0, 1.0) for askew in _ASKEW]


def _boxes(bends: FloatArray, sides: FloatArray, width: float, height: float) -> FloatArray:
    near = bends[:, 0] + sides * (_SHOULDER + 0.8)
    left = np.where(sides > 0, near, near - width)
    bottom = bends[:, 1] - height / 2
    return np.stack([left, bottom, left + width, bottom + height], axis=1)


def _drawn(
    spot: Spot, rows: Sequence[tuple[str, float]], way: tuple[FloatArray, FloatArray, float], ground: Ground
) -> list[Item]:
    (x1, y1), (x2, y2), side = way[0].tolist(), way[1].tolist(), way[2]
    end = x2 + side * _SHOULDER
    height = sum(1.5 * size for _, size in rows) - 0.2 * rows[-1][1]
    words = stacked(end + side * 0.8, y2 + height / 2, rows, 0.0 if side > 0 else 1.0)
    items: list[Item] = [
        line(x1, y1, x2, y2),
        line(x2, y2, end, y2),
        arrow(x1, y1, math.atan2(y1 - y2, x1 - x2)),
        *words,
    ]
    ground.add(items)
    return items
