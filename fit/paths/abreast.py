"""Many short chains fitted abreast to runs of one edge: the same steps as `refine`, in far fewer calls.

A search fits hundreds of readings, each of a few pieces and points, so that what a fit costs is the number of calls and
not the arithmetic. Here all readings of a round take each step together, and a piece is known by its points' running sums
alone: its misfit is that of f = (1, x, y, x² + y²) · c, the circle's power over its diameter, which is the distance d
less κ d²/2 (V. Pratt, Computer Graphics 21 (1987) 145). For weighing readings that is as good; what is kept in the end is
fitted by distance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fit.paths.chain import wrap
from fit.paths.draft import Draft
from fit.paths.ranks import SQUEEZED, Bools, Ints, Ranks, misfit, moved, seen
from fit.paths.strides import MET, cost, steps
from fit.paths.sums import Sums
from fit.points import FloatArray

__all__ = ["fit_abreast"]

_ROUNDS, _HEAVY, _LOST = 8, 1e-3, 1e4
_NEARLY = 1e-3
"""mm by which a chain that has not settled may fail to close."""


def fit_abreast(
    sums: Sums, drafts: Sequence[Draft], starts: Sequence[int], hopeless: FloatArray, settle: float = 0.01
) -> Ranks:
    """Fit each draft to the points from its start on, by Levenberg-Marquardt; tangent and closing joints hold exactly.

    settle : a further fall of χ² below this is taken without the step. hopeless : (R,) a chain whose χ² stays above its
    own is given up.
    """
    out = _begun(sums, drafts, starts)
    alive = np.arange(len(drafts))
    now, damping, limit = out.rows(alive), np.full(len(alive), 1e-6), hopeless
    for turn in range(_ROUNDS):
        if not len(alive):
            break
        end, damping = _stepped(sums, now, damping, settle, limit if turn > 2 else np.full(len(alive), np.inf))
        if turn == _ROUNDS - 1:
            end[:] = True
            now.good &= ~(np.abs(now.unknowns[:, 5::3]) * (now.real & ~now.corners) > MET).any(axis=1)
            now.good &= np.abs(misfit(now)).max(axis=1) < _NEARLY
        if end.any():
            out.put(alive[end], now.rows(end))
            alive, now, damping, limit = alive[~end], now.rows(~end), damping[~end], limit[~end]
    out.good &= np.isfinite(out.chi2) & ((out.unknowns[:, 3::3] > SQUEEZED) | ~out.real).all(axis=1)
    out.joints += sums.middle
    return out


def _stepped(sums: Sums, now: Ranks, damping: FloatArray, settle: float, limit: FloatArray) -> tuple[Bools, FloatArray]:
    """Take one step of each chain where it lowers χ², in place; which chains are done with, and their next damping."""
    step, tangent, fall, pulls = steps(now, damping)
    met = tangent & (np.abs(misfit(now)).max(axis=1) < MET)
    gentle = damping < _HEAVY
    done = met & (fall < settle) & gentle
    trial = moved(sums, now, step)
    gain = cost(now, pulls) - cost(trial, pulls)
    there = np.abs(misfit(trial)).max(axis=1) < MET
    lost = ~trial.good & ~done
    worse = tangent & ~(gain >= 0) & trial.good & ~done
    near = worse & there & (-gain < settle) & gentle
    stuck = worse & ~near & (damping * 30 > _LOST)
    taken = (trial.good & ~worse & ~done) | near
    now.chi2 = np.where(done, now.chi2 - fall, now.chi2)
    now.put(np.flatnonzero(taken), trial.rows(taken))
    settled = near | (tangent & taken & there & (gain < settle))
    hopeless = taken & ~settled & (now.chi2 - 4 * np.where(taken, np.maximum(gain, 0.0), 0.0) > limit)
    now.good &= ~(lost | hopeless | (stuck & ~met))
    return done | lost | stuck | settled | hopeless, np.where(worse, np.maximum(damping * 30, _HEAVY), damping / 10)


def _begun(sums: Sums, drafts: Sequence[Draft], starts: Sequence[int]) -> Ranks:
    """Chains through the drafts' joints, with what is not known of them told from the points."""
    k = max(len(d.curvatures) for d in drafts)
    count = np.array([len(d.curvatures) for d in drafts])
    pad = [k - len(d.curvatures) for d in drafts]
    bounds = np.array([d.bounds + [d.bounds[-1]] * p for d, p in zip(drafts, pad, strict=True)])
    bounds += (np.array(starts) + sums.first)[:, None]
    curvatures = np.array([d.curvatures + [0.0] * p for d, p in zip(drafts, pad, strict=True)])
    corners = np.array([d.corners + [False] * p for d, p in zip(drafts, pad, strict=True)])
    nowhere = (np.nan, np.nan)
    places = [[j or nowhere for j in d.joints] + [nowhere] * p for d, p in zip(drafts, pad, strict=True)]
    joints = np.array(places) - sums.middle
    real = np.arange(k) < count[:, None]
    unknown = np.isnan(joints[:, :, 0])
    joints[unknown] = sums.joints(bounds[unknown])
    asked = np.isnan(curvatures)
    if asked.any():
        curvatures[asked] = sums.curvatures(bounds[:, :-1][asked], bounds[:, 1:][asked])
    closed = np.array([d.closed for d in drafts])
    unknowns = _through(joints, curvatures, _travelled(sums, bounds), real)
    arcs = (curvatures != 0) & real
    good = np.array(((np.diff(bounds, axis=1) >= 1) | ~real).all(axis=1))
    none = np.zeros(0)
    out = Ranks(count, real, arcs, corners, closed, unknowns, bounds, joints, none, none, none, none, none, good)
    return seen(sums, out)


def _travelled(sums: Sums, bounds: Ints) -> FloatArray:
    """Rough length (R, K) of each piece by nine of its points, so that noise does not lengthen it."""
    low = bounds[:, :-1]
    size = np.maximum(np.diff(bounds, axis=1), 2) - 1
    few = sums.xy[np.minimum(low[..., None] + size[..., None] * np.arange(9) // 8, len(sums.xy) - 1)]
    step = np.diff(few, axis=2)
    return np.hypot(step[..., 0], step[..., 1]).sum(axis=2)


def _through(joints: FloatArray, curvatures: FloatArray, travelled: FloatArray, real: Bools) -> FloatArray:
    """Unknowns of the chains with given joints and curvatures, as `chain_through` has them."""
    chord = np.diff(joints, axis=1)
    width = np.maximum(np.hypot(chord[..., 0], chord[..., 1]), 1e-9)
    half = np.arcsin(np.minimum(np.abs(curvatures) * width / 2, 1.0))
    half = np.where(travelled > width * np.pi / 2, np.pi - half, half) * np.sign(curvatures)
    before = np.arctan2(chord[..., 1], chord[..., 0]) - half
    turns = np.zeros_like(half)
    turns[:, 1:] = wrap(before[:, 1:] - (before + 2 * half)[:, :-1])
    out = np.zeros((len(joints), 3 + 3 * half.shape[1]))
    out[:, :2], out[:, 2] = joints[:, 0], before[:, 0]
    out[:, 3::3] = np.where(real, width / np.sinc(half / np.pi), 1.0)
    out[:, 4::3] = np.where(real & (curvatures != 0), 2 * np.sin(half) / width, 0.0)
    out[:, 5::3] = np.where(real, turns, 0.0)
    return out
