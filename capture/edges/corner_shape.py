"""Rounded corners: a short arc between two straight edges, looked for as one shape.

An arc of 5 mm radius is 8 mm long, of which a picture of a large part shows thirty pixels. Followed row by row an edge leaps
there between its face, its wall and its shadow; as one shape with the straight edges beside it, it cannot.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from capture.edges.flatten import View
from capture.edges.rims import Sheet, contour_score
from capture.edges.strip import Contour, Lit, unroll
from fit.points import FloatArray

__all__ = ["Corner", "best_corner", "corner_along"]

_SPACING_MM, _LEG_MM = 0.25, 4.0
_LEAST_TURN, _MOST_TURN = math.radians(20.0), math.radians(170.0)
_LEAST_RADIUS, _MOST_RADIUS = 0.3, 30.0
_STRAY_MM = 0.1
"""Points that lie farther off than this count less and less."""
_LEVELS = ((0.3, 1.2, 0.2), (0.12, 0.36, 0.14), (0.05, 0.15, 0.1))
"""For each unrolling: step and span of the moves tried, and the tolerance of a step's place, all mm."""
_REACH_PX, _DEEP_MM, _ROOM_MM = 0.6, 3.0, 0.5
_SWEEPS, _SETTLED, _TICK = 3, 1e-3, 2.0**-26
# How the far and near end of the first edge, near and far end of the last one and the radius move: each edge, the
# radius, each edge's direction, all of it, a larger corner that keeps its arc's middle.
_MOVES = np.array(
    [
        [1.0, 1.0, 0.0, 0.0, 0.0],
        [0.0, 0.0, 1.0, 1.0, 0.0],
        [0.0, 0.0, 0.0, 0.0, 3.0],
        [1.0, -0.3, 0.0, 0.0, 0.0],
        [0.0, 0.0, -0.3, 1.0, 0.0],
        [1.0, 1.0, 1.0, 1.0, 0.0],
        [0.0, 0.3, 0.3, 0.0, 1.5],
    ]
)


