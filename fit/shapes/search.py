"""Search for the shape that most points lie on, from small samples with a fixed seed.

Least median of squares (Rousseeuw 1984), or truncated squares (MSAC, Torr & Zisserman 2000) where the noise is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.model import Model, distances
from fit.shapes.solve import Solution, settled

__all__ = ["nearest_share", "search"]

_SAMPLES = 160
_MOST_SAMPLES = 6400
_SUBSET = 250
_HEAVY_SAMPLES = 16
_SAMPLE_ROUNDS = 8
_NEAR_ROUNDS = 2
_CONCENTRATIONS = 4
_MAJORITY = 0.75
"""Share of the points that settles it where they agree with one shape within three times their known noise."""
_MISS = 1e-5
"""Chance that no sample of all drawn holds good points only."""

Builder = Callable[[], Any]
"""Builds a state only when asked for."""


def search(model: Model, rows: FloatArray, noise: FloatArray | None, full: Solution | None) -> Any | None:
    """State through most of the points, from small samples of a part of them; None where no sample gives one."""
    rng = np.random.default_rng(20261125)
    count = rows.shape[1]
    part = rng.permutation(count)[:_SUBSET] if count > _SUBSET else np.arange(count)
    seen, seen_noise = np.ascontiguousarray(rows[:, part]), None if noise is None else noise[part]
    best, best_score, drawn, wanted = None, math.inf, 0, 1.0
    states, sizes = _near_full(model, seen, full)
    if sizes and seen_noise is not None and np.mean(sizes[0] < 3 * seen_noise) > _MAJORITY:
        return states[0]()
    while drawn < wanted:
        more, their_sizes = _sampled(model, seen, rng) if hasattr(model, "sampled") else _fitted(model, seen, rng)
        states, sizes = [*more, *states], [*their_sizes, *sizes]
        drawn += _SAMPLES
        if not states:
            continue
        table = np.asarray(sizes) if seen_noise is None else np.asarray(sizes) / seen_noise
        scores = _scores(model, table, seen_noise is not None)
        top = int(np.argmin(scores))
        if scores[top] < best_score:
            best, best_score = states[top], float(scores[top])
            wanted = _wanted(model, table[top]) if seen_noise is not None else 1.0
        states, sizes = [], []
    if best is None:
        return None
    # a shape through three points is off by several times their noise farther away; the nearest ones steady it
    return best() if noise is not None else _concentrated(model, best(), seen, nearest_share(model, seen.shape[1]) + 1)


def _near_full(model: Model, rows: FloatArray, full: Solution | None) -> tuple[list[Builder], list[FloatArray]]:
    """The fit of all points drawn to the nearest 60 % of them, as a trial."""
    if full is None:
        return [], []
    count = rows.shape[1]
    near = _concentrated(model, full.state, rows, max((3 * count) // 5, min(count, model.parameters + 2)))
    return [partial(_same, near)], [distances(model, near, rows)]


def _wanted(model: Any, size: FloatArray) -> float:
    """Samples to draw so that one of good points only is missed with a chance of 1 in 100,000."""
    if not hasattr(model, "sampled"):
        return 1.0
    good = float(np.mean(size < 3.0)) ** model.sample
    return min(math.log(_MISS) / math.log(1 - min(max(good, 1e-6), 0.99)), _MOST_SAMPLES)


def _sampled(model: Any, rows: FloatArray, rng: np.random.Generator) -> tuple[list[Builder], list[FloatArray]]:
    """Shapes straight through the fewest points that fix them."""
    count = rows.shape[1]
    picks = np.argsort(rng.random((_SAMPLES, min(count, 48))), axis=1)[:, : model.sample]
    if count > 48:
        picks = rng.integers(0, count, (_SAMPLES, model.sample))
    state_of, sizes = model.sampled(rows, picks)
    good = np.flatnonzero(np.isfinite(sizes).all(axis=1))
    return [partial(state_of, i) for i in good], list(np.abs(sizes[good]))


def _fitted(model: Model, rows: FloatArray, rng: np.random.Generator) -> tuple[list[Builder], list[FloatArray]]:
    """Shapes fitted to few points, where no closed form goes through them."""
    states: list[Builder] = []
    sizes: list[FloatArray] = []
    size = min(rows.shape[1], model.parameters + 3)
    for _ in range(_HEAVY_SAMPLES):
        pick = np.sort(rng.permutation(rows.shape[1])[:size])
        few = rows[:, pick]
        try:
            found = settled(model, model.start(few), few, _SAMPLE_ROUNDS)
        except (CannotDetermine, np.linalg.LinAlgError):
            continue
        away = distances(model, found, rows)
        if np.isfinite(away).all():
            states.append(partial(_same, found))
            sizes.append(away)
    return states, sizes


def _same(state: Any) -> Any:
    return state


def _concentrated(model: Model, state: Any, rows: FloatArray, most: int) -> Any:
    """State after some rounds of refitting the nearest `most` of the points (Rousseeuw & Van Driessen 1999)."""
    before = None
    for _ in range(_CONCENTRATIONS):
        near = np.sort(np.argpartition(distances(model, state, rows), most - 1)[:most])
        if before is not None and np.array_equal(near, before):
            break
        before, few = near, rows[:, near]
        closer = settled(model, state, few, _NEAR_ROUNDS)
        if not np.isfinite(distances(model, closer, few)).all():
            break
        state = closer
    return state


def _scores(model: Model, table: FloatArray, known: bool) -> FloatArray:
    """Score (K,) of distances (K, n), smaller is better."""
    if known:
        return np.asarray((np.minimum(table, 3.0) ** 2).mean(axis=1))
    nearest = nearest_share(model, table.shape[1])
    return np.asarray(np.partition(table, nearest, axis=1)[:, nearest])


def nearest_share(model: Model, count: int) -> int:
    """Place in the order of distances that a search looks at: below the half, so that half may be stray."""
    return min(count - 1, max((45 * count) // 100, model.parameters + 1))
