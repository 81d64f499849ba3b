"""The smallest gap between a fixed and a moving part at every position of a motion, with its U95."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from fit.clearance.body import Body
from fit.clearance.gap_error import Dice, GapError, Side, gap_error, throw_dice
from fit.clearance.motion import Motion, rotation_about
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
    dice = throw_dice() if known else None
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
    shared = _shared_variance(scene, motion, i, pair) + _axis_variance(scene, motion, i, pair)
    return gap_error(sides, motion.pose(i), (pair.fixed, pair.moving), shared, dice)


def _along(scene: Scene, motion: Motion, i: int, pair: ClosestPair) -> FloatArray:
    turn, shift = motion.pose(i)
    apart = turn @ scene.moving_tree.xyz[pair.moving] + shift - scene.fixed_tree.xyz[pair.fixed]
    return np.asarray(apart / max(float(np.linalg.norm(apart)), 1e-12))


def _shared_variance(scene: Scene, motion: Motion, i: int, pair: ClosestPair) -> float:
    """Variance (mm²) from shared sources: the two points' moves along the gap, subtracted where both parts come from
    one capture; otherwise nobody knows whether they are the same error, and the worse reading is taken."""
    along = _along(scene, motion, i, pair)
    on_fixed = scene.fixed.shared_at(int(scene.fixed_tree.order[pair.fixed]))
    on_moving = scene.moving.shared_at(int(scene.moving_tree.order[pair.moving]))
    together = bool(scene.fixed.captures & scene.moving.captures)
    total = 0.0
    for name in {**on_fixed, **on_moving}:
        a = float(along @ on_fixed.get(name, np.zeros(3)))
        b = float(along @ (motion.turn[i] @ on_moving.get(name, np.zeros(3))))
        total += (b - a) ** 2 if together else max((b - a) ** 2, a * a + b * b)
    return total


def _axis_variance(scene: Scene, motion: Motion, i: int, pair: ClosestPair) -> float:
    """Variance (mm²) from a fitted hinge axis: derivative of the moved point along the gap by point and direction."""
    if motion.axis is None or motion.axis_cov is None:
        return 0.0
    along, start = _along(scene, motion, i, pair), scene.moving_tree.xyz[pair.moving]
    angle, axis, h = np.radians(motion.positions[i]), np.concatenate(motion.axis), 1e-6

    def moved(changed: FloatArray) -> float:
        turn = rotation_about(changed[3:] / np.linalg.norm(changed[3:]), angle)
        return float(along @ (changed[:3] + turn @ (start - changed[:3])))

    slope = np.array([(moved(axis + h * step) - moved(axis - h * step)) / (2 * h) for step in np.eye(6)])
    return float(slope @ motion.axis_cov @ slope)
