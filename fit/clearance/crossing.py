"""How deep two parts cross, as far as points and their normals can tell.

A cloud has no inside. Where the fixed cloud has normals that point out of the metal, a moving point behind its nearest
fixed point lies in the metal; the largest such distance is the depth. Without normals nothing is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.clearance.sweep import Scene, Sweep
from fit.points import FloatArray

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["Crossing", "find_crossings", "spacing_of"]

_MOST_POSES = 60
_MOST_POINTS = 3000
_ALONG_NORMAL = 0.7


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
    turn, shift = swept.motion.pose(i)
    moved = scene.moving_tree.xyz @ turn.T + shift
    low, high = scene.fixed_tree.xyz.min(axis=0), scene.fixed_tree.xyz.max(axis=0)
    moved = moved[((moved >= low) & (moved <= high)).all(axis=1)]
    moved = np.concatenate([moved[:: max(1, len(moved) // _MOST_POINTS)], swept.moving_point[i : i + 1]])
    distance, place = index.query(moved)
    height = np.einsum("ij,ij->i", moved - scene.fixed_tree.xyz[place], normal[place])
    depth = np.where(-height > _ALONG_NORMAL * distance, -height, 0.0)
    deepest = int(np.argmax(np.nan_to_num(depth)))
    return Crossing(i, float(depth[deepest]), moved[deepest]) if depth[deepest] > 0 else None
