"""The exchange method against a library's linear programming."""

from __future__ import annotations

import numpy as np
import pytest

from fit.shapes.minimax import minimax


def by_library(values: np.ndarray, slopes: np.ndarray, reach: float) -> float:
    """Largest value at the best step, by scipy's interface to HiGHS."""
    from scipy.optimize import linprog

    size = slopes.shape[1]
    table = np.column_stack([slopes, -np.ones(len(values))])
    bounds = [(-reach, reach)] * size + [(None, None)]
    return float(linprog(np.eye(size + 1)[-1], A_ub=table, b_ub=-values, bounds=bounds).fun)


@pytest.mark.parametrize("seed", range(60))
def test_same_largest_value_as_the_library(seed: int) -> None:
    """Random functions, in pairs of either sign, on a grid (many ties), each three times, or nearly three times."""
    rng = np.random.default_rng(seed)
    count, size = int(rng.integers(1, 90)), int(rng.integers(1, 7))
    values, slopes = rng.uniform(-1, 1, count), rng.uniform(-1, 1, (count, size))
    if seed % 4 == 1:
        values, slopes = np.round(values, 1), np.round(slopes)
    if seed % 4 == 2:
        values, slopes = np.tile(values, 3), np.tile(slopes, (3, 1))
    if seed % 4 == 3:
        values, slopes = np.tile(values, 3), np.tile(slopes, (3, 1)) + rng.normal(0, 1e-9, (3 * count, size))
    if seed % 3:
        values, slopes = np.concatenate([values, -values]), np.vstack([slopes, -slopes])
    reach = float(rng.choice([1e-3, 0.3, 4.0]))
    step, largest = minimax(values, slopes, reach)
    assert largest == pytest.approx(by_library(values, slopes, reach), abs=1e-7)
    assert np.abs(step).max() <= reach * (1 + 1e-9)
    assert float((values + slopes @ step).max()) == pytest.approx(largest, abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("apart", [1e-9, 1e-11])
def test_functions_all_but_the_same_do_not_spoil_the_step(seed: int, apart: float) -> None:
    """Three each of three functions, apart by rounding; five unknowns bring all of them to nought."""
    rng = np.random.default_rng(seed)
    slopes = np.repeat(rng.uniform(-1, 1, (3, 5)), 3, axis=0) + apart * rng.normal(size=(9, 5))
    values = 0.5 + 1e-12 * rng.normal(size=9)
    values, slopes = np.concatenate([values, -values]), np.vstack([slopes, -slopes])
    step, largest = minimax(values, slopes, 4.0)
    assert np.abs(step).max() <= 4.0 * (1 + 1e-9)
    assert float((values + slopes @ step).max()) == pytest.approx(largest, abs=1e-8)
    assert largest < 1e-6