@dataclass(frozen=True, eq=False, slots=True)
class Corner:
    """Two straight edges and the arc tangent to both, on the face's plane.

    centre : of the arc (2,), mm. ways : directions (2,) in which the edges are gone along, into the arc and out of it, rad.
    radius : mm. inside : whether the metal lies on the centre's side.
    """

    centre: FloatArray
    ways: FloatArray
    radius: float
    inside: bool

    @property
    def turn(self) -> float:
        """How far the edge turns, rad: above zero to the left."""
        return float((self.ways[1] - self.ways[0] + math.pi) % (2 * math.pi) - math.pi)

    @property
    def metal(self) -> bool:
        """Whether the metal lies to its left."""
        return self.inside == (self.turn > 0)

    @property
    def joints(self) -> FloatArray:
        """(2, 2) where the arc begins and ends."""
        return np.asarray(self.centre + self.radius * _frame(self.ways, self.turn)[1])

    def away(self, xy: FloatArray) -> FloatArray:
        """How far (N,) places (N, 2) lie from its line, mm; above zero on the side away from the centre."""
        return self.away_if_moved(xy, np.zeros((1, 5)))[0]

    def away_if_moved(self, xy: FloatArray, moves: FloatArray) -> FloatArray:
        """The same (G, N) for each of several moves (G, 5), as `moved` takes them."""
        centre, ways, radius = self._if_moved(moves)
        along, normal = _frame(ways, self.turn)
        from_centre = xy - centre[:, None]
        ahead, off = (from_centre @ np.swapaxes(axes, 1, 2) for axes in (along, normal))
        before, past = ahead[..., 0] <= 0, ahead[..., 1] >= 0
        round_it = np.sqrt((from_centre**2).sum(axis=-1))
        return np.where(before, off[..., 0], np.where(past, off[..., 1], round_it)) - radius[:, None]

    def moved(self, move: FloatArray) -> Corner:
        """With the first edge moved away from the centre at its far and near end, the last one at its near and far end,
        and the radius changed, (5,) mm.
        """
        centre, ways, radius = self._if_moved(move[None])
        return Corner(centre[0], ways[0], float(radius[0]), self.inside)

    def _if_moved(self, moves: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Centres (G, 2), directions (G, 2) and radii (G,) after each move."""
        near, far = moves[:, [1, 2]], moves[:, [0, 3]]
        spin = math.copysign(1.0, self.turn) * np.arctan((near - far) / _LEG_MM)
        ways = self.ways + spin * [-1.0, 1.0]
        radius = np.clip(self.radius + moves[:, 4], _LEAST_RADIUS, _MOST_RADIUS)
        normal = _frame(ways, self.turn)[1]
        through = (self.radius + near)[..., None] * _frame(self.ways, self.turn)[1]
        reach = (through * normal).sum(axis=-1) - radius[:, None]
        return self.centre + np.linalg.solve(normal, reach[..., None])[..., 0], ways, radius

    def contour(self, height: float) -> Contour:
        """Its line, some mm of straight edge on either side."""
        along, normal = _frame(self.ways, self.turn)
        back = np.arange(_LEG_MM, 0.0, -_SPACING_MM)[:, None]
        count = max(4, round(self.radius * abs(self.turn) / _SPACING_MM))
        angle = math.atan2(normal[0, 1], normal[0, 0]) + np.linspace(0.0, self.turn, count)
        arc = np.column_stack([np.cos(angle), np.sin(angle)])
        away = np.vstack([np.tile(normal[0], (len(back), 1)), arc, np.tile(normal[1], (len(back), 1))])
        shift = np.vstack([-back * along[0], np.zeros_like(arc), back[::-1] * along[1]])
        xy = self.centre + self.radius * away + shift
        return Contour(xy, away if self.inside else -away, height, closed=False)


def _frame(ways: FloatArray, turn: float) -> tuple[FloatArray, FloatArray]:
    """Unit vectors (..., 2, 2) along both edges, and away from the arc's centre."""
    along = np.stack([np.cos(ways), np.sin(ways)], axis=-1)
    right = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    return along, math.copysign(1.0, turn) * right


def _is_corner(corner: Corner) -> bool:
    return _LEAST_TURN < abs(corner.turn) < _MOST_TURN


def corner_along(xy: FloatArray, *, metal: bool) -> Corner | None:
    """The corner that a line (N, 2) in order follows most closely, strays counting little; None where it is none.

    metal : whether the metal lies to the line's left.
    """
    from scipy.optimize import least_squares

    rough = _rough(xy, metal)
    if rough is None:
        return None

    def away(move: FloatArray) -> FloatArray:
        return rough.away_if_moved(xy, move[None])[0]

    def slope(move: FloatArray) -> FloatArray:
        """(N, 5): by differences, all five moves at once."""
        tick = np.diag(_TICK * np.where(move < 0, -1.0, 1.0) * np.maximum(1.0, np.abs(move)))
        before, *after = rough.away_if_moved(xy, move + np.vstack([np.zeros(5), tick]))
        return ((np.array(after) - before) / np.diag(tick)[:, None]).T

    fit = least_squares(away, np.zeros(5), jac=slope, loss="soft_l1", f_scale=_STRAY_MM, max_nfev=40)
    found = rough.moved(fit.x)
    return found if _is_corner(found) and found.turn * rough.turn > 0 else None


def _rough(xy: FloatArray, metal: bool) -> Corner | None:
    """The corner that a line's ends and the nearest it comes to where they would meet tell of."""
    end = max(4, len(xy) // 6)
    ends = xy[:end], xy[-end:]
    ways = np.array([math.atan2(*(part[-1] - part[0])[::-1]) for part in ends])
    corner = Corner(np.zeros(2), ways, 1.0, inside=True)
    if not _is_corner(corner):
        return None
    normal = _frame(ways, corner.turn)[1]
    offset = np.array([(part @ n).mean() for part, n in zip(ends, normal, strict=True)])
    gap = float(np.hypot(*(xy - np.linalg.solve(normal, offset)).T).min())
    # The arc comes as near to where the edges would meet as r (1 / cos(turn / 2) − 1).
    radius = float(np.clip(gap / max(1 / math.cos(corner.turn / 2) - 1, 0.02), 0.5, 15.0))
    return Corner(np.asarray(np.linalg.solve(normal, offset - radius), float), ways, radius, metal == (corner.turn > 0))


def best_corner(lit: Lit, view: View, sheet: Sheet, start: Corner) -> Corner | None:
    """The corner near a start whose rims explain the tone steps best; None where that is hardly a corner any more."""
    best = start
    for step, span, reach in _LEVELS:
        scores = _scores(lit, view, sheet, best, (span, reach))
        best = best.moved(_ascent(scores, step, span))
        if not _is_corner(best):
            return None
    return best


def _scores(
    lit: Lit, view: View, sheet: Sheet, corner: Corner, level: tuple[float, float]
) -> Callable[[FloatArray], FloatArray]:
    """What tells how well the corner moved by (G, 5) explains the picture, (G,)."""
    span, reach = level
    contour, room = corner.contour(sheet.height), 2 * span + _ROOM_MM
    wall = sheet.wall(view, contour)
    across = (-room - _DEEP_MM, max(float(wall.max()), 0.0) + room)
    strip = unroll(lit, view, contour, across, 0.3, 0.04, placed=False)
    near, sign = max(reach, _REACH_PX / strip.px_per_mm), -1.0 if corner.inside else 1.0

    def scores(moves: FloatArray) -> FloatArray:
        offsets = sign * corner.away_if_moved(contour.xy, moves)
        return np.asarray(contour_score(strip, sheet, offsets, wall, near, _DEEP_MM).mean(axis=1))

    return scores


def _ascent(scores: Callable[[FloatArray], FloatArray], step: float, span: float) -> FloatArray:
    """The move (5,) that scores most, by coordinate ascent."""
    ticks = np.arange(-span, span + 1e-9, step)[:, None]
    move, best = np.zeros(5), -np.inf
    for _ in range(_SWEEPS):
        before = best
        for direction in _MOVES:
            tried = move + ticks * direction
            told = scores(tried)
            top = int(told.argmax())
            if told[top] > best:
                move, best = tried[top], float(told[top])
        if best - before < _SETTLED:
            break
    return move
