"""A chain of lines and arcs in a plane, given the natural way: a start, a heading, then lengths, curvatures and turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["Chain", "Layout", "chain_through", "layout", "locate", "unit", "wrap"]


@dataclass(frozen=True, eq=False, slots=True)
class Chain:
    """Lines and arcs end to end, tangent-continuous but where a joint is a corner.

    Attributes
    ----------
    start : (2,) mm. heading : radians, at the start.
    lengths : (K,) mm. curvatures : (K,) 1/mm, positive where the path turns left, 0 on a line.
    turns : (K,) radians, sudden change of heading at the start of each piece.
    arcs : (K,) whether a piece is an arc. corners : (K,) whether the joint before a piece is a sharp corner.
    closed : whether the last piece ends where the first starts.
    """

    start: FloatArray
    heading: float
    lengths: FloatArray
    curvatures: FloatArray
    turns: FloatArray
    arcs: NDArray[np.bool_]
    corners: NDArray[np.bool_]
    closed: bool = False

    def __len__(self) -> int:
        return len(self.lengths)


@dataclass(frozen=True, eq=False, slots=True)
class Layout:
    """Where a chain lies: joints (K + 1, 2), and the heading of each piece at its start and end (K,)."""

    joints: FloatArray
    before: FloatArray
    after: FloatArray


def unit(angle: FloatArray | float) -> FloatArray:
    """Unit vectors (..., 2) of headings."""
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def wrap(angle: FloatArray) -> FloatArray:
    """Angles brought into (−π, π]."""
    return np.pi - np.mod(np.pi - np.asarray(angle), 2 * np.pi)


def layout(chain: Chain) -> Layout:
    """Walk along the chain once."""
    bend = chain.curvatures * chain.lengths
    after = chain.heading + np.cumsum(bend + chain.turns)
    before = after - bend
    chord = chain.lengths * np.sinc(bend / (2 * np.pi))
    steps = chord[:, None] * unit(before + bend / 2)
    joints = chain.start + np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    return Layout(joints, before, after)


def locate(chain: Chain, at: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.int_]]:
    """Places (M, 2), headings (M,) and piece numbers (M,) at lengths along the chain (M,) mm from its start."""
    ends = np.cumsum(chain.lengths)
    piece = np.minimum(np.searchsorted(ends, at, side="left"), len(chain) - 1)
    where = layout(chain)
    along = at - (ends - chain.lengths)[piece]
    bend = chain.curvatures[piece] * along
    chord = along * np.sinc(bend / (2 * np.pi))
    place = where.joints[piece] + chord[:, None] * unit(where.before[piece] + bend / 2)
    return place, where.before[piece] + bend, piece


def chain_through(
    joints: FloatArray, curvatures: FloatArray, corners: NDArray[np.bool_], travelled: FloatArray, closed: bool
) -> Chain:
    """The chain with given joints (K + 1, 2) and curvatures (K,); what the headings do not match becomes turns.

    travelled : (K,) mm, rough length of each piece, which tells an arc beyond a half turn from its complement.
    """
    chord = np.diff(joints, axis=0)
    width = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)
    half = np.arcsin(np.minimum(np.abs(curvatures) * width / 2, 1.0))
    half = np.where(travelled > width * np.pi / 2, np.pi - half, half) * np.sign(curvatures)
    arcs = curvatures != 0
    curvatures = np.where(arcs, 2 * np.sin(half) / width, 0.0)
    lengths = width / np.sinc(half / np.pi)
    before = np.arctan2(chord[:, 1], chord[:, 0]) - half
    turns = wrap(before - np.roll(before + 2 * half, 1))
    turns[0] = 0.0
    return Chain(joints[0], float(before[0]), lengths, curvatures, turns, arcs, corners, closed)
