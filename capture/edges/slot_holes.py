"""Slots: the stadium whose two rims explain the tone steps round a candidate best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from capture.edges.flatten import View
from capture.edges.looks import other_look
from capture.edges.rims import Sheet, contour_score
from capture.edges.strip import Contour, Lit, Strip, toned, unroll
from fit.feature import Feature
from fit.points import FloatArray

__all__ = ["Stadium", "best_stadium", "ends_told", "ranked", "stadium_of"]

_SPACING_MM, _CAP_ROWS = 0.25, 24
_REACH_MM = 1.9
_WIDE, _FINE = ((0.2, 1.4, 0.2), (0.1, 0.3, 0.12)), ((0.1, 0.3, 0.12), (0.05, 0.3, 0.09), (0.025, 0.1, 0.07))
"""For each unrolling: step and span of the moves tried, and the tolerance of a step's place, all mm."""
_LOOK, _LOOK_IN_MM, _LOOK_DEEP_MM, _LOOK_STEP_MM, _DEPTHS = 0.6, 2.4, 3.0, 0.1, 2
"""Score lost where what lies beside an edge is not the material, how far outside the slot that is asked, mm, and at how
many depths: of a slot near another edge little material is to be seen."""
_REACH_PX, _LEAST_SCORE, _LEAST_WIDE, _LEAST_RING = 0.6, 0.15, 0.2, 0.7
_ENCLOSED_MM, _ENCLOSING_SHARE = 0.5, 0.5
"""How far what shows inside a slot may reach out of its rim as found, which is how much smaller it must be, mm; the share of
its score that the rim must have."""
_LEAST_APART_MM = 0.2
_SWEEPS = 2
_ROWS = 160
# How the centres of both caps move along and across the slot, and its radius: a turn, each side, each end.
_MOVES = np.array(
    [
        [0.0, -1.0, 0.0, 1.0, 0.0],
        [0.5, 0.5, -0.5, 0.5, 0.5],
        [0.5, -0.5, -0.5, -0.5, 0.5],
        [-1.0, 0.0, 0.0, 0.0, 0.0],
        [0.0, 0.0, 1.0, 0.0, 0.0],
    ]
)


@dataclass(frozen=True, eq=False, slots=True)
class Stadium:
    """A slot on the face's plane, mm: centres of its two caps (2,), their radius, how well its rims explain the picture."""

    first: FloatArray
    last: FloatArray
    radius: float
    score: float = 0.0

    @property
    def middle(self) -> FloatArray:
        return np.asarray((self.first + self.last) / 2)

    @property
    def worth(self) -> float:
        """Score times length of the rim: half a slot may score as well as all of it."""
        return self.score * 2 * (float(np.hypot(*(self.last - self.first))) + np.pi * self.radius)

    def holds(self, xy: FloatArray) -> bool:
        """Whether a place (2,) lies in the slot."""
        away = xy - self.middle
        along, across = abs(float(away @ self.along)), float(away @ [-self.along[1], self.along[0]])
        half = float(np.hypot(*(self.last - self.first))) / 2
        return bool(np.hypot(max(along - half, 0.0), across) < self.radius)

    @property
    def along(self) -> FloatArray:
        """Unit direction from the first cap to the last."""
        away = self.last - self.first
        return np.asarray(away / max(float(np.hypot(*away)), 1e-9))

    def rows(self, spacing: float = _SPACING_MM) -> tuple[FloatArray, FloatArray]:
        """Share of the way from the first cap to the last (M,) and unit normals (M, 2) out of the slot, round its rim."""
        d, length = self.along, float(np.hypot(*(self.last - self.first)))
        n = np.array([-d[1], d[0]])
        cap = max(_CAP_ROWS, round(np.pi * self.radius / spacing))
        turn = np.linspace(-np.pi / 2, np.pi / 2, cap)
        end = np.outer(np.cos(turn), d) + np.outer(np.sin(turn), n)
        side = (np.arange(1, max(2, round(length / spacing))) / max(2, round(length / spacing)))[::-1]
        share = np.concatenate([np.ones(cap), side, np.zeros(cap), side[::-1]])
        return share, np.vstack([end, np.tile(n, (len(side), 1)), -end, np.tile(-n, (len(side), 1))])

    def contour(self, height: float, spacing: float = _SPACING_MM) -> Contour:
        """Its rim; outward is into the slot."""
        share, normal = self.rows(spacing)
        middle = self.first + share[:, None] * (self.last - self.first)
        return Contour(middle + self.radius * normal, -normal, height)

    def moved(self, move: FloatArray) -> Stadium:
        """With its caps' centres moved along and across (4,), but not past each other, and its radius changed, mm."""
        axes = np.array([self.along, [-self.along[1], self.along[0]]])
        first, last = self.first + move[:2] @ axes, self.last + move[2:4] @ axes
        if (last - first) @ self.along < _LEAST_APART_MM:
            half = self.along * _LEAST_APART_MM / 2
            first, last = (first + last) / 2 - half, (first + last) / 2 + half
        return Stadium(first, last, max(self.radius + move[4], 0.3))


