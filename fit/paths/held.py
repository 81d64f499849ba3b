"""Least squares whose unknowns must keep to conditions: which conditions a chain has, the step, the covariance."""

from __future__ import annotations

import numpy as np

from fit.paths.chain import Chain, Layout, unit, wrap
from fit.points import FloatArray

__all__ = ["held_covariance", "hold", "solve_held"]


def hold(chain: Chain, where: Layout, table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Conditions that every chain meets: an open one does not slide along itself, a closed one meets its start."""
    p = table.shape[1]
    if not chain.closed:
        row = np.zeros((1, p))
        row[0, :2] = unit(chain.heading)
        return row, np.zeros(1)
    end = where.joints[-1]
    if len(chain) == 1:  # a full circle: it closes by its turn, and may not slide along itself
        rows = np.zeros((2, p))
        rows[0, :2], rows[1] = unit(chain.heading), table[2]
        rows[1, 2] -= 1.0
        return rows, np.array([0.0, float(wrap(where.after[-1] - chain.heading))])
    rows = np.stack([table[0] - table[2] * end[1], table[1] + table[2] * end[0], table[2]])
    rows[0, 0] -= 1.0
    rows[1, 1] -= 1.0
    rows[2, 2] -= 1.0
    misfit = np.array([*(end - chain.start), float(wrap(where.after[-1] - chain.heading))])
    return (rows[:2], misfit[:2]) if chain.corners[0] else (rows, misfit)


def solve_held(
    normal: FloatArray, gradient: FloatArray, rows: FloatArray, misfit: FloatArray, damping: float = 0.0
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Step of the held least-squares problem, the covariance of its unknowns, and the pulls of its conditions.

    Columns are scaled to unit size. Pulls: λ (C,) and S (C, C) such that to meet conditions that are off by c costs
    χ² 2 λ c + c S c.
    """
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-12 * np.diag(normal).max() + 1e-300))
    held = rows * scale
    size = np.linalg.norm(held, axis=1)
    held, target = held / size[:, None], misfit / size
    p, c = len(scale), len(held)
    system = np.zeros((p + c, p + c))
    system[:p, :p] = normal * scale[:, None] * scale
    system[np.arange(p), np.arange(p)] += damping
    system[:p, p:], system[p:, :p] = held.T, held
    try:
        inverse = np.linalg.inv(system)
    except np.linalg.LinAlgError:  # two unknowns do the same: either may take the move
        inverse = np.linalg.pinv(system, rcond=1e-12, hermitian=True)
    found = inverse @ np.concatenate([gradient * scale, -target])
    pulls = found[p:] / size, -inverse[p:, p:] / size[:, None] / size
    return found[:p] * scale, inverse[:p, :p] * scale[:, None] * scale, pulls


def held_covariance(normal: FloatArray, rows: FloatArray) -> FloatArray:
    """Covariance (P, P) of a least-squares problem whose unknowns may only move along the null space of the conditions.

    Symmetric and never negative, also where a number is hardly known.
    """
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-12 * np.diag(normal).max() + 1e-300))
    held = (rows * scale).T
    free = np.linalg.qr(held / np.linalg.norm(held, axis=0), mode="complete")[0][:, len(rows) :]
    size, turned = np.linalg.eigh(free.T @ (normal * scale[:, None] * scale) @ free)
    root = free @ (turned / np.sqrt(np.maximum(size, 1e-13 * size[-1]))) * scale[:, None]
    return root @ root.T
