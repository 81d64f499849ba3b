"""One least-squares driver for all shapes: orthogonal distances, weights, Levenberg-Marquardt on scaled columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = [
    "Model", "Solution", "best_of", "blocks", "distances", "drawn", "lengths", "lowered", "normal_inverse",
    "residuals_of", "settled", "solve",
]  # fmt: skip

_FEW = 1500
_LARGE = 4000
_BLOCK = 8192
"""Points worked on at a time: their distances and derivatives stay in the processor's cache, four times as fast."""
_ROUNDS = 200


def blocks(count: int) -> list[slice]:
    """Runs of points small enough for the processor's cache."""
    return [slice(first, first + _BLOCK) for first in range(0, count, _BLOCK)]


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
        """State near the minimum, without a guess. A shape may have ``solved(rows, weight)`` too, where the minimum has a
        closed form: its state, and J W Jᵀ (p, p) there."""
        ...

    def evaluate(self, state: Any, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Signed distances (r, N) and their derivatives (p, r, N) by a small local step (p,).

        Where r is 1 a shape may have ``table(state, rows)`` too: the derivatives and, last, the distances (p + 1, N).
        """
        ...

    def move(self, state: Any, step: FloatArray) -> Any:
        """State after a local step."""
        ...

    def gradients(self, state: Any, rows: FloatArray) -> FloatArray:
        """Derivatives (r, D, N) of the distances by the points."""
        ...


@dataclass(frozen=True, eq=False, slots=True)
class Solution:
    """State at the minimum with the distances (r, N), Σ w d² and the inverse (p, p) of J W Jᵀ there."""

    state: Any
    residuals: FloatArray
    total: float
    inverse: FloatArray


def normal_inverse(normal: FloatArray, kind: str, count: int) -> FloatArray:
    """Invert J W Jᵀ on scaled columns; raises CannotDetermine where the points leave a parameter free."""
    message = f"The {count} points do not fix a {kind}: part of it is left free. Measure more of it, spread wider."
    size = normal.diagonal().tolist()
    if not (min(size) > 0 and math.isfinite(sum(size))):
        raise CannotDetermine(message)
    scale = np.sqrt(normal.diagonal())
    both = scale[:, None] * scale
    try:
        inverse = np.linalg.inv(normal / both)
    except np.linalg.LinAlgError:
        raise CannotDetermine(message) from None
    # the diagonal of a scaled matrix is 1, so that of its inverse tells how near it is to singular
    size = inverse.diagonal().tolist()
    if not 0 < min(size) <= max(size) < 1e13:
        raise CannotDetermine(message)
    return (inverse + inverse.T) / (2 * both)


def solve(model: Model, state: Any | None, rows: FloatArray, weight: FloatArray | None = None) -> Solution:
    """Minimise Σ w d² from a state, or from the shape's own start where None is given.

    Gauss-Newton steps, damped (Levenberg 1944, Marquardt 1963) only while a step would not lower the sum. Large sets
    are first solved on a part of the points, since the last steps then need few passes over all of them.
    """
    count = rows.shape[1]
    if hasattr(model, "solved"):
        state, normal = model.solved(rows, weight)
        residuals = residuals_of(model, state, rows)
        return Solution(state, residuals, _total(residuals, weight), normal_inverse(normal, model.kind, count))
    if state is None and count > 4 * _LARGE:
        part = drawn(count, _LARGE)
        state = solve(model, None, np.ascontiguousarray(rows[:, part]), None if weight is None else weight[part]).state
    elif state is None:
        state = model.start(rows)
    end, done = _descended(model, state, rows, weight, _ROUNDS)
    if not done:
        message = f"The fit of a {model.kind} did not settle; the {count} points do not look like one."
        raise CannotDetermine(message)
    return Solution(end.state, end.residuals, end.total, normal_inverse(end.normal, model.kind, count))


@dataclass(frozen=True, eq=False, slots=True)
class _End:
    """Where a descent stands: Σ w d², J W Jᵀ (p, p) and J W d (p,) there."""

    state: Any
    residuals: FloatArray
    total: float
    normal: FloatArray
    gradient: FloatArray


def _descended(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None, rounds: int) -> tuple[_End, bool]:
    """Go down from a state for so many rounds at most; True where the steps have become rounding."""
    count = rows.shape[1]
    few = rows[:, :: max(count // 20, 1)]
    mass = count if weight is None else float(weight.sum())
    rounding = 4e-16 * (float(few.max()) - float(few.min())) * math.sqrt(mass)
    at, damping, before = _seen(model, state, rows, weight), 0.0, 0.0
    for _ in range(rounds):
        step, length = _step(at.normal, at.gradient, damping)
        small = 1e-9 * math.sqrt(at.total) + rounding
        if length <= small:
            return at, True
        if length <= min(1e-3 * before, 10 * small * before / length):
            return _last(model, at, step, rows, weight), True
        before = length
        trial = _seen(model, model.move(at.state, step), rows, weight)
        if trial.total <= at.total * (1 + 1e-12):
            at, damping = trial, 0.0 if damping < 1e-4 else damping / 10
        elif length <= 1e-6 * math.sqrt(at.total) and damping == 0:
            return at, True
        else:
            damping = max(10 * damping, 1e-3)
    return at, False


def _last(model: Model, at: _End, step: FloatArray, rows: FloatArray, weight: FloatArray | None) -> _End:
    """The end of a step after which none is worth while, as steps shrink a thousandfold; it needs no derivatives."""
    state = model.move(at.state, step)
    residuals = residuals_of(model, state, rows)
    return _End(state, residuals, _total(residuals, weight), at.normal, at.gradient)


def _seen(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None) -> _End:
    """Distances and sums at a state, gathered block by block."""
    count = rows.shape[1]
    if count <= _FEW and weight is None and hasattr(model, "table"):
        # one product of a flat matrix gives all sums; of larger ones _sums is the quicker way
        table = model.table(state, rows)
        sums = table @ table.T
        return _End(state, table[-1:], float(sums[-1, -1]), sums[:-1, :-1], sums[:-1, -1])
    if count <= _BLOCK:
        residuals, jacobian = model.evaluate(state, rows)
        return _End(state, residuals, *_sums(residuals, jacobian, weight))
    residuals = np.empty((model.per_point, count))
    total, normal, gradient = 0.0, np.zeros((model.parameters,) * 2), np.zeros(model.parameters)
    for run in blocks(count):
        residuals[:, run], jacobian = model.evaluate(state, rows[:, run])
        sums = _sums(residuals[:, run], jacobian, None if weight is None else weight[run])
        total, normal, gradient = total + sums[0], normal + sums[1], gradient + sums[2]
    return _End(state, residuals, total, normal, gradient)


def _sums(
    residuals: FloatArray, jacobian: FloatArray, weight: FloatArray | None
) -> tuple[float, FloatArray, FloatArray]:
    size = len(jacobian)
    flat = jacobian.reshape(size, -1)
    weighted = flat if weight is None else (jacobian * weight).reshape(size, -1)
    normal = np.empty((size, size))
    for i in range(size):
        # a matrix times a vector is several times as fast as a product of two such flat matrices
        normal[i, i:] = normal[i:, i] = flat[i:] @ weighted[i]
    return _total(residuals, weight), normal, weighted @ residuals.ravel()


def distances(model: Model, state: Any, rows: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) of points from a shape, in mm or, with noise (N,), in standard deviations."""
    return lengths(residuals_of(model, state, rows), noise)


def residuals_of(model: Model, state: Any, rows: FloatArray) -> FloatArray:
    """Signed distances (r, N), without the derivatives where the shape can spare them."""
    alone, count = getattr(model, "residuals", None), rows.shape[1]
    if alone is None:
        return model.evaluate(state, rows)[0]
    if count <= _BLOCK:
        return np.asarray(alone(state, rows))
    residuals = np.empty((model.per_point, count))
    for run in blocks(count):
        residuals[:, run] = alone(state, rows[:, run])
    return residuals


def lengths(residuals: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) from signed ones (r, N)."""
    size = np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))
    return size if noise is None else size / noise


def settled(model: Model, state: Any, rows: FloatArray, rounds: int) -> Any:
    """State after so many rounds downhill at most, for searches that need no more."""
    if hasattr(model, "solved"):
        return model.start(rows)
    return _descended(model, state, rows, None, rounds)[0].state


def lowered(model: Model, state: Any, rows: FloatArray) -> tuple[Any, float]:
    """State after a few rounds downhill, and the sum of squares there."""
    end = _descended(model, state, rows, None, 4)[0]
    return end.state, end.total


def best_of(model: Model, trials: Sequence[Any], rows: FloatArray) -> Any:
    """Of several starts the state that stands lowest: all go some rounds on a part of the points, the better on."""
    part = rows[:, drawn(rows.shape[1], 200)]
    states = list(trials)
    for rounds, most in ((2, 2), (6, 1)):
        ends = [_descended(model, state, part, None, rounds)[0] for state in states]
        states = [end.state for end in sorted(ends, key=lambda end: end.total)[:most]]
    return states[0]


def _total(residuals: FloatArray, weight: FloatArray | None) -> float:
    if weight is None:
        flat = residuals.ravel()
        return float(flat @ flat)
    return float(np.sum(residuals * residuals * weight))


def _step(normal: FloatArray, gradient: FloatArray, damping: float) -> tuple[FloatArray, float]:
    """Damped step (p,) and its length in distance units."""
    if damping == 0:
        try:
            step = np.asarray(np.linalg.solve(normal, -gradient), float)
        except np.linalg.LinAlgError:
            step = np.full(len(gradient), np.nan)
        length = -float(step @ gradient)
        if length >= 0:
            return step, math.sqrt(length)
    scale = np.sqrt(normal.diagonal())
    if not scale.all():
        scale = np.where(scale > 0, scale, 1.0)
    scaled, slope = normal / scale / scale[:, None], gradient / scale
    scaled.flat[:: len(scaled) + 1] += damping + 1e-15
    try:
        step = np.linalg.solve(scaled, -slope)
    except np.linalg.LinAlgError:
        step = np.linalg.lstsq(scaled, -slope, rcond=1e-13)[0]
    return step / scale, math.sqrt(max(-float(step @ slope), 0.0))