def ranked(found: list[Stadium]) -> list[Stadium]:
    """Stadiums by their worth, but one that encloses another and explains not much less goes before it.

    Inside a slot its wall, its lower rim and its shadow look like slots too; outside it lies nothing but the face.
    """
    return sorted(found, key=lambda s: (-max(o.worth for o in found if o is s or _rim_of(s, o)), -s.radius))


def _rim_of(outer: Stadium, inner: Stadium) -> bool:
    """Whether one stadium may be the rim, and the other what shows inside it."""
    within = all(_depth(outer, cap) >= inner.radius - _ENCLOSED_MM for cap in (inner.first, inner.last))
    return within and outer.radius > inner.radius + _ENCLOSED_MM and outer.score >= _ENCLOSING_SHARE * inner.score


def _depth(stadium: Stadium, xy: FloatArray) -> float:
    """How far inside a stadium a place (2,) lies, mm."""
    away = xy - stadium.middle
    half = float(np.hypot(*(stadium.last - stadium.first))) / 2
    across = float(away @ [-stadium.along[1], stadium.along[0]])
    return stadium.radius - float(np.hypot(max(abs(float(away @ stadium.along)) - half, 0.0), across))


def stadium_of(slot: Feature) -> Stadium:
    """A fitted slot as a plain stadium."""
    half = (slot["length"] - slot["width"]) / 2 * np.array([np.cos(slot["angle"]), np.sin(slot["angle"])])
    middle = slot.vector(("x", "y"))
    return Stadium(middle - half, middle + half, slot["width"] / 2)


def ends_told(slot: Feature, contour: Contour, told: FloatArray) -> float:
    """Mean score of both round ends, of the scores (M,) along a fitted slot's contour: two lines of grain or glare look like
    its sides.
    """
    stadium = stadium_of(slot)
    beyond = np.abs((contour.xy - stadium.middle) @ stadium.along) > (slot["length"] - slot["width"]) / 2
    return float(told[beyond].mean())


def best_stadium(lit: Lit, view: View, sheet: Sheet, start: Stadium, inset: float = 0.0) -> Stadium:
    """Move sides and ends of a candidate that is good to a millimetre or so until its rims explain the picture best.

    inset : how far inside the contour the upper rim shows, mm.
    """
    best = start
    for levels in (_WIDE, _FINE):
        if levels is _FINE and best.score < _LEAST_WIDE:
            break
        contour = best.contour(sheet.height)
        wall = sheet.wall(view, contour)
        reach = (-_REACH_MM - 1.2, min(_REACH_MM + float(max(wall.max(), 0.0)), 0.85 * best.radius))
        strip = unroll(lit, view, contour, reach, smooth=0.2, placed=False)
        if best is start and _ring(strip) < _LEAST_RING:
            break
        best = _searched(strip, sheet, best, (wall, _looks(lit, view, contour, reach[1])), inset, levels)
    return best


