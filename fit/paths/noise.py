"""How noisy an edge is, told from the edge alone, and how far its noise runs together along it."""

from __future__ import annotations

import numpy as np

from fit.paths.moments import arc_misfit
from fit.points import FloatArray

__all__ = ["chained_factor", "local_noise", "run_factor"]

_WINDOW, _MOST_TURN = 9, 0.6
_CHI2_6 = np.array([0.25, 0.5])
_CHI2_6_AT = np.array([3.4546, 5.3481])
"""Lower quartile and median of χ² with 6 degrees of freedom (Abramowitz & Stegun, table 26.8)."""


def _window_misfit(xy: FloatArray) -> FloatArray:
    """Squared misfit (M,) of each nine points in a row from an arc; exact on lines and arcs, however tight."""
    windows = np.lib.stride_tricks.sliding_window_view(xy, _WINDOW, axis=0)
    offset = windows - windows.mean(axis=2, keepdims=True)
    x, y = offset[:, 0], offset[:, 1]
    z = x * x + y * y
    moments = [(p * q).mean(axis=1) for p, q in ((x, x), (x, y), (y, y), (x, z), (y, z), (z, z))]
    return arc_misfit(np.full(len(x), float(_WINDOW)), *moments)


def local_noise(xy: FloatArray) -> float:
    """Standard deviation of ordered points (N, 2) across the edge, mm, from arcs through nine in a row.

    The lower quartile of the windows is used: windows that hold a corner or a change of curvature only spread upwards.
    """
    if len(xy) < _WINDOW:
        return float("nan")
    low, middle = np.quantile(_window_misfit(xy), _CHI2_6) / _CHI2_6_AT
    return float(np.sqrt(min(low, middle) if low > 0 else middle))


def chained_factor(xy: FloatArray) -> float:
    """Factor by which noise that runs along the edge makes means of points vary more than single points tell.

    Means of two, four and (where these already vary more) eight points in a row are treated as points: with independent
    noise their local noise falls by the square root of their number. 1 where the rise is within what chance does to so
    many windows.
    """
    single = local_noise(xy)
    found = 1.0
    for size in (2, 4, 8):
        count = len(xy) // size
        if count < 4 * _WINDOW or not single > 0 or (size == 8 and found < 1.5):
            break
        means = xy[: count * size].reshape(count, size, 2).mean(axis=1)
        if _quiet_turn(means) > _MOST_TURN:
            break  # windows so bent would hold changes of curvature everywhere
        ratio = size * local_noise(means) ** 2 / single**2
        if ratio > 1 + 5 / np.sqrt(count):
            found = max(found, float(ratio))
    return found


def _quiet_turn(xy: FloatArray) -> float:
    """Turn in radians that a quarter of the windows stay below."""
    step = np.diff(xy, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return float(np.quantile(np.abs(heading[_WINDOW - 2 :] - heading[: 2 - _WINDOW]), 0.25))


def run_factor(residuals: FloatArray, numbers: int) -> float:
    """1 + 2 Σ ρ of residuals (N,) in units of their noise: how much their means vary more than independent ones.

    The sum of correlations stops at the first pair that is not positive (C. J. Geyer, Stat. Sci. 7 (1992) 473); a rise
    within twice its own standard error counts as none. numbers : free numbers the fit took out.
    """
    n = len(residuals)
    variance = float(residuals @ residuals) / n
    if variance == 0 or n < 4 * numbers:
        return 1.0
    total, lag, error = 0.0, 1, 0.0
    while lag + 1 < n // 4:
        pair = sum(float(residuals[:-k] @ residuals[k:]) / n / variance for k in (lag, lag + 1))
        if pair <= 2 * np.sqrt(2 / n):
            break
        total, lag, error = total + pair, lag + 2, error + 2 / n
    factor = 1 + 2 * total
    return factor if factor > 1 + 4 * np.sqrt(error) else 1.0
