"""First guess of a rod's axes, each run by itself."""

from __future__ import annotations

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.rod.touches import END_A, END_B, RUN, Touches

__all__ = ["first_axes"]

_TRIES = 16


def first_axes(touches: Touches, reach: float, cap: float) -> tuple[FloatArray, FloatArray]:
    """First and last point (n, 3) of each run's axis, over the length touched, in the direction of feed.

    Touches on a short run spread wider around than along, so each of their three main directions is tried.
    """
    groups = [touches.points.xyz[touches.rows(RUN, run)] for run in range(touches.runs)]
    centres = np.array([group.mean(axis=0) for group in groups])
    first, last = np.zeros((2, touches.runs, 3))
    for i, group in enumerate(groups):
        point, unit = _axis(group, reach, f"run_{i + 1}")
        unit = unit * _sense(touches, centres, i, unit)
        along = (group - point) @ unit
        first[i], last[i] = point + along.min() * unit, point + along.max() * unit
    if touches.has_a:
        first[0] = _foot(touches.points.xyz[touches.rows(END_A)], first[0], last[0], cap)
    if touches.has_b:
        last[-1] = _foot(touches.points.xyz[touches.rows(END_B)], first[-1], last[-1], -cap)
    return first, last


def _sense(touches: Touches, centres: FloatArray, run: int, unit: FloatArray) -> float:
    """+1 or −1: the way along a run that feeds on to the next one."""
    before = centres[run - 1] if run else _end(touches, END_A, centres[0])
    after = centres[run + 1] if run + 1 < len(centres) else _end(touches, END_B, centres[-1])
    return 1.0 if (after - before) @ unit >= 0 else -1.0


def _end(touches: Touches, what: int, otherwise: FloatArray) -> FloatArray:
    rows = touches.rows(what)
    return touches.points.xyz[rows].mean(axis=0) if len(rows) else otherwise


def _foot(touched: FloatArray, first: FloatArray, last: FloatArray, beyond: float) -> FloatArray:
    """Point of an axis abreast of the middle one of some touches, and so much beyond."""
    unit = (last - first) / np.linalg.norm(last - first)
    return np.asarray(first + (np.median((touched - first) @ unit) + beyond) * unit)


def _axis(group: FloatArray, reach: float, name: str) -> tuple[FloatArray, FloatArray]:
    directions = np.linalg.svd(group - group.mean(axis=0))[2]
    misfit, point, unit = min((_try_axis(group, reach, direction) for direction in directions), key=lambda t: t[0])
    if misfit > 0.02 * reach:
        tries = (_try_axis(group, reach, direction) for direction in _all_around(_TRIES))
        misfit, point, unit = min(((misfit, point, unit), *tries), key=lambda t: t[0])
    spread = np.ptp((group - point) @ unit)
    if spread < reach / 2:
        message = f"{name}: the touches cover only {spread:.1f} mm along the run; spread them further apart."
        raise CannotDetermine(message)
    return point, unit


def _try_axis(group: FloatArray, reach: float, direction: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Misfit, a point and the direction of the axis found from one first direction.

    All touches count alike where that leaves none far off; else far ones count little. The misfit is the mean distance,
    each cut at a tenth of the reach, so that one stray touch does not decide.
    """
    from scipy.optimize import least_squares

    centre = (group.max(axis=0) + group.min(axis=0)) / 2
    across = np.linalg.svd(direction[None])[2][1:]

    def unit_of(p: FloatArray) -> FloatArray:
        unit = direction + p[2:] @ across
        return np.asarray(unit / np.linalg.norm(unit))

    def fn(p: FloatArray) -> FloatArray:
        return np.linalg.norm(np.cross(group - centre - p[:2] @ across, unit_of(p)), axis=1) - reach

    rough = least_squares(fn, np.zeros(4), loss="soft_l1", f_scale=reach / 4, ftol=1e-4, max_nfev=25).x
    found = least_squares(fn, rough, ftol=1e-6, max_nfev=25).x
    if np.abs(fn(found)).max() > reach / 20:
        found = least_squares(fn, rough, loss="soft_l1", f_scale=reach / 40, ftol=1e-6, max_nfev=40).x
    return float(np.mean(np.minimum(np.abs(fn(found)), reach / 10))), centre + found[:2] @ across, unit_of(found)


def _all_around(count: int) -> FloatArray:
    """Directions (count, 3) spread evenly over half a sphere (golden-angle spiral)."""
    k = np.arange(count)
    z = (k + 0.5) / count
    turn = k * np.pi * (3 - np.sqrt(5))
    return np.stack([np.cos(turn) * np.sqrt(1 - z**2), np.sin(turn) * np.sqrt(1 - z**2), z], axis=1)
