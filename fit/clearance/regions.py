"""Smallest gap of each region of the moving part over the whole motion, and of each patch at the tightest position."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.clearance.spheretree import ClosestPair, SphereTree, build_tree, closest_pair
from fit.clearance.sweep import Scene, Sweep
from fit.points import FloatArray

__all__ = ["Region", "patch_gaps", "region_gaps"]

_REGIONS = 8
_PATCHES = 2048


@dataclass(frozen=True, eq=False, slots=True)
class Region:
    """A region of the moving part: its name, its middle (3,) mm as given, its smallest gap (mm), where in the
    motion, the two points (3,) mm in the fixed part's frame, and the fixed piece that is nearest."""

    name: str
    middle: FloatArray
    gap: float
    at: int
    fixed_point: FloatArray
    moving_point: FloatArray
    nearest: str


def region_gaps(scene: Scene, swept: Sweep) -> list[Region]:
    """Smallest gap of each named piece, or of eight compact regions where the moving part has one piece only.

    Positions are tried from the tightest on; a region is done when no position left can be tighter than what it has.
    """
    order = np.argsort(swept.gap, kind="stable")
    return [_region(scene, swept, order, name, tree, node, places) for name, tree, node, places in _pieces(scene)]


def _pieces(scene: Scene) -> Iterator[tuple[str, SphereTree, int, FloatArray]]:
    """Name, tree, node and points of each region of the moving part."""
    body = scene.moving
    if len(body.parts) > 1:
        for k, name in enumerate(body.parts):
            xyz = body.xyz[body.part == k]
            yield name, build_tree(xyz), 0, xyz
        return
    tree = scene.moving_tree
    for i, node in enumerate(tree.level(_REGIONS)):
        first, last = tree.start[node]
        yield f"region {i + 1}", tree, node, tree.xyz[first:last]


def _region(
    scene: Scene, swept: Sweep, order: NDArray[np.int64], name: str, tree: SphereTree, node: int, places: FloatArray
) -> Region:
    best, at, pair = math.inf, 0, ClosestPair(math.inf, 0, 0)
    for i in order:
        if swept.gap[i] >= best:
            break
        found = closest_pair(
            scene.fixed_tree, tree, swept.motion.pose(i), pair if pair.distance < math.inf else None, (0, node), best
        )
        if found.fixed >= 0 and found.distance < best:
            best, at, pair = found.distance, int(i), found
    turn, shift = swept.motion.pose(at)
    piece = scene.fixed.parts[scene.fixed.part[scene.fixed_tree.order[pair.fixed]]]
    fixed_point, moving_point = scene.fixed_tree.xyz[pair.fixed], turn @ tree.xyz[pair.moving] + shift
    return Region(name, places.mean(axis=0), best, at, fixed_point, moving_point, piece)


def patch_gaps(
    fixed: SphereTree, moving: SphereTree, pose: tuple[FloatArray, FloatArray], farthest: float
) -> FloatArray:
    """Gap (N,) mm of each moving point in tree order, taken patch by patch; `farthest` where nothing is nearer."""
    gaps = np.full(len(moving.xyz), farthest)
    for node in moving.level(_PATCHES):
        first, last = moving.start[node]
        gaps[first:last] = closest_pair(fixed, moving, pose, None, (0, node), farthest).distance
    return gaps
