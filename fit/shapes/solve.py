"""One least-squares driver for all shapes: orthogonal distances, weights, Levenberg-Marquardt on scaled columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["Model", "Solution", "best_of", "distances", "drawn", "lengths", "normal_inverse", "residuals_of", "solve"]

_LARGE = 4000
_ROUNDS = 200
_TRIAL_ROUNDS = 8


def drawn(count: int, most: int) -> NDArray[np.int_]:
    """Indices of at most `most` of `count` points, drawn with a fixed seed: a regular step could follow a raster."""
    if count <= most:
        return np.arange(count)
    return np.sort(np.random.default_rng(20261125).integers(0, count, most))


class Model(Protocol):
    """What a shape tells the driver. State is the shape's own; points come as rows (3, N)."""

    @property
    def kind(self) -> str: ...
    @property
    def parameters(self) -> int: ...
    @property
    def per_point(self) -> int:
        """Distances per point: 2 for a line or circle in space, else 1."""
        ...

    def start(self, rows: FloatArray) -> Any:
        """State near the minimum, without a guess. A shape with `exact` set gives the minimum, weights included."""
        ...

    def evaluate(self, state: Any, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Signed distances (r, N) and their derivatives (p, r, N) by a small local step (p,)."""
        ...

    def move(self, state: Any, step: FloatArray) -> Any:
        """State after a local step."""
        ...

    def gradients(self, state: Any, rows: FloatArray) -> FloatArray:
        """Derivatives (r, D, N) of the distances by the points."""
        ...


@dataclass(frozen=True, eq=False, slots=True)
class Solution:
    """State at the minimum with the distances (r, N), Jacobian (p, r, N) and inverse (p, p) of J W Jᵀ there."""

    state: Any
    residuals: FloatArray
    jacobian: FloatArray
    inverse: FloatArray


def normal_inverse(normal: FloatArray, kind: str, count: int) -> FloatArray:
    """Invert J W Jᵀ on scaled columns; raises CannotDetermine where the points leave a parameter free."""
    scale = np.sqrt(np.diag(normal))
    message = f"The {count} points do not fix a {kind}: part of it is left free. Measure more of it, spread wider."
    if not (np.isfinite(scale).all() and (scale > 0).all()):
        raise CannotDetermine(message)
    scaled = normal / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(scaled)
    if values[0] < 1e-13 * values[-1]:
        raise CannotDetermine(message)
    return (vectors / values) @ vectors.T / np.outer(scale, scale)


def solve(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None = None) -> Solution:
    """Minimise Σ w d² from a start.

    Gauss-Newton steps, damped (Levenberg 1944, Marquardt 1963) only while a step would not lower the sum. Large sets
    are first solved on a part of the points, since the last steps then need few passes over all of them.
    """
    count = rows.shape[1]
    if getattr(model, "exact", False):
        state = model.start(rows, weight)  # type: ignore[call-arg]
    elif count > 4 * _LARGE:
        part = drawn(count, _LARGE)
        state = solve(model, state, np.ascontiguousarray(rows[:, part]), None if weight is None else weight[part]).state
    end = _descended(model, state, rows, weight, _ROUNDS)
    if end.normal is None:
        message = f"The fit of a {model.kind} did not settle; the {count} points do not look like one."
        raise CannotDetermine(message)
    return Solution(end.state, end.residuals, end.jacobian, normal_inverse(end.normal, model.kind, count))


@dataclass(frozen=True, eq=False, slots=True)
class _End:
    """Where a descent stands: normal is J W Jᵀ (p, p) once it has settled, else None."""

    state: Any
    residuals: FloatArray
    jacobian: FloatArray
    total: float
    normal: FloatArray | None = None


def _descended(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None, rounds: int) -> _End:
    """Go down from a state until the steps are rounding, for so many rounds at most."""
    few = rows[:, :: max(rows.shape[1] // 100, 1)]
    rounding = 4e-16 * (float(few.max()) - float(few.min())) * math.sqrt(_mass(weight, rows.shape[1]))
    at, damping = _seen(model, state, rows, weight), 0.0
    for _ in range(rounds):
        normal, gradient = _normal(at.residuals, at.jacobian, weight)
        step, length = _step(normal, gradient, damping)
        if length <= 1e-9 * math.sqrt(at.total) + rounding:
            return replace(at, normal=normal)
        trial = _seen(model, model.move(at.state, step), rows, weight)
        if trial.total <= at.total * (1 + 1e-12):
            at, damping = trial, 0.0 if damping < 1e-4 else damping / 10
        elif length <= 1e-6 * math.sqrt(at.total) and damping == 0:
            return replace(at, normal=normal)
        else:
            damping = max(10 * damping, 1e-3)
    return at


def _seen(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None) -> _End:
    residuals, jacobian = model.evaluate(state, rows)
    return _End(state, residuals, jacobian, _total(residuals, weight))


def distances(model: Model, state: Any, rows: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) of points from a shape, in mm or, with noise (N,), in standard deviations."""
    return lengths(residuals_of(model, state, rows), noise)


def residuals_of(model: Model, state: Any, rows: FloatArray) -> FloatArray:
    """Signed distances (r, N), without the derivatives where the shape can spare them."""
    alone = getattr(model, "residuals", None)
    return np.asarray(model.evaluate(state, rows)[0] if alone is None else alone(state, rows))


def lengths(residuals: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) from signed ones (r, N)."""
    size = np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))
    return size if noise is None else size / noise


def best_of(model: Model, trials: Sequence[Any], rows: FloatArray) -> Any:
    """Of several starts the state that stands lowest after some rounds on a part of the points."""
    part = rows[:, drawn(rows.shape[1], 200)]
    ends = [_descended(model, trial, part, None, _TRIAL_ROUNDS) for trial in trials]
    return min(ends, key=lambda end: end.total).state


def _mass(weight: FloatArray | None, count: int) -> float:
    return float(count) if weight is None else float(weight.sum())


def _total(residuals: FloatArray, weight: FloatArray | None) -> float:
    if weight is None:
        flat = residuals.ravel()
        return float(flat @ flat)
    return float(np.sum(residuals * residuals * weight))


def _normal(residuals: FloatArray, jacobian: FloatArray, weight: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    count = len(jacobian)
    flat = jacobian.reshape(count, -1)
    weighted = flat if weight is None else (jacobian * weight).reshape(count, -1)
    return weighted @ flat.T, weighted @ residuals.ravel()


def _step(normal: FloatArray, gradient: FloatArray, damping: float) -> tuple[FloatArray, float]:
    """Damped step (p,) and its length in distance units."""
    scale = np.sqrt(np.diag(normal))
    scale = np.where(scale > 0, scale, 1.0)
    scaled = normal / np.outer(scale, scale)
    scaled.flat[:: len(scaled) + 1] += damping + 1e-15
    try:
        step = -np.linalg.solve(scaled, gradient / scale)
    except np.linalg.LinAlgError:
        step = -np.linalg.lstsq(scaled, gradient / scale, rcond=1e-13)[0]
    return step / scale, math.sqrt(max(float(step @ scaled @ step), 0.0))
