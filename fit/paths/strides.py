"""One damped step of many chains at once, from the running sums of their points: see `refine` for one chain alone."""

from __future__ import annotations

import numpy as np

from fit.paths.ranks import Bools, Ints, Ranks, misfit
from fit.points import FloatArray

__all__ = ["MET", "cost", "steps"]

MET = 1e-6
"""Misfit of a condition, mm or radians, that counts as none."""

Pulls = tuple[FloatArray, FloatArray]


def cost(now: Ranks, pulls: Pulls) -> FloatArray:
    """χ² with what it costs to meet the conditions again: see `refine`."""
    if not now.closed.any():
        return now.chi2
    off = misfit(now)
    return now.chi2 + (off * (2 * pulls[0] + (pulls[1] @ off[..., None])[..., 0])).sum(axis=1)


def steps(now: Ranks, damping: FloatArray) -> tuple[FloatArray, Bools, FloatArray, Pulls]:
    """One damped step (R, P) each, whether joints were tangent so that χ² may judge it, the fall of χ² that it promises
    (R,), and the conditions' pulls (R, 3) and (R, 3, 3)."""
    u, k = now.unknowns, now.real.shape[1]
    table, full = _columns(now)
    turns = u[:, 5::3]
    slack = (turns != 0) & ~now.corners & now.real
    known = np.zeros_like(u)
    known[:, 5::3] = np.where(slack, -turns, 0.0)
    rows, off = _held(now, table), misfit(now)
    tangent = np.abs(known).max(axis=1) < MET
    index, valid = _free(now)
    basis = _basis(now)
    m4 = basis @ now.moments @ basis.swapaxes(2, 3)
    pull = (basis @ (now.moments @ now.circle[..., None]))[..., 0]
    if slack.any():
        pull = pull + (m4 @ (full @ known[:, None, :, None]))[..., 0]
        off = off + (rows @ known[..., None])[..., 0]
    r, p = u.shape
    flat = np.take_along_axis(full.reshape(r, 4 * k, p), index[:, None, :], axis=2) * valid[:, None, :]
    f = index.shape[1]
    weighed = (m4 @ flat.reshape(r, k, 4, f)).reshape(r, 4 * k, f)
    turned = flat.swapaxes(1, 2)
    normal, gradient = turned @ weighed, (turned @ pull.reshape(r, 4 * k, 1))[..., 0]
    held = np.take_along_axis(rows, index[:, None, :], axis=2) * valid[:, None, :]
    found, pulls = _solved((normal, gradient), (held, off), damping, valid)
    step = np.zeros_like(u)
    np.put_along_axis(step, index, found * valid, axis=1)
    return step + known, tangent, -(gradient * found).sum(axis=1), pulls


def _solved(
    pull: tuple[FloatArray, FloatArray], hold: tuple[FloatArray, FloatArray], damping: FloatArray, valid: Bools
) -> tuple[FloatArray, Pulls]:
    """Steps (R, F) of held least-squares problems with columns scaled to unit size, and the conditions' pulls."""
    (normal, gradient), (held, off) = pull, hold
    r, f = gradient.shape
    diagonal = np.einsum("rii->ri", normal)
    scale = 1 / np.sqrt(np.maximum(diagonal, 1e-12 * diagonal.max(axis=1, keepdims=True) + 1e-300)) * valid
    held = held * scale[:, None, :]
    size = np.sqrt((held * held).sum(axis=2))
    there = size > 0
    size = np.where(there, size, 1.0)
    held = held / size[..., None]
    system = np.zeros((r, f + 3, f + 3))
    system[:, :f, :f] = normal * scale[:, :, None] * scale[:, None, :]
    own = np.einsum("rii->ri", system)
    own[:, :f] += np.where(valid, damping[:, None], 1.0)
    own[:, f:] = np.where(there, 0.0, 1.0)
    system[:, :f, f:], system[:, f:, :f] = held.swapaxes(1, 2), held
    right = np.zeros((r, f + 3, 4))
    right[:, :f, 0], right[:, f:, 0] = -gradient * scale, np.where(there, -off / size, 0.0)
    right[:, f:, 1:] = np.eye(3)
    right[~np.isfinite(right)] = 0.0
    system[~np.isfinite(system)] = 0.0
    found = np.linalg.solve(system, right)
    low = found[:, f:] / size[..., None] * there[..., None]
    return found[:, :f, 0] * scale, (low[..., 0], -low[..., 1:] / size[:, None, :])


