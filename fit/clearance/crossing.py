"""How deep two parts cross, as far as points and their normals can tell.

A cloud has no inside. Where the fixed cloud has normals that point out of the metal, a moving point behind its nearest
fixed point lies in the metal; the largest such distance is the depth. Without normals nothing is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.clearance.spheretree import points_within
from fit.clearance.sweep import Scene, Sweep
from fit.points import FloatArray

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["Crossing", "find_crossings", "spacing_of"]

_MOST_POSES = 60
_MOST_POINTS = 3000
_ALONG_NORMAL = 0.7
_ROUND_THE_DEEPEST = 25.0


@dataclass(frozen=True, eq=False, slots=True)
class Crossing:
    """Position (index) at which the parts cross, depth (mm) and the deepest moving point (3,) mm in the fixed frame."""

    at: int
    depth: float
    point: FloatArray


def spacing_of(scene: Scene) -> tuple[float, float]:
    """Typical distance (mm) between neighbouring points of the fixed and the moving cloud: median over 500 of them."""
    from scipy.spatial import cKDTree

    found = []
    for tree in (scene.fixed_tree, scene.moving_tree):
        # neighbours share a leaf or the next one, so runs of the tree order are enough to search
        starts = np.linspace(0, max(0, len(tree.xyz) - 64), 16).astype(int)
        runs = [tree.xyz[start : start + 64] for start in starts]
        found.append(float(np.median(np.concatenate([cKDTree(run).query(run, k=2)[0][:, 1] for run in runs]))))
    return found[0], found[1]


def find_crossings(scene: Scene, swept: Sweep, near: float) -> list[Crossing]:
    """Positions at which the moving part reaches behind the fixed surface; empty without normals.

    near is the gap (mm) below which points alone cannot tell touching from crossing: the points' spacing.
    """
    if scene.fixed.normal is None:
        return []
    from scipy.spatial import cKDTree

    behind = _signed(scene, swept) < 0
    doubtful = np.flatnonzero(behind | (swept.gap < near))
    if not len(doubtful):
        return []
    chosen = doubtful[np.unique(np.linspace(0, len(doubtful) - 1, _MOST_POSES).astype(int))]
    index = cKDTree(scene.fixed_tree.xyz)
    normal = scene.fixed.normal[scene.fixed_tree.order]
    crossings = [_deepest(scene, swept, int(i), index, normal) for i in chosen]
    return [crossing for crossing in crossings if crossing is not None]


def _signed(scene: Scene, swept: Sweep) -> FloatArray:
    """Where each closest moving point lies along its fixed point's normal, mm; negative is behind the surface."""
    assert scene.fixed.normal is not None
    places = scene.fixed_tree.order[[pair.fixed for pair in swept.pairs]]
    signed = np.einsum("ij,ij->i", swept.moving_point - swept.fixed_point, scene.fixed.normal[places])
    return np.asarray(np.nan_to_num(signed))


def _deepest(scene: Scene, swept: Sweep, i: int, index: cKDTree, normal: FloatArray) -> Crossing | None:
    """The deepest moving point at one position: of a thin sample first, then of all points around the sample's deepest."""
    tree, (turn, shift) = scene.moving_tree, swept.motion.pose(i)
    reach = float(np.linalg.norm(np.ptp(tree.xyz, axis=0))) / _ROUND_THE_DEEPEST

    def depths(places: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        moved = tree.xyz[places] @ turn.T + shift
        return moved, _depth(moved, scene.fixed_tree.xyz, index, normal)

    sample = np.append(np.arange(0, len(tree.xyz), max(1, len(tree.xyz) // _MOST_POINTS)), swept.pairs[i].moving)
    rough = int(sample[np.argmax(depths(sample)[1])])
    around = points_within(tree, tree.xyz[rough], reach, _MOST_POINTS)
    moved, depth = depths(np.append(around, rough))
    deepest = int(np.argmax(depth))
    return Crossing(i, float(depth[deepest]), moved[deepest]) if depth[deepest] > 0 else None


def _depth(moved: FloatArray, fixed: FloatArray, index: cKDTree, normal: FloatArray) -> FloatArray:
    """How far (n,) mm each moved point lies straight behind its nearest fixed point; 0 where it does not."""
    distance, place = index.query(moved)
    behind = -np.einsum("ij,ij->i", moved - fixed[place], normal[place])
    return np.nan_to_num(np.where(behind > _ALONG_NORMAL * distance, behind, 0.0))
