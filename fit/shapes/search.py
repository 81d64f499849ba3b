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
from fit.shapes.solve import Model, Solution, distances, solve

__all__ = ["nearest_share", "search"]

_SAMPLES = 160
_MOST_SAMPLES = 6400
_SUBSET = 250
_HEAVY_SAMPLES = 16
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
    while drawn < wanted:
        states, sizes = _trials(model, seen, rng, full if drawn == 0 else None)
        drawn += _SAMPLES
        if not states:
            continue
        table = np.asarray(sizes) if seen_noise is None else np.asarray(sizes) / seen_noise
        scores = _scores(model, table, seen_noise is not None)
        if scores.min() < best_score:
            top = int(np.argmin(scores))
            best, best_score = states[top], float(scores[top])
            wanted = _wanted(model, table[top]) if seen_noise is not None else 1.0
    if best is None:
        return None
    # a shape through three points is off by several times their noise farther away; the nearest ones steady it
    return best() if noise is not None else _concentrated(model, best(), seen, nearest_share(model, seen.shape[1]) + 1)


def _wanted(model: Any, size: FloatArray) -> float:
    """Samples to draw so that one of good points only is missed with a chance of 1 in 100,000."""
    if not hasattr(model, "sampled"):
        return 1.0
    good = float(np.mean(size < 3.0)) ** model.sample
    return min(math.log(_MISS) / math.log(1 - min(max(good, 1e-6), 0.99)), _MOST_SAMPLES)


def _trials(
    model: Model, rows: FloatArray, rng: np.random.Generator, full: Solution | None
) -> tuple[list[Builder], list[FloatArray]]:
    """States to be built and the distances (N,) of all points from each."""
    states, sizes = _sampled(model, rows, rng) if hasattr(model, "sampled") else _fitted(model, rows, rng)
    if full is not None:
        most = max((3 * rows.shape[1]) // 5, min(rows.shape[1], model.parameters + 2))
        near = _concentrated(model, full.state, rows, most)
        states, sizes = [*states, partial(_same, near)], [*sizes, distances(model, near, rows)]
    return states, sizes


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
        try:
            found = solve(model, model.start(rows[:, pick]), rows[:, pick]).state
        except (CannotDetermine, np.linalg.LinAlgError):
            continue
        states.append(partial(_same, found))
        sizes.append(distances(model, found, rows))
    return states, sizes


def _same(state: Any) -> Any:
    return state


def _concentrated(model: Model, state: Any, rows: FloatArray, most: int) -> Any:
    """State after some rounds of refitting the nearest `most` of the points (Rousseeuw & Van Driessen 1999)."""
    for _ in range(6):
        near = np.argsort(distances(model, state, rows), kind="stable")[:most]
        try:
            state = solve(model, state, rows[:, np.sort(near)]).state
        except CannotDetermine:
            return state
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