def _free(now: Ranks) -> tuple[Ints, Bools]:
    """Places (R, F) of the free unknowns, and which of these a chain has."""
    r, k = now.real.shape
    free = np.ones((r, 3 + 3 * k), dtype=bool)
    free[:, 3::3], free[:, 4::3], free[:, 5::3] = now.real, now.arcs, now.corners & now.real
    free[:, 5] = False
    free[np.arange(r), 3 * now.count] = now.closed
    most = int(free.sum(axis=1).max())
    index = np.argsort(~free, axis=1, kind="stable")[:, :most]
    return index, np.take_along_axis(free, index, axis=1)


def _columns(now: Ranks) -> tuple[FloatArray, FloatArray]:
    """Each unknown's effect downstream (R, 3, P), and by piece (R, K, 4, P): see `refine.columns`."""
    u = now.unknowns
    r, k = now.real.shape
    lengths, kappa = u[:, 3::3], u[:, 4::3]
    qx, qy, px, py = now.joints[:, 1:, 0], now.joints[:, 1:, 1], now.joints[:, :-1, 0], now.joints[:, :-1, 1]
    half = kappa * lengths / 2
    mid = now.before + half
    sinc, cos, sin = np.sinc(half / np.pi), np.cos(mid), np.sin(mid)
    slope = np.where(np.abs(half) < 1e-4, -half / 3, (np.cos(half) - sinc) / np.where(half == 0, 1.0, half))
    area = 0.5 * lengths**2
    table = np.zeros((r, 3, 3 + 3 * k))
    table[:, 0, 0] = table[:, 1, 1] = table[:, 2, 2] = 1.0
    table[:, 0, 2], table[:, 1, 2] = u[:, 1], -u[:, 0]
    table[:, 0, 3::3], table[:, 1, 3::3] = np.cos(now.after) + kappa * qy, np.sin(now.after) - kappa * qx
    table[:, 0, 4::3] = area * (slope * cos - sinc * sin) + lengths * qy
    table[:, 1, 4::3] = area * (slope * sin + sinc * cos) - lengths * qx
    table[:, 2, 3::3], table[:, 2, 4::3] = kappa, lengths
    table[:, 0, 5::3], table[:, 1, 5::3], table[:, 2, 5::3] = py, -px, 1.0
    reach = np.zeros((k, 3 + 3 * k))
    reach[:, :3] = 1.0
    later = np.tri(k, k, -1)
    reach[:, 3::3], reach[:, 4::3], reach[:, 5::3] = later, later, later + np.eye(k)
    full = np.zeros((r, k, 4, 3 + 3 * k))
    full[:, :, :3] = table[:, None] * reach[None, :, None]
    full[:, np.arange(k), 3, 4 + 3 * np.arange(k)] = 1.0
    return table, full


def _basis(now: Ranks) -> FloatArray:
    """What a move in x, in y, a turn about the origin and a change of curvature do to each circle (R, K, 4, 4)."""
    c, kappa = now.circle, now.unknowns[:, 4::3]
    px, py = now.joints[:, :-1, 0], now.joints[:, :-1, 1]
    out = np.zeros((*c.shape, 4))
    out[..., 0, 0], out[..., 0, 1] = -c[..., 1], kappa
    out[..., 1, 0], out[..., 1, 2] = -c[..., 2], kappa
    out[..., 2, 1], out[..., 2, 2] = -c[..., 2], c[..., 1]
    out[..., 3, 0], out[..., 3, 1], out[..., 3, 2], out[..., 3, 3] = -(px * px + py * py) / 2, px, py, -0.5
    return out


def _held(now: Ranks, table: FloatArray) -> FloatArray:
    """Up to three conditions (R, 3, P), rows of nought where a chain has fewer: it does not slide along itself, or closes."""
    u = now.unknowns
    rows = np.zeros((len(u), 3, u.shape[1]))
    rows[:, 0, 0], rows[:, 0, 1] = np.cos(u[:, 2]), np.sin(u[:, 2])
    which = np.flatnonzero(now.closed)
    if len(which):
        t, end = table[which], now.joints[which, now.count[which]]
        rows[which, 0] = t[:, 0] - t[:, 2] * end[:, 1:2]
        rows[which, 1] = t[:, 1] + t[:, 2] * end[:, 0:1]
        rows[which, 2] = t[:, 2]
        rows[which[:, None], np.arange(3), np.arange(3)] -= 1.0
        rows[which[now.corners[which, 0]], 2] = 0.0
    return rows
