"""A tree of bounding spheres and flat discs over a cloud, and the exact closest pair of two of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fit.errors import InputError
from fit.points import FloatArray

__all__ = ["ClosestPair", "SphereTree", "build_tree", "closest_pair", "points_within"]

LEAF_POINTS = 16


@dataclass(frozen=True, eq=False, slots=True)
class SphereTree:
    """A complete binary tree of bounding spheres; node i has the children 2i+1 and 2i+2.

    Attributes
    ----------
    xyz : (N, 3) mm, the points in tree order; order : (N,) their places in the cloud as given.
    start : (M, 2) where each node's run of points starts and ends. centre : (M, 3) mm. radius : (M,) mm.
    normal : (M, 3) unit vector across which a node is flattest. thick : (M,) mm, how far its points lie from its
        centre along that.
    """

    xyz: FloatArray
    order: NDArray[np.int64]
    start: NDArray[np.int64]
    centre: FloatArray
    radius: FloatArray
    normal: FloatArray
    thick: FloatArray

    @property
    def arrays(self) -> tuple[FloatArray, NDArray[np.int64], FloatArray, FloatArray, FloatArray, FloatArray]:
        """What the compiled search takes."""
        return self.xyz, self.start, self.centre, self.radius, self.normal, self.thick

    def leaf_radius(self, i: int) -> float:
        """Radius (mm) of the smallest sphere that holds point i of the tree order; tells how dense the cloud is
        there.
        """
        leaves = self.level(len(self.radius))
        leaf = leaves.start + int(np.searchsorted(self.start[leaves.start :, 1], i, side="right"))
        return float(self.radius[leaf])

    def level(self, at_most: int) -> range:
        """The nodes of the deepest level that has no more than so many."""
        depth = min(int(math.log2(max(at_most, 1))), int(math.log2(len(self.radius) + 1)) - 1)
        return range(2**depth - 1, 2 ** (depth + 1) - 1)


@dataclass(frozen=True, slots=True)
class ClosestPair:
    """Smallest distance (mm) and the two points' places in tree order; -1 where none was nearer than asked."""

    distance: float
    fixed: int
    moving: int


def build_tree(xyz: ArrayLike, leaf: int = LEAF_POINTS) -> SphereTree:
    """Split a cloud (N, 3) into halves across its longest side until no part holds more than `leaf` points.

    Raises InputError for an empty cloud or one that holds NaN.
    """
    from fit.clearance import kernels

    cloud = np.ascontiguousarray(xyz, dtype=float)
    if cloud.ndim != 2 or cloud.shape[1] != 3 or len(cloud) == 0:
        message = f"The cloud must hold at least one point with x, y, z; got an array of shape {cloud.shape}."
        raise InputError(message)
    if not np.isfinite(cloud).all():
        message = "The cloud must hold finite numbers; got NaN or infinity. Remove those points."
        raise InputError(message)
    depth = max(0, math.ceil(math.log2(len(cloud) / leaf)))
    nodes = 2 ** (depth + 1) - 1
    order, start = np.arange(len(cloud)), np.zeros((nodes, 2), dtype=np.int64)
    start[0] = 0, len(cloud)
    kernels.split(cloud, order, start, depth)
    ordered = cloud[order]
    centre, radius = np.empty((nodes, 3)), np.empty(nodes)
    kernels.bound_spheres(ordered, start, centre, radius)
    normal, thick = np.empty((nodes, 3)), np.empty(nodes)
    kernels.bound_slabs(ordered, start, centre, normal, thick)
    return SphereTree(ordered, order, start, centre, radius, normal, thick)


def closest_pair(
    fixed: SphereTree,
    moving: SphereTree,
    pose: tuple[FloatArray, FloatArray],
    start: ClosestPair | None = None,
    roots: tuple[int, int] = (0, 0),
    below: float = math.inf,
) -> ClosestPair:
    """Exact smallest distance between a fixed cloud and a moved one, optionally of one node of each.

    pose is (rotation (3, 3), shift (3,) mm) applied to the moving cloud. `start` is a pair known from a neighbouring
    pose: its distance at this pose is the first upper bound, which is what makes a sweep quick. Where nothing is
    nearer than `below`, the places are -1.
    """
    from fit.clearance import kernels

    turn, shift = pose
    best = ClosestPair(below, -1, -1)
    if start is not None and start.fixed >= 0:
        apart = fixed.xyz[start.fixed] - (turn @ moving.xyz[start.moving] + shift)
        if (distance := float(np.linalg.norm(apart))) < below:
            best = ClosestPair(distance, start.fixed, start.moving)
    found = kernels.search(fixed.arrays, moving.arrays, (turn, shift), roots, best.distance)
    return ClosestPair(float(found[0]), int(found[1]), int(found[2])) if found[1] >= 0 else best


def points_within(tree: SphereTree, place: FloatArray, reach: float, at_most: int = 2000) -> NDArray[np.int64]:
    """Places in tree order of up to `at_most` points within `reach` mm of a place (3,)."""
    from fit.clearance import kernels

    found = np.empty(at_most, np.int64)
    return found[: kernels.within(tree.arrays, np.ascontiguousarray(place), float(reach), found)]
