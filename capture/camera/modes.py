"""Shared errors of a solved camera: its answer to each input, and the main directions of what corner noise does."""

from __future__ import annotations

import numpy as np

from capture.camera.adjust import Adjustment
from capture.camera.lens import see
from capture.camera.views import State, View, bench_corners
from fit.points import FloatArray

__all__ = ["camera_modes"]

_MODE_SHARE = 1e-4
"""Directions of corner noise with less than this share of its variance at the bench are left out."""


def camera_modes(solved: Adjustment, view: View) -> tuple[tuple[str, ...], FloatArray]:
    """Shared modes (K, 15) of the camera: its answer to each input, then what target and corner noise do to it.

    Flatness of the target (many small inputs alike) and corner noise come as main directions, largest first.
    """
    own = solved.state.shared
    camera = np.r_[0:9, own : own + 6]
    effect = _bench_effect(solved.state, view)
    is_flat = np.array([name in view.flat_names for name in solved.names])
    target = _main_directions(solved.responses[is_flat][:, camera].T, effect)
    corners = _main_directions(_root(solved.corner_cov[np.ix_(camera, camera)]), effect)
    names = (
        *(name for name, flat in zip(solved.names, is_flat, strict=True) if not flat),
        *(f"target:flat {i + 1}" for i in range(len(target))),
        *(f"corners:{i + 1}" for i in range(len(corners))),
    )
    return names, np.vstack([solved.responses[~is_flat][:, camera], target, corners])


def _main_directions(root: FloatArray, effect: FloatArray) -> FloatArray:
    """Rows (m, 15) with the covariance root @ rootᵀ, sorted by what they do at the bench; the negligible left out."""
    _, sizes, directions = np.linalg.svd(effect @ root, full_matrices=False)
    share = sizes**2 / max(float((sizes**2).sum()), 1e-300)
    return np.asarray((root @ directions[share > _MODE_SHARE].T).T)


def _root(cov: FloatArray) -> FloatArray:
    """A matrix L with L Lᵀ = cov, rows scaled first so that px and rad go together."""
    size = np.sqrt(np.maximum(np.diag(cov), 1e-300))
    values, vectors = np.linalg.eigh(cov / np.outer(size, size))
    return np.asarray(size[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _bench_effect(state: State, view: View) -> FloatArray:
    """(M, 15): how bench places around the target answer the camera, on the print and a tenth of its size above it."""
    flat = bench_corners(view, state, 0)
    low, high = flat.min(axis=0), flat.max(axis=0)
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 5).T), axis=-1).reshape(-1, 2)
    lift = 0.1 * float(np.hypot(*(high - low)))
    xyz = np.vstack([np.column_stack([grid, np.full(len(grid), z)]) for z in (0.0, lift)])
    _, by_camera, by_xyz = see(state.lens, state.rotations[0], state.translations[0], xyz)
    return np.asarray(np.linalg.solve(by_xyz[:, :, :2], by_camera)).reshape(-1, 15)
