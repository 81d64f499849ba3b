"""The outline's points as one closed path, with stretches that glare or shadow moved off the edge left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fit.errors import CannotDetermine
from fit.paths import PathFit, fit_path
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["outline_path"]

_EVERY = 2
_COARSE_MM = (0.1, 0.2, 0.4)
_FINE_MM = 0.05
_STRAY = 3.0
_STRAY_MM = 0.06
_LEAST_NOISE_MM = 0.01
_TELL_SHARE, _CLEAN_SHARE = 0.03, 0.02
_KEEPS = 1.3
_STRAY_COST, _TOGETHER = 2.5, 6.0
"""Largest cost of one miss, and how many neighbouring points light moves together."""


def outline_path(points: Points, *, closed: bool = True) -> tuple[PathFit, list[Notice]]:
    """Fit a path: at once where the edge is clean, else coarsely first, then through what keeps to that.

    Light does not err at random along an edge: it moves whole stretches by tenths of a millimetre. A chain that may miss
    by so much finds the shape; what lies off it by more than the usual is light, and the rest carries the sizes.
    Raises CannotDetermine where no chain of lines and arcs follows the edge.
    """
    thinned = points.select(slice(None, None, _EVERY))
    whole = _fitted(thinned, _FINE_MM, closed)
    if whole is not None and (_misses(whole) > 2 * _FINE_MM).mean() < _CLEAN_SHARE:
        return _with_own_noise(whole), list(whole.notices)
    path, left_out = _better(whole, _without_light(thinned, closed), len(thinned))
    notices = list(path.notices)
    if left_out > _TELL_SHARE:
        text = (
            f"{left_out:.0%} of the outline's edge was left out: glare or shadow shows the edge elsewhere there. Look "
            "at the overlay, and shoot again in softer light if those places matter."
        )
        notices.append(Notice("low-contrast", text, "outline"))
    return path, notices


def _without_light(points: Points, closed: bool) -> PathFit | None:
    """The path through what keeps to the coarsest chain that follows the edge at all."""
    rough = next((path for noise in _COARSE_MM if (path := _fitted(points, noise, closed)) is not None), None)
    if rough is None:
        return None
    miss = _misses(rough)
    usual = 1.4826 * float(np.median(miss))
    kept = points.select(miss < max(_STRAY * usual, _STRAY_MM))
    tries = (_fitted(kept, noise, closed) for noise in (max(_FINE_MM, 2 * usual), 4 * max(_FINE_MM, usual)))
    return next((path for path in tries if path is not None), None)


def _misses(path: PathFit) -> FloatArray:
    """Distance of every point given from the path; strays that the fit left out are infinitely far."""
    misses = np.abs(path.feature.residuals)
    misses[path.rejected] = np.inf
    return misses


def _better(whole: PathFit | None, part: PathFit | None, count: int) -> tuple[PathFit, float]:
    """The reading that costs less: misses (each at most as much as a stray), plus what every piece costs (BIC).

    Returns it with the share of points that it leaves out.
    """
    costs = {}
    for path in (whole, part):
        if path is not None:
            misses = np.minimum((_misses(path) / _FINE_MM) ** 2, _STRAY_COST)
            left_out = count - len(misses)
            misses = np.append(misses, np.full(left_out, _STRAY_COST))
            pieces = 3.5 * np.log(count / _TOGETHER) * len(path.feature.segments)
            left_out += len(path.rejected)
            costs[misses.sum() / _TOGETHER + pieces] = (path, left_out / count)
    if not costs:
        message = (
            "The edge cannot be followed as lines and arcs all along; shoot it in even light, on a plain ground, clear "
            "of the print."
        )
        raise CannotDetermine(message)
    return costs[min(costs)]


def _with_own_noise(path: PathFit) -> PathFit:
    """Own errors from the misses found: the noise assumed only says how large a wiggle may be light and not shape."""
    share = min(1.0, (max(path.feature.rms, _LEAST_NOISE_MM) / path.noise) ** 2)
    segments = tuple(replace(s, cov_own=share * s.cov_own) for s in path.feature.segments)
    feature = replace(path.feature, cov_own=share * path.feature.cov_own, segments=segments)
    return replace(path, feature=feature)


def _fitted(points: Points, noise: float, closed: bool) -> PathFit | None:
    """The path with this noise assumed; None where none comes about that keeps to it."""
    try:
        path = fit_path(replace(points, noise=np.full(len(points), noise)), closed=closed, name="outline")
    except CannotDetermine:
        return None
    return path if path.feature.rms < _KEEPS * noise else None
