"""The smallest gap between a fixed and a moving part at every position of a motion, with its U95."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from fit.clearance.body import Body
from fit.clearance.gap_error import Dice, GapError, Side, gap_error, throw_dice
from fit.clearance.motion import Motion
from fit.clearance.shared_moves import pair_moves
from fit.clearance.spheretree import ClosestPair, SphereTree, build_tree, closest_pair
from fit.points import FloatArray

__all__ = ["Scene", "Sweep", "make_scene", "sweep"]


@dataclass(frozen=True, eq=False, slots=True)
class Scene:
    """Both parts with their trees, ready to be moved."""

    fixed: Body
    moving: Body
    fixed_tree: SphereTree
    moving_tree: SphereTree

    @property
    def sides(self) -> tuple[Side, Side]:
        """Trees with the noise of each point in tree order."""
        return (
            Side(self.fixed_tree, self.fixed.noise[self.fixed_tree.order]),
            Side(self.moving_tree, self.moving.noise[self.moving_tree.order]),
        )


@dataclass(frozen=True, eq=False, slots=True)
class Sweep:
    """Smallest gaps along a motion.

    Attributes
    ----------
    motion : the poses. gap : (P,) mm. pairs : the closest points' places in tree order, one pair a pose.
    fixed_point, moving_point : (P, 3) mm, the closest points in the fixed part's frame.
    errors : U95 of each gap, None where the noise is not known.
    """

    motion: Motion
    gap: FloatArray
    pairs: tuple[ClosestPair, ...]
    fixed_point: FloatArray
    moving_point: FloatArray
    errors: tuple[GapError | None, ...]

    @property
    def tightest(self) -> int:
        """Index of the position with the smallest gap."""
        return int(np.argmin(self.gap))


def make_scene(fixed: Body, moving: Body) -> Scene:
    """Build the trees of both parts."""
    return Scene(fixed, moving, build_tree(fixed.xyz), build_tree(moving.xyz))


def sweep(scene: Scene, motion: Motion, progress: Callable[[Iterable[int]], Iterable[int]] = iter) -> Sweep:
    """Exact smallest distance (mm) between the two clouds at every pose, each search started from the pose before.

    The true gap that U95 stands for is defined in `fit.clearance.gap_error`. Errors that both parts share through one
    capture cancel to first order (JCGM 100:2008, 5.2); a fitted hinge axis adds its own.
    """
    pairs: list[ClosestPair] = []
    errors: list[GapError | None] = []
    pair: ClosestPair | None = None
    sides = scene.sides
    known = not (np.isnan(sides[0].noise).all() or np.isnan(sides[1].noise).all())
    dice = throw_dice(len(scene.fixed.shared_names) + len(scene.moving.shared_names) + 6) if known else None
    for i in progress(range(len(motion.positions))):
        pair = closest_pair(scene.fixed_tree, scene.moving_tree, motion.pose(i), pair)
        pairs.append(pair)
        errors.append(None if dice is None else _error(scene, sides, motion, i, pair, dice))
    fixed_point = np.array([scene.fixed_tree.xyz[p.fixed] for p in pairs])
    moving_point = np.array(
        [
            turn @ scene.moving_tree.xyz[p.moving] + shift
            for p, turn, shift in zip(pairs, motion.turn, motion.shift, strict=True)
        ]
    )
    gap = np.array([p.distance for p in pairs])
    return Sweep(motion, gap, tuple(pairs), fixed_point, moving_point, tuple(errors))


def _error(
    scene: Scene, sides: tuple[Side, Side], motion: Motion, i: int, pair: ClosestPair, dice: Dice
) -> GapError | None:
    moves = pair_moves(scene, motion, i, (pair.fixed, pair.moving))
    return gap_error(sides, motion.pose(i), pair, moves, dice)
