"""Rigid best fit between two sets of points that belong together, with covariance and leave-one-out check."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["Registration", "lever", "line_ratio", "register", "rotation_of"]

_ROUNDS = 50


@dataclass(frozen=True, eq=False, slots=True)
class Registration:
    """fixed ≈ rotation @ moving + translation.

    Attributes
    ----------
    rotation (3, 3), translation (3,) mm.
    pivot : (3,) mm, in the fixed frame; the pose step is (shift, turn) about it.
    cov : (6, 6) of the pose step, mm and rad, for the covariances given.
    residuals : (K, 3) rotation @ moving + translation − fixed, mm.
    """

    rotation: FloatArray
    translation: FloatArray
    pivot: FloatArray
    cov: FloatArray
    residuals: FloatArray

    def apply(self, xyz: FloatArray) -> FloatArray:
        """Moving points (N, 3) in the fixed frame."""
        return np.asarray(xyz @ self.rotation.T + self.translation)


def rotation_of(turn: ArrayLike) -> FloatArray:
    """Rotation matrix of a rotation vector (3,), rad (Rodrigues 1840); exact down to the smallest turns."""
    x, y, z = (float(v) for v in np.asarray(turn, float))
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = float(np.sqrt(x * x + y * y + z * z))
    first = float(np.sinc(angle / np.pi))
    second = 0.5 * float(np.sinc(angle / (2 * np.pi))) ** 2
    return np.eye(3) + first * skew + second * skew @ skew


def lever(xyz: FloatArray, pivot: FloatArray) -> FloatArray:
    """Moves (N, 3, 6) of points for a small pose step (shift, turn) about a pivot."""
    arm = np.asarray(xyz, float) - pivot
    moves = np.zeros((len(arm), 3, 6))
    moves[:, :, :3] = np.eye(3)
    moves[:, 0, 4], moves[:, 0, 5] = arm[:, 2], -arm[:, 1]
    moves[:, 1, 3], moves[:, 1, 5] = -arm[:, 2], arm[:, 0]
    moves[:, 2, 3], moves[:, 2, 4] = arm[:, 1], -arm[:, 0]
    return moves


def line_ratio(xyz: FloatArray) -> tuple[float, float]:
    """Rms spread across the best line through points, mm, and its ratio to the spread along it."""
    values = np.linalg.svd(xyz - xyz.mean(axis=0), compute_uv=False) / np.sqrt(len(xyz))
    across = float(np.hypot(values[1], values[2]))
    return across, across / float(values[0]) if values[0] > 0 else 0.0


def register(fixed: FloatArray, moving: FloatArray, cov: FloatArray | None = None) -> Registration:
    """Least-squares rigid fit, without scale or mirror.

    Parameters
    ----------
    fixed, moving : (K, 3) mm, row by row the same places. cov : (K, 3, 3) mm², covariance of each difference in the
        fixed frame; None weighs all alike with unit covariance.

    Start: singular value decomposition (Arun, Huang & Blostein 1987; sign rule of Umeyama 1991); with covariances
    Gauss-Newton on the pose follows. Raises CannotDetermine for fewer than three points or points in one line.
    """
    if len(fixed) < 3 or min(line_ratio(fixed)[1], line_ratio(moving)[1]) < 1e-6:
        message = f"A rigid fit needs three or more points that are not in one line; got {len(fixed)}."
        raise CannotDetermine(message)
    rotation = _kabsch(fixed, moving)
    translation = fixed.mean(axis=0) - rotation @ moving.mean(axis=0)
    pivot = fixed.mean(axis=0)
    weight = np.asarray(np.broadcast_to(np.eye(3), (len(fixed), 3, 3)) if cov is None else np.linalg.inv(cov), float)
    placed = moving @ rotation.T + translation
    for _ in range(_ROUNDS):
        arms, off = lever(placed, pivot), placed - fixed
        normal = np.einsum("kia,kij,kjb->ab", arms, weight, arms)
        step = -np.linalg.solve(normal, np.einsum("kia,kij,kj->a", arms, weight, off))
        turn = rotation_of(step[3:])
        turned, moved = turn @ rotation, turn @ (translation - pivot) + pivot + step[:3]
        placed = moving @ turned.T + moved
        if _weighed(placed - fixed, weight) > _weighed(off, weight) * (1 + 1e-9):
            # points that do not belong together at all: where it stands is as good a fit as another
            break
        rotation, translation = turned, moved
        if np.abs(step).max() < 1e-13 * (1 + np.abs(fixed).max()):
            break
    residuals = moving @ rotation.T + translation - fixed
    return Registration(rotation, translation, pivot, np.linalg.inv(normal), residuals)


def _weighed(off: FloatArray, weight: FloatArray) -> float:
    return float(np.einsum("ki,kij,kj->", off, weight, off))


def _kabsch(fixed: FloatArray, moving: FloatArray) -> FloatArray:
    u, _, vt = np.linalg.svd((fixed - fixed.mean(axis=0)).T @ (moving - moving.mean(axis=0)))
    sign = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    return np.asarray(u @ sign @ vt)
