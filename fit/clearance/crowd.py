"""What shared errors do to a smallest gap: all pieces that come near are moved together, and the smallest is taken anew.

Where one place alone is near, the gap answers to an error as that place does. Where many are equally near and face
different ways, as in a bowl in a bowl or under a plate that may lean, one of them comes nearer whichever way the part is
moved: the gap is found too small, never too large. How many are equally near cannot be read off the measured parts as
they stand, for the very errors in question have set them apart. So U95 is told for parts as level as these errors may
have hidden: the shared errors are found that bring what competes level, each held by its own standard uncertainty, and
taken back. Where nothing can be levelled, that changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.clearance.shared_moves import Moves
from fit.clearance.spheretree import ClosestPair, SphereTree
from fit.points import FloatArray

__all__ = ["Crowd", "crowd_of"]

_NODES = 512
_FEW = 2048
_REACH = 8.0
_ROUNDS = 12


@dataclass(frozen=True, eq=False, slots=True)
class Crowd:
    """Pieces of the moving part that may come nearest, as measured and in the levellest world.

    pair, moves : the closest pair, and what shared errors do to any pair.
    nodes : (n,) of the tree. farther : (n,) mm, how much farther each is off as measured than in the levellest world,
    the nearest of which is put as far off as the nearest measured.
    levelling : (K,) the shared errors that lead there, in standard uncertainties.
    misses : (D,) mm, how much too small shared errors make the gap look there. variance : mm², of a normal error besides.
    """

    pair: ClosestPair
    moves: Moves
    nodes: NDArray[np.int64]
    farther: FloatArray
    levelling: FloatArray
    misses: FloatArray
    variance: float

    def lift(self, points: NDArray[np.int64], side: int, along: FloatArray) -> FloatArray:
        """How much nearer (n,) mm along the gap the levelling brings points of side 0 or 1 than the closest pair."""
        pair = np.array([[self.pair.fixed], [self.pair.moving]])
        both = np.repeat(pair, len(points), axis=1)
        both[side] = points
        return -np.tensordot(self.levelling, (self.moves(*both) - self.moves(*pair)) @ along, 1)


def crowd_of(
    trees: tuple[SphereTree, SphereTree],
    pose: tuple[FloatArray, FloatArray],
    pair: ClosestPair,
    moves: Moves,
    draws: FloatArray,
    noise: float,
) -> Crowd:
    """Pieces about as near as the closest pair, and what draws (D, K or more) of the shared errors do to their gaps; noise
    (mm) is that of one pair."""
    nodes = np.array(trees[1].level(_NODES))
    farther, at_pair = np.zeros(len(nodes)), moves(np.array([pair.fixed]), np.array([pair.moving]))
    if len(at_pair) == 0:
        return Crowd(pair, moves, nodes, farther, np.zeros(0), np.zeros(1), 0.0)
    limit = pair.distance + 1e-9 + _REACH * _longest_move(trees, nodes, moves)
    near, gap, slope = _near(trees, pose, nodes, limit, moves)
    levelling = _levelling(gap, slope, noise)
    level = gap + slope @ levelling
    level += pair.distance - level.min()
    order = np.argsort(-level)
    farther[near[order]] = (gap - level)[order]
    moved = level[:, None] + slope @ draws[:, : slope.shape[1]].T
    nearest = np.unique(moved.argmin(axis=0))
    misses, variance = pair.distance - moved.min(axis=0), 0.0
    if len(nearest) == 1:
        misses, variance = np.zeros(1), float(np.sum(slope[nearest] ** 2))
    return Crowd(pair, moves, nodes, farther, levelling, misses, variance)


def _near(
    trees: tuple[SphereTree, SphereTree],
    pose: tuple[FloatArray, FloatArray],
    nodes: NDArray[np.int64],
    limit: float,
    moves: Moves,
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Pieces with anything nearer than limit, points where they are few, else nodes: the node of each (place in the list),
    its gap (n,) mm and its answer (n, K) mm to one standard uncertainty of each source."""
    from fit.clearance import world_kernels

    sides = trees[0].arrays, trees[1].arrays
    if len(trees[1].xyz) <= _FEW:
        gap, fixed = world_kernels.nearest_points(*sides, pose, limit)
        moving, node = np.arange(len(gap)), np.searchsorted(trees[1].start[nodes, 1], np.arange(len(gap)), side="right")
    else:
        gap, fixed, moving = world_kernels.nearest_pairs(*sides, pose, nodes, limit)
        node = np.arange(len(nodes))
    near = np.flatnonzero(fixed >= 0)
    gap, fixed, moving = gap[near], fixed[near], moving[near]
    apart = trees[1].xyz[moving] @ pose[0].T + pose[1] - trees[0].xyz[fixed]
    along = apart / np.maximum(np.linalg.norm(apart, axis=1, keepdims=True), 1e-12)
    return node[near], gap, np.einsum("knd,nd->nk", moves(fixed, moving), along)


def _levelling(gap: FloatArray, slope: FloatArray, noise: float) -> FloatArray:
    """Shared errors (K,) that would bring the pieces that compete level: least squares, each held by its own standard
    uncertainty.

    All pieces as far off as those that compete in the middle, or nearer, count fully, not the few that noise brought
    nearest; what lies farther counts less and less, first by as much as shared errors may have set pieces apart, then by
    noise alone.
    """
    z, spread = np.zeros(slope.shape[1]), float(np.sqrt(slope.var(axis=0).sum()))
    noise, middle = noise + 1e-12, float(gap.min()) + noise
    for left in np.linspace(1.0, 0.0, _ROUNDS + 1)[1:]:
        weight = np.exp(-0.5 * (np.maximum(gap + slope @ z - middle, 0.0) / math.hypot(noise, spread * left)) ** 2)
        share = weight / weight.sum()
        a, d = slope - share @ slope, gap - share @ gap
        z = _held((a.T * weight) @ a, -(a.T * weight) @ d, noise)
        middle = float(share @ (gap + slope @ z))
    return z


def _held(normal: FloatArray, wanted: FloatArray, noise: float) -> FloatArray:
    """Least squares of errors (K,) held by their own standard uncertainties as loosely as noise (mm) has it, and no looser
    than keeps the sum of their squares within three standard deviations of its mean (chi-square)."""
    size, ways = np.linalg.eigh(normal)
    wanted, held, most = (
        ways.T @ wanted,
        max(noise**2, 1e-9 * size[-1]),
        len(wanted) + 3.0 * math.sqrt(2.0 * len(wanted)),
    )
    while np.sum((z := wanted / (np.maximum(size, 0.0) + held)) ** 2) > most:
        held *= 1.5
    return np.asarray(ways @ z)


def _longest_move(trees: tuple[SphereTree, SphereTree], nodes: NDArray[np.int64], moves: Moves) -> float:
    """The longest move (mm) of one standard uncertainty of all sources together, over points all round."""
    on_moving = trees[1].start[nodes, 0]
    on_fixed = np.resize(trees[0].start[np.array(trees[0].level(len(nodes))), 0], len(on_moving))
    return float(np.sqrt((moves(on_fixed, on_moving) ** 2).sum(axis=(0, 2)).max()))
