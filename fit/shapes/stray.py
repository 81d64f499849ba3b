"""Stray points: a seeded search for the shape most points lie on, then which points do not belong to it.

Start: least median of squares over small samples (Rousseeuw 1984), or truncated squares (MSAC, Torr & Zisserman 2000)
where the noise is known. Then points are taken in and left out by the t test of their own distance at 1 % for the whole
set (Bonferroni), each judged with the spread and the shape found without it, until nothing changes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.solve import Model, Solution, solve

__all__ = ["find_kept", "limit_of_distance"]

_ALPHA = 0.01
_SAMPLES = 160
_SUBSET = 400
_HEAVY_SAMPLES = 16
_ROUNDS = 20

Mask = NDArray[np.bool_]
Builder = Callable[[], Any]
"""Builds a state only when asked for."""


def limit_of_distance(count: int, dof: float, residuals_per_point: int) -> float:
    """Distance in standard deviations that no one of `count` good points exceeds, with probability 99 %.

    Student's t for one distance per point, F(2, dof) for two (line and circle in space).
    """
    tail = _ALPHA / count
    if residuals_per_point == 2:
        return math.sqrt(-2 * math.log(tail)) if math.isinf(dof) else math.sqrt(dof * (tail ** (-2 / dof) - 1))
    normal = NormalDist().inv_cdf(1 - tail / 2)
    if dof > 400:
        return normal * (1 + (normal**2 + 1) / (4 * dof))
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1 - tail / 2))


def find_kept(model: Model, rows: FloatArray, noise: FloatArray | None, full: Solution | None) -> Mask:
    """Mask (N,) of the points that belong to the shape.

    noise is (N,) where known, else None; full is the fit of all points, or None where that failed.
    """
    everything = np.ones(rows.shape[1], bool)
    if full is not None and noise is not None and _agrees(model, full, noise):
        return everything
    if rows.shape[1] * _per_point(model) < model.parameters + 3:
        return everything
    if full is not None and not hasattr(model, "sampled") and not _suspicious(model, full, noise):
        return everything
    core = _search(model, rows, noise, full)
    if core is None:
        return everything
    kept, inner = _settle(model, rows, noise, core)
    if inner is None or kept.all() or (full is not None and _clean(model, full, inner, rows, noise, kept)):
        return everything
    return kept


def _per_point(model: Model) -> int:
    return int(getattr(model, "per_point", 1))


def _distance(model: Model, state: Any, rows: FloatArray, noise: FloatArray | None) -> FloatArray:
    residuals = model.evaluate(state, rows)[0]
    size = np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))
    return size if noise is None else size / noise


def _sizes(solution: Solution, noise: FloatArray | None) -> FloatArray:
    residuals = solution.residuals
    size = np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))
    return size if noise is None else size / noise


def _agrees(model: Model, full: Solution, noise: FloatArray) -> bool:
    """True where a known noise explains every distance of the plain fit."""
    size = _sizes(full, noise)
    dof = _per_point(model) * len(size) - model.parameters
    if size.max() > limit_of_distance(len(size), math.inf, _per_point(model)):
        return False
    return dof <= 0 or float(size @ size) / dof < 1 + 2.4 * math.sqrt(2 / dof)


def _suspicious(model: Model, full: Solution, noise: FloatArray | None) -> bool:
    """True where the plain fit's distances have a longer tail than a normal law leaves."""
    size = _sizes(full, noise)
    dof = max(_per_point(model) * len(size) - model.parameters, 1)
    spread = math.sqrt(float(size @ size) / dof)
    middle = 0.6745 if _per_point(model) == 1 else 1.1774
    if spread == 0:
        return False
    limit = 0.8 * limit_of_distance(len(size), dof, _per_point(model))
    return float(size.max()) > limit * spread or float(np.median(size)) < 0.8 * middle * spread