def _looks(lit: Lit, view: View, contour: Contour, reach: float) -> FloatArray:
    """(G, M): how unlike the material what lies beside the slot looks, at each of `_look_offsets` along its contour."""
    offsets = _look_offsets(reach)
    beside = toned(lit, view, contour, (float(offsets[0]) - _LOOK_DEEP_MM, reach), smooth=0.2, step=_LOOK_STEP_MM / 2)
    return other_look(beside, offsets, _DEPTHS)


def _look_offsets(reach: float) -> FloatArray:
    return np.arange(-_LOOK_IN_MM, reach, _LOOK_STEP_MM)


def _ring(strip: Strip) -> float:
    """Share of rows that have any clear step at all: a cheap first test."""
    near = np.full(len(strip.total), 1.0)
    return float((strip.between(-near, near) > 0.5).mean())


def _searched(
    strip: Strip,
    sheet: Sheet,
    stadium: Stadium,
    beside: tuple[FloatArray, FloatArray],
    inset: float,
    levels: tuple[tuple[float, float, float], ...],
) -> Stadium:
    """Coordinate ascent over turn, sides and ends, the turn once first and once last; the better one counts.

    beside : the seen wall (M,) and what `_looks` tells.
    """
    wall, look = beside
    every = max(1, len(wall) // _ROWS)
    look, rows = look[:, ::every], np.arange(-(-len(wall) // every))
    thin, seen_wall = strip.thinned(every), (wall + inset * (wall > 0))[::every]
    effect = _effect(stadium)[:, ::every]

    def scores(moves: FloatArray, reach: float) -> FloatArray:
        near = max(reach, _REACH_PX / strip.px_per_mm) + inset / 2
        offset = -moves @ effect
        score = contour_score(thin, sheet, offset - inset, seen_wall, near)
        at = np.rint((offset + _LOOK_IN_MM) / _LOOK_STEP_MM).astype(int)
        return np.asarray((score - _LOOK * look[np.clip(at, 0, len(look) - 1), rows]).mean(axis=1))

    score, move = _ascent(scores, levels)
    moved = stadium.moved(move)
    return Stadium(moved.first, moved.last, moved.radius, score)


def _ascent(
    scores: Callable[[FloatArray, float], FloatArray], levels: tuple[tuple[float, float, float], ...]
) -> tuple[float, FloatArray]:
    """Best score and move (5,) of both orders of moves, which take their steps side by side. What scores too little is left
    at that: a level with a smaller tolerance hardly ever finds more.
    """
    orders = np.stack([_MOVES, np.roll(_MOVES, -1, axis=0)])
    moves, best, worth = np.zeros((len(orders), 5)), np.full(len(orders), -np.inf), np.ones(len(orders), bool)
    for step, span, reach in levels:
        ticks = np.arange(-span, span + 1e-9, step)[:, None]
        unmoved = np.zeros(len(orders), int)
        for i in range(_SWEEPS * len(_MOVES)):
            on = np.flatnonzero(worth & (unmoved < len(_MOVES)))
            if not len(on):
                break
            tried = moves[on, None] + ticks * orders[on, i % len(_MOVES), None]
            told = scores(tried.reshape(-1, 5), reach).reshape(len(on), -1)
            top, each = told.argmax(axis=1), np.arange(len(on))
            unmoved[on] = np.where(top == len(ticks) // 2, unmoved[on] + 1, 0)
            moves[on], best[on] = tried[each, top], told[each, top]
        worth &= best >= _LEAST_SCORE
    return float(best.max()), moves[best.argmax()]


def _effect(stadium: Stadium) -> FloatArray:
    """(5, M): how far each row of the rim goes out of the slot for each of the five numbers of a move."""
    share, normal = stadium.rows()
    d = stadium.along
    along, across = normal @ d, normal @ np.array([-d[1], d[0]])
    return np.array([(1 - share) * along, (1 - share) * across, share * along, share * across, np.ones(len(share))])
