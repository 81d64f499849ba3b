"""First guess of a rod's axes, each run by itself."""

from __future__ import annotations

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.rod.touches import END_A, END_B, RUN, Touches

__all__ = ["first_axes"]

_TRIES, _PART, _STEPS = 30, 7, 40


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
    _, spreads, directions = np.linalg.svd(group - group.mean(axis=0))
    misfit, point, unit = min((_try_axis(group, reach, direction) for direction in directions), key=lambda t: t[0])
    if misfit > 0.02 * reach:
        # Touches spread three times wider one way than any other leave no doubt about the direction.
        others = directions[:1] if spreads[0] >= 3 * spreads[1] else _all_around(_TRIES)
        tries = [_try_axis(group, reach, direction) for direction in others]
        tries += [_try_part(group, reach, part) for part in _parts(len(group))]
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
    axis = _settle(group, reach, (_round_centre(group, direction), direction), reach / 4)
    axis = _settle(group, reach, axis, np.inf)
    if np.abs(_off(group, axis)[0] - reach).max() > reach / 20:
        axis = _settle(group, reach, axis, reach / 40)
    misses = np.abs(_off(group, axis)[0] - reach)
    return float(np.mean(np.minimum(misses, reach / 10))), *axis


def _parts(count: int) -> FloatArray:
    """Rows (tries, 7) of a seeded search through small parts of the touches, one of which holds no stray touch."""
    random = np.random.default_rng(1)
    size = min(_PART, count)
    return np.array([random.choice(count, size, replace=False) for _ in range(_TRIES)])


def _try_part(group: FloatArray, reach: float, rows: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Misfit of all touches to the axis found from a few of them, settled on all with far ones counting little."""
    few = group[rows]
    direction = np.linalg.svd(few - few.mean(axis=0))[2][0]
    axis = _settle(few, reach, (_round_centre(few, direction), direction), np.inf)
    axis = _settle(group, reach, axis, reach / 40)
    misses = np.abs(_off(group, axis)[0] - reach)
    return float(np.mean(np.minimum(misses, reach / 10))), *axis


def _round_centre(group: FloatArray, direction: FloatArray) -> FloatArray:
    """Centre of the circle through points seen along a direction, by the linear fit of Kasa (1976)."""
    across = np.linalg.svd(direction[None])[2][1:]
    middle = group.mean(axis=0)
    flat = (group - middle) @ across.T
    rows = np.column_stack([2 * flat, np.ones(len(flat))])
    found = np.linalg.lstsq(rows, np.sum(flat**2, axis=1), rcond=None)[0]
    return np.asarray(middle + found[:2] @ across)


def _off(group: FloatArray, axis: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance (N,) of points from an axis, unit vectors (N, 3) out of it, places (N,) along it."""
    point, unit = axis
    seen = group - point
    along = seen @ unit
    out = seen - along[:, None] * unit
    distance = np.linalg.norm(out, axis=1)
    return distance, out / np.where(distance > 0, distance, 1.0)[:, None], along


def _settle(
    group: FloatArray, reach: float, axis: tuple[FloatArray, FloatArray], scale: float
) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton steps on shift and tilt of an axis; misses beyond `scale` count in proportion, not squared."""
    damping, cost = 1e-6, _cost(group, reach, axis, scale)
    for _ in range(_STEPS):
        distance, out, along = _off(group, axis)
        across = np.linalg.svd(axis[1][None])[2][1:]
        slope = out @ across.T
        jacobian = -np.concatenate([slope, slope * along[:, None]], axis=1)
        miss = distance - reach
        weight = 1 / np.sqrt(1 + (miss / scale) ** 2)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        normal[np.diag_indices(4)] += damping * np.diag(normal) + 1e-12
        step = -np.linalg.solve(normal, jacobian.T @ (weight * miss))
        unit = axis[1] + step[2:] @ across
        trial = axis[0] + step[:2] @ across, unit / np.linalg.norm(unit)
        new = _cost(group, reach, trial, scale)
        if new > cost:
            damping = max(10 * damping, 1e-3)
            continue
        settled = cost - new <= 1e-9 * cost
        axis, cost, damping = trial, new, damping / 10
        if settled:
            break
    return axis


def _cost(group: FloatArray, reach: float, axis: tuple[FloatArray, FloatArray], scale: float) -> float:
    """Sum of squares, or of soft absolute values where the scale is finite."""
    miss = _off(group, axis)[0] - reach
    if np.isinf(scale):
        return float(miss @ miss)
    return float(np.sum(np.sqrt(1 + (miss / scale) ** 2) - 1))


def _all_around(count: int) -> FloatArray:
    """Directions (count, 3) spread evenly over half a sphere (golden-angle spiral)."""
    k = np.arange(count)
    z = (k + 0.5) / count
    turn = k * np.pi * (3 - np.sqrt(5))
    return np.stack([np.cos(turn) * np.sqrt(1 - z**2), np.sin(turn) * np.sqrt(1 - z**2), z], axis=1)
