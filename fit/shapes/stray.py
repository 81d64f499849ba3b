"""Stray points: a seeded search for the shape most points lie on, then which points do not belong to it.

Points are taken in and left out by the t test of their own distance at 1 % for the whole set (Bonferroni), each judged
with the spread and the shape found without it, until nothing changes.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.model import Model, distances, lengths
from fit.shapes.search import nearest_share, search
from fit.shapes.solve import Solution, solve
from fit.shapes.sums import blocks, drawn
from fit.uncertain import chi2_95, student_factor

__all__ = ["find_kept", "limit_of_distance"]

_ALPHA = 0.01
_MANY = 10_000
_ROUNDS = 20
_WIDER = 3.0
_LAW_POINTS = 500
"""Distances from which on their law tells strays that are several times the noise apart, were they half of all."""
_SHARES = np.arange(1, 8) / 8
_EIGHTHS = np.array([NormalDist().inv_cdf(share) for share in _SHARES])
_EIGHTHS_OF_TWO = np.sqrt(-2 * np.log(1 - _SHARES))
"""Standard deviations below which so many of all distances lie: signed ones, and lengths of two (Rayleigh's law)."""
_ROUNDING = 1e-12
"""Spread of points that fit exactly, mm."""

Mask = NDArray[np.bool_]


def limit_of_distance(count: int, dof: float, residuals_per_point: int) -> float:
    """Distance in standard deviations that no one of `count` good points exceeds, with probability 99 %.

    Student's t for one distance per point, F(2, dof) for two (line and circle in space).
    """
    tail = _ALPHA / count
    if residuals_per_point == 2:
        return math.sqrt(-2 * math.log(tail)) if math.isinf(dof) else math.sqrt(dof * (tail ** (-2 / dof) - 1))
    return student_factor(dof, tail)


def find_kept(
    model: Model, rows: FloatArray, noise: FloatArray | None, weight: FloatArray | None
) -> tuple[Mask, Solution]:
    """Mask (N,) of the points that belong to the shape, and the fit of those.

    noise (N,) where known, else None; weight (N,) as the driver takes it.
    """
    if rows.shape[1] > _MANY:
        return _of_many(model, rows, noise, weight)
    everything = np.ones(rows.shape[1], bool)
    full = _plain(model, rows, weight)
    if full is not None and _looks_clean(model, full, rows, noise):
        return everything, full
    kept, inner = everything, None
    core = search(model, rows, noise, full)
    if core is not None:
        kept, inner = _settled(model, rows, noise, weight, core)
    if full is None:
        return (everything, _must(model, rows, weight)) if inner is None else (kept, inner)
    if inner is None or kept.all() or _clean(model, full, inner, rows, noise, kept):
        return everything, full
    return kept, inner


def _plain(model: Model, rows: FloatArray, weight: FloatArray | None) -> Solution | None:
    try:
        return _must(model, rows, weight)
    except CannotDetermine:
        return None


def _must(model: Model, rows: FloatArray, weight: FloatArray | None) -> Solution:
    return solve(model, None, rows, weight)


def _looks_clean(model: Model, full: Solution, rows: FloatArray, noise: FloatArray | None) -> bool:
    """True where no search is worth while: a known noise explains all, too few points, or a short tail.

    Where the noise is not known half the points may be stray: a shape with a cheap search is searched unless the plain
    fit's distances are so many, and so normal, that nothing else hides among them.
    """
    size = _sizes(full, noise)
    if model.per_point * len(size) < model.parameters + 3:
        return True
    if noise is not None:
        return _agrees(model, size)
    if _suspicious(model, size):
        return False
    if not hasattr(model, "sampled"):
        return True
    return _is_normal(model, full) and bool(_judged(model, full, rows, None, np.ones(len(size), bool)).all())


def _of_many(
    model: Model, rows: FloatArray, noise: FloatArray | None, weight: FloatArray | None
) -> tuple[Mask, Solution]:
    """Shape and spread from a part of the points, then all judged by them at once."""
    part = drawn(rows.shape[1], _MANY)
    few_noise, few_weight = (None if values is None else values[part] for values in (noise, weight))
    few, found = find_kept(model, np.ascontiguousarray(rows[:, part]), few_noise, few_weight)
    spread = _spread(model, found, None if few_noise is None else few_noise[few])
    spread = spread if noise is None else max(spread, 1.0)
    kept = np.empty(rows.shape[1], bool)
    limit = limit_of_distance(len(kept), math.inf, model.per_point) * spread
    for run in blocks(len(kept)):
        kept[run] = distances(model, found.state, rows[:, run], None if noise is None else noise[run]) <= limit
    if kept.all():
        return kept, solve(model, found.state, rows, weight)
    return kept, solve(model, found.state, rows[:, kept], None if weight is None else weight[kept])


def _sizes(solution: Solution, noise: FloatArray | None) -> FloatArray:
    return lengths(solution.residuals, noise)


def _agrees(model: Model, size: FloatArray) -> bool:
    """True where a known noise explains every distance of the plain fit."""
    dof = model.per_point * len(size) - model.parameters
    if size.max() > limit_of_distance(len(size), math.inf, model.per_point):
        return False
    return dof <= 0 or float(size @ size) / dof < 1 + 2.4 * math.sqrt(2 / dof)


def _suspicious(model: Model, size: FloatArray) -> bool:
    """True where the plain fit's distances have a longer tail than a normal law leaves."""
    dof = max(model.per_point * len(size) - model.parameters, 1)
    spread = math.sqrt(float(size @ size) / dof)
    if spread == 0:
        return False
    limit = min(limit_of_distance(len(size), math.inf, model.per_point), 0.7 * math.sqrt(len(size)))
    return float(size.max()) > limit * spread or float(np.median(size)) < 0.7 * 0.6745 * spread


def _is_normal(model: Model, full: Solution) -> bool:
    """True where distances that are many lie as a normal law has them, eighth by eighth (Kolmogorov's test on a grid)."""
    residuals = full.residuals[0] if model.per_point == 1 else lengths(full.residuals)
    count = len(residuals)
    if count < _LAW_POINTS:
        return False
    spread = math.sqrt(float(np.sum(full.residuals**2)) / (model.per_point * count - model.parameters))
    levels = _EIGHTHS if model.per_point == 1 else _EIGHTHS_OF_TWO
    shares = np.count_nonzero(residuals < spread * levels[:, None], axis=1) / count
    return float(np.abs(shares - _SHARES).max()) < 1 / math.sqrt(count)


def _settled(
    model: Model, rows: FloatArray, noise: FloatArray | None, weight: FloatArray | None, core: Any
) -> tuple[Mask, Solution | None]:
    """Points that hold together about a searched state; begun wider where only a lucky few of them do."""
    size = distances(model, core, rows, noise)
    reach = 2.5 * max(_core_spread(model, size), _ROUNDING) if noise is None else 4.0
    while True:
        kept, inner = _settle(model, rows, noise, weight, (core, size <= reach))
        # a few of few points may agree by luck as closely as you like, so it goes on until all are within
        if not reach < size.max() < math.inf or (inner is not None and _enough(model, kept, noise)):
            return kept, inner
        reach *= _WIDER


def _settle(
    model: Model,
    rows: FloatArray,
    noise: FloatArray | None,
    weight: FloatArray | None,
    start: tuple[Any, Mask],
) -> tuple[Mask, Solution | None]:
    """Take points in and out by the t test until nothing changes; no solution where too few points hold together."""
    state, kept = start
    found, used = None, kept
    for _ in range(_ROUNDS):
        if model.per_point * int(kept.sum()) < model.parameters + 2:
            return kept, None
        try:
            found = solve(model, state, rows[:, kept], None if weight is None else weight[kept])
        except CannotDetermine:
            return kept, None
        state, used = found.state, kept
        kept = _judged(model, found, rows, noise, used)
        if (kept == used).all():
            break
    return used, found


def _core_spread(model: Model, size: FloatArray) -> float:
    """Standard deviation from the distance below which the nearest 45 % lie, raised for few points (Rousseeuw 1984)."""
    count, nearest = len(size), nearest_share(model, len(size))
    share = (nearest + 0.5) / count
    middle = NormalDist().inv_cdf((1 + share) / 2) if model.per_point == 1 else math.sqrt(-2 * math.log(1 - share))
    free = max(model.per_point * count - model.parameters, 1)
    return float(np.partition(size, nearest)[nearest]) / middle * (1 + 5 / free)


def _judged(model: Model, found: Solution, rows: FloatArray, noise: FloatArray | None, kept: Mask) -> Mask:
    """Mask of the points whose distance the t test allows, seen from the fit of the kept ones."""
    count, per, members = rows.shape[1], model.per_point, int(kept.sum())
    residuals, jacobian = model.evaluate(found.state, rows)
    size = lengths(residuals, noise)
    dof = per * members - model.parameters
    square = float(np.sum(size[kept] ** 2)) / dof
    known = noise is not None and square <= chi2_95(dof) / dof
    spread = max(math.sqrt(square), _ROUNDING if noise is None else 1.0)
    if count > 1000:
        return np.asarray(size <= limit_of_distance(count, dof, per) * spread)
    flat = jacobian.reshape(len(jacobian), -1)
    leverage = np.sum((found.inverse @ flat * flat).reshape(-1, per, count), axis=(0, 1)) / per
    leverage = leverage if noise is None else leverage * (noise.min() / noise) ** 2
    outside = size / (spread * np.sqrt(1 + leverage))
    inside = size / (spread * np.sqrt(np.maximum(1 - leverage, 1e-9)))
    if known:
        return np.asarray(np.where(kept, inside, outside) <= limit_of_distance(count, math.inf, per))
    ratio = np.minimum(inside**2 / dof, 1 - 1e-12)
    inside = inside * np.sqrt((dof - 1) / dof / (1 - ratio)) if dof > 1 else np.zeros(count)
    limit_in = limit_of_distance(count, max(dof - 1, 1), per)
    return np.where(kept, inside <= limit_in, outside <= limit_of_distance(count, dof, per))


def _clean(
    model: Model, full: Solution, inner: Solution, rows: FloatArray, noise: FloatArray | None, kept: Mask
) -> bool:
    """True where leaving points out is not warranted: too few would stay, or the plain fit shows nothing amiss.

    The nearest of a few points are near by luck too: with few left the plain fit must spread much wider than they do,
    whatever the single distances say.
    """
    if not _enough(model, kept, noise):
        return True
    if noise is not None:
        return False
    free = model.per_point * int(kept.sum()) - model.parameters
    wide = _spread(model, full, None) > _room(len(kept), int(kept.sum()), free) * _spread(model, inner, None)
    if free < 10 or wide:
        return not wide
    return bool(_judged(model, full, rows, None, np.ones(len(kept), bool)).all())


def _enough(model: Model, kept: Mask, noise: FloatArray | None) -> bool:
    """True where the kept points carry 40 % of the degrees of freedom, 10 % where the noise is known."""
    free, all_free = (model.per_point * int(count) - model.parameters for count in (kept.sum(), len(kept)))
    return free >= max(2, (0.4 if noise is None else 0.1) * all_free)


def _room(count: int, members: int, free: int) -> float:
    """How much narrower than all points the luckiest choice of `members` among good ones spreads, in 1 of 200 sets.

    From the lower tail of χ², (x/2)^(ν/2) / Γ(ν/2 + 1), times the number of choices.
    """
    choices = math.lgamma(count + 1) - math.lgamma(members + 1) - math.lgamma(count - members + 1)
    tail = math.log(0.005) + math.lgamma(free / 2 + 1) - choices
    return max(math.sqrt(free / 2) * math.exp(-tail / free), 1.0)


def _spread(model: Model, solution: Solution, noise: FloatArray | None) -> float:
    size = _sizes(solution, noise)
    return math.sqrt(float(size @ size) / max(model.per_point * len(size) - model.parameters, 1))
