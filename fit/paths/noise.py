"""How noisy an edge is, told from the edge alone, and how far its noise runs together along it."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray

__all__ = ["chained_factor", "local_noise", "local_spread", "run_factor"]

_WINDOW = 9
_CHI2_6 = np.array([0.25, 0.5])
_CHI2_6_AT = np.array([3.4546, 5.3481])
"""Lower quartile and median of χ² with 6 degrees of freedom (Abramowitz & Stegun, table 26.8)."""


def _window_misfit(xy: FloatArray) -> FloatArray:
    """Squared misfit (M,) of each nine points in a row from a parabola across their chord."""
    windows = np.lib.stride_tricks.sliding_window_view(xy, _WINDOW, axis=0)
    offset = windows - windows.mean(axis=2, keepdims=True)
    chord = offset[:, :, -3:].sum(axis=2) - offset[:, :, :3].sum(axis=2)
    size = np.maximum(np.hypot(*chord.T), 1e-12)[:, None]
    a = (offset[:, 0] * chord[:, :1] + offset[:, 1] * chord[:, 1:]) / size
    b = (offset[:, 1] * chord[:, :1] - offset[:, 0] * chord[:, 1:]) / size
    # Gram-Schmidt of 1, a, a² over each window: what is left of b is the misfit.
    b = b - b.mean(axis=1, keepdims=True)
    scale = np.maximum((a * a).sum(axis=1, keepdims=True), 1e-24)
    b = b - a * ((a * b).sum(axis=1, keepdims=True) / scale)
    c = a * a - (a * a).mean(axis=1, keepdims=True)
    c = c - a * ((a * c).sum(axis=1, keepdims=True) / scale)
    scale = np.maximum((c * c).sum(axis=1, keepdims=True), 1e-24)
    b = b - c * ((c * b).sum(axis=1, keepdims=True) / scale)
    return (b * b).sum(axis=1)


def local_spread(xy: FloatArray) -> FloatArray:
    """Standard deviation (M,) of each nine points in a row about a parabola."""
    return np.sqrt(_window_misfit(xy) / (_WINDOW - 3))


def local_noise(xy: FloatArray) -> float:
    """Standard deviation of ordered points (N, 2) across the edge, mm, from parabolas through nine in a row.

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
        ratio = size * local_noise(means) ** 2 / single**2
        if ratio > 1 + 5 / np.sqrt(count):
            found = max(found, float(ratio))
    return found


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