def _search(model: Model, rows: FloatArray, noise: FloatArray | None, full: Solution | None) -> Any | None:
    """State through most of the points, from small samples of a part of them; None where no sample gives one."""
    rng = np.random.default_rng(20261125)
    count = rows.shape[1]
    part = rng.permutation(count)[:_SUBSET] if count > _SUBSET else np.arange(count)
    seen, seen_noise = np.ascontiguousarray(rows[:, part]), None if noise is None else noise[part]
    states, sizes = _trials(model, seen, rng)
    if full is not None:
        near = _concentrated(model, full.state, seen)
        states, sizes = [*states, partial(_same, near)], [*sizes, _distance(model, near, seen, None)]
    if not states:
        return None
    table = np.asarray(sizes) if seen_noise is None else np.asarray(sizes) / seen_noise
    return states[int(np.argmin(_scores(model, table, noise is not None)))]()


def _same(state: Any) -> Any:
    return state


def _concentrated(model: Model, state: Any, rows: FloatArray) -> Any:
    """State after some rounds of refitting the nearest 60 % of the points (Rousseeuw & Van Driessen 1999)."""
    most = max((3 * rows.shape[1]) // 5, min(rows.shape[1], model.parameters + 2))
    for _ in range(6):
        near = np.argsort(_distance(model, state, rows, None), kind="stable")[:most]
        try:
            state = solve(model, state, rows[:, np.sort(near)]).state
        except CannotDetermine:
            return state
    return state


def _scores(model: Model, table: FloatArray, known: bool) -> FloatArray:
    """Score (K,) of distances (K, n), smaller is better."""
    if known:
        truncated = np.minimum(table, 3.0) ** 2
        scores = truncated.mean(axis=1)
        if scores.min() < 0.9 * 9.0:
            return np.asarray(scores)
    nearest = _nearest(model, table.shape[1])
    return np.asarray(np.partition(table, nearest, axis=1)[:, nearest])


def _nearest(model: Model, count: int) -> int:
    """Place in the order of distances that a search looks at: below the half, so that half may be stray."""
    return min(count - 1, max((45 * count) // 100, model.parameters + 1))


def _trials(model: Model, rows: FloatArray, rng: np.random.Generator) -> tuple[list[Builder], list[FloatArray]]:
    """States to be built and the distances (N,) of all points from each."""
    count = rows.shape[1]
    if hasattr(model, "sampled"):
        size = model.sample
        picks = np.argsort(rng.random((_SAMPLES, min(count, 48))), axis=1)[:, :size]
        if count > 48:
            picks = rng.integers(0, count, (_SAMPLES, size))
        state_of, distances = model.sampled(rows, picks)
        good = np.flatnonzero(np.isfinite(distances).all(axis=1))
        return [partial(state_of, i) for i in good], list(np.abs(distances[good]))
    states, sizes = [], []
    size = min(count, model.parameters + 3)
    for _ in range(_HEAVY_SAMPLES):
        pick = np.sort(rng.permutation(count)[:size])
        try:
            found = solve(model, model.start(rows[:, pick]), rows[:, pick]).state  # type: ignore[attr-defined]
        except (CannotDetermine, np.linalg.LinAlgError, FloatingPointError):
            continue
        states.append(partial(_same, found))
        sizes.append(_distance(model, found, rows, None))
    return states, sizes


def _settle(model: Model, rows: FloatArray, noise: FloatArray | None, core: Any) -> tuple[Mask, Solution | None]:
    """Take points in and out by the t test until nothing changes; no solution where too few points hold together."""
    per = _per_point(model)
    size = _distance(model, core, rows, noise)
    spread = _core_spread(model, size) if noise is None else 1.0
    kept = size <= (2.5 if noise is None else 4.0) * spread
    found, state = None, core
    for _ in range(_ROUNDS):
        if per * int(kept.sum()) < model.parameters + 2:
            return kept, None
        try:
            found = solve(model, state, rows[:, kept], None if noise is None else noise[kept] ** -2)
        except CannotDetermine:
            return kept, None
        state = found.state
        new = _judged(model, found, rows, noise, kept)
        if (new == kept).all():
            break
        kept = new
    return kept, found


def _core_spread(model: Model, size: FloatArray) -> float:
    """Standard deviation from the distance below which the nearest 45 % lie, raised for few points (Rousseeuw 1984)."""
    count, nearest = len(size), _nearest(model, len(size))
    share = (nearest + 0.5) / count
    middle = NormalDist().inv_cdf((1 + share) / 2) if _per_point(model) == 1 else math.sqrt(-2 * math.log(1 - share))
    free = max(_per_point(model) * count - model.parameters, 1)
    return float(np.partition(size, nearest)[nearest]) / middle * (1 + 5 / free)


def _judged(model: Model, found: Solution, rows: FloatArray, noise: FloatArray | None, kept: Mask) -> Mask:
    """Mask of the points whose distance the t test allows, seen from the fit of the kept ones."""
    count, per, members = rows.shape[1], _per_point(model), int(kept.sum())
    residuals, jacobian = model.evaluate(found.state, rows)
    size = np.sqrt(np.sum(residuals**2, axis=0)) if per > 1 else np.abs(residuals[0])
    size = size if noise is None else size / noise
    dof = per * members - model.parameters
    spread = math.sqrt(float(np.sum(size[kept] ** 2)) / dof)
    spread = spread if noise is None else max(spread, 1.0)
    if count > 1000:
        return np.asarray(size <= limit_of_distance(count, dof, per) * spread)
    leverage = np.einsum("prn,pq,qrn->n", jacobian, found.inverse, jacobian, optimize=True) / per
    leverage = leverage if noise is None else leverage / noise**2
    outside = size / (spread * np.sqrt(1 + leverage))
    inside = size / (spread * np.sqrt(np.maximum(1 - leverage, 1e-9)))
    ratio = np.minimum(inside**2 / dof, 1 - 1e-12)
    inside = inside * np.sqrt((dof - 1) / dof / (1 - ratio)) if dof > 1 else np.zeros(count)
    limit_in = limit_of_distance(count, max(dof - 1, 1), per)
    return np.where(kept, inside <= limit_in, outside <= limit_of_distance(count, dof, per))


def _clean(
    model: Model, full: Solution, inner: Solution, rows: FloatArray, noise: FloatArray | None, kept: Mask
) -> bool:
    """True where leaving points out is not warranted: too few would stay, or the plain fit shows nothing amiss.

    The nearest of a few points are near by luck too. So the kept ones must carry 40 % of the degrees of freedom; and
    with few left the plain fit must spread much wider than they do, whatever the single distances say.
    """
    per = _per_point(model)
    free, all_free = per * int(kept.sum()) - model.parameters, per * len(kept) - model.parameters
    if free < max(2, 0.4 * all_free):
        return True
    inner_noise = None if noise is None else noise[kept]
    wide = _spread(model, full, noise) > _room(len(kept), int(kept.sum()), free) * _spread(model, inner, inner_noise)
    if free < 10 or wide:
        return not wide
    return bool(_judged(model, full, rows, noise, np.ones(len(kept), bool)).all())


def _room(count: int, members: int, free: int) -> float:
    """How much narrower than all points the luckiest choice of `members` among good ones spreads, in 1 of 200 sets.

    From the lower tail of χ², (x/2)^(ν/2) / Γ(ν/2 + 1), times the number of choices.
    """
    choices = math.lgamma(count + 1) - math.lgamma(members + 1) - math.lgamma(count - members + 1)
    tail = math.log(0.005) + math.lgamma(free / 2 + 1) - choices
    return max(math.sqrt(free / 2) * math.exp(-tail / free), 1.0)


def _spread(model: Model, solution: Solution, noise: FloatArray | None) -> float:
    size = _sizes(solution, noise)
    return math.sqrt(float(size @ size) / max(_per_point(model) * len(size) - model.parameters, 1))
