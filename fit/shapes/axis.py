"""Where the axis of a cylinder or cone may lie: off the quadric, else by algebraic fits along directions all round."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.frame import Frame, axes_about, frame_at
from fit.shapes.model import Model
from fit.shapes.plane import principal_axes
from fit.shapes.quadric import about_axis, product_means, quadric_axis
from fit.shapes.solve import Descent, best_of, lowered
from fit.shapes.sums import drawn, gram

__all__ = ["AxisTrial", "axis_start"]

_DIRECTIONS = 200
_POINTS = 80
_BEST = 5
_QUADRIC_POINTS = 1000
_FEWEST = 30
"""Points from which on the ten coefficients of a quadric are worth a try."""
_AS_GOOD = 1.3
"""Variance a right axis may leave, in times that of the quadric, which is the freer shape."""
_ROUNDING = 1e-15
"""Mean square that sums of products leave of points without noise, in times their largest mean square."""
_THIN = 0.05
"""Spread it may leave, in times the points' spread about a plane."""

AxisTrial = tuple[Frame, float, float]
"""Frame with its origin on the axis, radius there, and the radius's growth along the axis."""


def axis_start(model: Model, rows: FloatArray, taper: bool, state_of: Callable[[AxisTrial], Any]) -> Descent:
    """A cylinder or cone near its minimum: down from the quadric's axis where it proves right, else from the best of many."""
    down = _by_quadric(model, rows, taper, state_of)
    if down is not None:
        return down
    return best_of(model, [state_of(trial) for trial in axis_trials(rows, taper)], rows)


def _by_quadric(model: Model, rows: FloatArray, taper: bool, state_of: Callable[[AxisTrial], Any]) -> Descent | None:
    """A few rounds downhill from the quadric's axis; None where it does not prove right.

    It is right where the shape lies as near the points as the quadric itself, which is free to be any other shape of
    second order, and where what is left is small beside the points' own bulge.
    """
    if rows.shape[1] < _FEWEST:
        return None
    part = rows if rows.shape[1] <= _QUADRIC_POINTS else rows.take(drawn(rows.shape[1], _QUADRIC_POINTS), axis=1)
    count = part.shape[1]
    centre = part.sum(axis=1) / count
    unit = part - centre[:, None]
    squares, principal = np.linalg.eigh(gram(unit, unit) / count)
    size = math.sqrt(max(float(squares[2]), 0.0))
    if not float(squares[0]) > 1e-18 * size**2:
        return None
    means = product_means((principal / size).T @ unit)
    point, direction, allowed = quadric_axis(means)
    point, direction, radius, growth = about_axis(means, axes_about(direction), point, taper)
    if not radius > 0:
        return None
    frame = frame_at(centre + size * principal.dot(point), principal.dot(direction))
    down = lowered(model, state_of((frame, size * radius, growth)), rows)
    variance = down.total / (rows.shape[1] - model.parameters)
    as_good = variance <= size**2 * (_AS_GOOD * allowed * count / (count - 9) + _ROUNDING)
    return down if as_good and variance <= _THIN**2 * float(squares[0]) else None


def axis_trials(rows: FloatArray, taper: bool) -> list[AxisTrial]:
    """Most likely axes, best first.

    Along each direction of a hemisphere the points' squares u² + v² are fitted by 2 u₀ u + 2 v₀ v + c, for a cone also
    by z² and z: linear, so all directions are solved at once. Ranked by the distances that follow.
    """
    part = rows.take(drawn(rows.shape[1], _POINTS), axis=1)
    centre, squares, principal = principal_axes(part)
    size = math.sqrt(float(squares.sum()))
    if not size > 0:
        message = "All points lie in one place; they give no axis."
        raise CannotDetermine(message)
    directions = np.vstack([principal.T, _hemisphere(_DIRECTIONS)])
    frames = _frames(directions)
    solved, misses = _fits(frames, (part - centre[:, None]) / size, taper)
    trials: list[AxisTrial] = []
    for i in np.argsort(misses):
        if not np.isfinite(misses[i]) or len(trials) == _BEST:
            break
        if all(abs(float(frames[i, :, 2] @ frame.axes[:, 2])) < math.cos(math.radians(12)) for frame, _, _ in trials):
            u, v, radius, growth = solved[i]
            origin = centre + size * (frames[i, :, :2] @ [u, v])
            trials.append((frame_at(origin, frames[i, :, 2]), size * float(radius), float(growth)))
    if not trials:
        message = "The points do not fix an axis; measure more of the surface."
        raise CannotDetermine(message)
    return trials


def _hemisphere(count: int) -> FloatArray:
    """Directions (count, 3) spread evenly over half a sphere (golden-angle spiral)."""
    i = np.arange(count) + 0.5
    z = i / count
    turn = np.pi * (3 - math.sqrt(5)) * i
    rho = np.sqrt(1 - z**2)
    return np.column_stack([rho * np.cos(turn), rho * np.sin(turn), z])


def _frames(directions: FloatArray) -> FloatArray:
    """Right-handed axes (K, 3, 3) in columns, the third along each direction."""
    least = np.eye(3)[np.argmin(np.abs(directions), axis=1)]
    first = np.cross(directions, least)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(directions, first), directions], axis=2)


def _fits(frames: FloatArray, rows: FloatArray, taper: bool) -> tuple[FloatArray, FloatArray]:
    """Axis place, radius and growth (K, 4) for each frame (K, 3, 3), and mean squared distances (K,)."""
    u, v, z = (frames.transpose(2, 0, 1).reshape(-1, 3) @ rows).reshape(3, len(frames), -1)
    columns = [2 * u, 2 * v, np.ones_like(u)] + ([z, z * z] if taper else [])
    sums = np.array([[np.einsum("kn,kn->k", a, b) for b in (*columns, u * u + v * v)] for a in columns]).transpose(
        2, 0, 1
    )
    normal = sums[:, :, :-1] + 1e-10 * np.eye(len(columns))
    found = np.linalg.solve(normal, sums[:, :, -1:])[:, :, 0]
    steep = np.sqrt(np.maximum(found[:, 4], 1e-6)) if taper else np.zeros(len(found))
    growth = np.where(found[:, 3] < 0, -steep, steep) if taper else steep
    u0, v0 = found[:, 0], found[:, 1]
    u, v = u - u0[:, None], v - v0[:, None]
    rho = np.sqrt(u * u + v * v)
    radius = np.mean(rho - growth[:, None] * z, axis=1)
    miss = rho - radius[:, None] - growth[:, None] * z
    return np.column_stack([u0, v0, radius, growth]), np.mean(miss**2, axis=1) / (1 + growth**2)
