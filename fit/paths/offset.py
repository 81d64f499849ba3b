"""A chain moved to its left or right by a given amount: radii updated, arcs that vanish left out, corners rounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.paths.chain import Chain, layout, unit, wrap
from fit.points import FloatArray

__all__ = ["OffsetChain", "offset_chain"]

_LEAST = 1e-9


@dataclass(frozen=True, eq=False, slots=True)
class OffsetChain:
    """The moved chain; origin (K',) is the piece of the first chain each comes from, −1 − j for the rounding of joint j.

    collapsed : pieces of the first chain that are too tight, or too short, to have an offset.
    """

    chain: Chain
    origin: NDArray[np.int_]
    collapsed: tuple[int, ...]


@dataclass(slots=True)
class _Piece:
    """One moved piece: start, heading there, curvature, length, and where it comes from."""

    start: FloatArray
    heading: float
    curvature: float
    length: float
    origin: int

    def at(self, s: float) -> FloatArray:
        bend = self.curvature * s
        return self.start + s * np.sinc(bend / (2 * np.pi)) * unit(self.heading + bend / 2)

    def heading_at(self, s: float) -> float:
        return self.heading + self.curvature * s


def offset_chain(chain: Chain, distance: float) -> OffsetChain:
    """Move a chain by `distance` mm, to its left where positive.

    An arc whose centre lies within the distance collapses, and its neighbours are brought to where they meet. A sharp
    corner becomes an arc about it on the outer side, and the meeting point on the inner side.
    Raises CannotDetermine where so much vanishes that neighbours no longer meet.
    """
    where = layout(chain)
    stretch = 1 - chain.curvatures * distance
    alive = stretch > 1e-9
    if not alive.any():
        message = f"Nothing is left of the path when it is moved by {abs(distance):g} mm; move it by less."
        raise CannotDetermine(message)
    across = unit(where.before + np.pi / 2)
    moved = [
        _Piece(
            where.joints[i] + distance * across[i],
            float(where.before[i]),
            float(chain.curvatures[i] / stretch[i]),
            float(chain.lengths[i] * stretch[i]),
            int(i),
        )
        for i in np.flatnonzero(alive)
    ]
    ends = list(zip(moved, moved[1:] + moved[:1], strict=True))
    pieces: list[_Piece] = []
    for left, right in ends if chain.closed else ends[:-1]:
        pieces.append(left)
        pieces += _joined(chain, left, right, distance)
    if not chain.closed:
        pieces.append(moved[-1])
    short = [p.origin for p in pieces if p.length <= _LEAST and p.origin >= 0]
    if short:
        number = short[0] + 1
        message = f"Piece {number} vanishes when the path is moved by {abs(distance):g} mm; move it by less."
        raise CannotDetermine(message)
    collapsed = tuple(int(i) for i in np.flatnonzero(~alive))
    return OffsetChain(_chain_of(pieces, chain.closed), np.array([p.origin for p in pieces]), collapsed)


def _joined(chain: Chain, left: _Piece, right: _Piece, distance: float) -> list[_Piece]:
    """Make two moved neighbours meet: trimmed, or with an arc about an outer corner between them."""
    joint = right.origin
    neighbours = (left.origin + 1) % len(chain) == joint
    turn = float(wrap(np.asarray(right.heading - left.heading_at(left.length))))
    if neighbours and not chain.corners[joint]:
        return []
    if neighbours and turn * distance < 0:
        start = left.at(left.length)
        kappa = -1 / distance
        return [_Piece(start, left.heading_at(left.length), kappa, turn / kappa, -1 - joint)]
    _trim(left, right)
    return []


def _trim(left: _Piece, right: _Piece) -> None:
    """Shorten two pieces to their meeting point, found by Newton steps from their near ends."""
    s, t = left.length, 0.0
    for _ in range(50):
        gap = right.at(t) - left.at(s)
        jacobian = np.stack([unit(left.heading_at(s)), -unit(right.heading_at(t))], axis=1)
        if abs(np.linalg.det(jacobian)) < 1e-12:
            break
        ds, dt = np.linalg.solve(jacobian, gap)
        s, t = s + float(ds), t + float(dt)
        if abs(ds) + abs(dt) < 1e-12:
            break
    if np.hypot(*(right.at(t) - left.at(s))) > 1e-6:
        message = f"Pieces {left.origin + 1} and {right.origin + 1} no longer meet when the path is moved so far."
        raise CannotDetermine(message)
    left.length = s
    right.start, right.heading, right.length = right.at(t), right.heading_at(t), right.length - t


def _chain_of(pieces: list[_Piece], closed: bool) -> Chain:
    heading = np.array([p.heading for p in pieces])
    lengths = np.array([p.length for p in pieces])
    curvatures = np.array([p.curvature for p in pieces])
    turns = wrap(heading - np.roll(heading + lengths * curvatures, 1))
    first_turn = turns[0]
    turns[0] = 0.0
    corners = np.abs(turns) > 1e-7
    corners[0] = closed and abs(first_turn) > 1e-7
    return Chain(pieces[0].start, float(heading[0]), lengths, curvatures, turns, curvatures != 0, corners, closed)
