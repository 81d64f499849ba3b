"""One least-squares driver for all shapes: orthogonal distances, weights, Levenberg-Marquardt on scaled columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.shapes.model import Model, Tabulated, residuals_of
from fit.shapes.sums import blocks, drawn, gram

__all__ = ["Descent", "Solution", "best_of", "lowered", "settled", "solve"]

_LARGE = 4000
_WHOLE = 120_000
"""Points up to which the derivatives of all are kept: some megabytes."""
_NEAR = 0.1
"""A step this short, in times the root of the sum of squares, may lead to where the derivatives' products are alike."""
_ALIKE = 1e-2
"""A step this much shorter than the one before it finds the derivatives' products all but unchanged."""
_ROUNDS = 200


@dataclass(frozen=True, eq=False, slots=True)
class Solution:
    """State at the minimum with the distances (r, N), Σ w d² and the inverse (p, p) of J W Jᵀ there."""

    state: Any
    residuals: FloatArray
    total: float
    inverse: FloatArray


def _inverse(normal: FloatArray) -> FloatArray | None:
    """Inverse of J W Jᵀ; None where the points leave a parameter free.

    The scale of the columns does not matter to the inverse of such a matrix (van der Sluis 1969): the product of both
    diagonals is 1 where the parameters are independent and grows as they become one another.
    """
    try:
        inverse = np.asarray(np.linalg.inv(normal), float)
    except np.linalg.LinAlgError:
        return None
    size = (inverse.diagonal() * normal.diagonal()).tolist()
    return inverse if 0 < min(size) <= max(size) < 1e13 else None


def solve(model: Model, state: Any | None, rows: FloatArray, weight: FloatArray | None = None) -> Solution:
    """Minimise Σ w d² from a state, or from the shape's own start where None is given.

    Gauss-Newton steps, damped (Levenberg 1944, Marquardt 1963) only while a step would not lower the sum. Large sets
    start from a part of the points, which is near enough.
    """
    count = rows.shape[1]
    if hasattr(model, "solved"):
        return _closed(model, rows, weight)
    if state is None and count > 4 * _LARGE:
        state = model.start(rows.take(drawn(count, _LARGE), axis=1))
    if state is None and weight is None and hasattr(model, "descended"):
        down = model.descended(rows)
        if down.done:
            return _solution(model, down)
        state = down.state
    state = model.start(rows) if state is None else state
    return _solution(model, _descended(model, state, rows, weight, _ROUNDS))


def _closed(model: Any, rows: FloatArray, weight: FloatArray | None) -> Solution:
    """Solution of a shape whose minimum has a closed form."""
    state, diagonal = model.solved(rows, weight)
    if not min(diagonal) > 0:
        raise CannotDetermine(_open(model, rows.shape[1]))
    residuals, inverse = residuals_of(model, state, rows), np.zeros((len(diagonal),) * 2)
    inverse.flat[:: len(diagonal) + 1] = [1 / entry for entry in diagonal]
    return Solution(state, residuals, _total(residuals, weight), inverse)


def _open(model: Model, count: int) -> str:
    return f"The {count} points do not fix a {model.kind}: part of it is left free. Measure more of it, spread wider."


def _solution(model: Model, down: Descent) -> Solution:
    count = down.residuals.shape[1]
    if not down.done:
        message = f"The fit of a {model.kind} did not settle; the {count} points do not look like one."
        raise CannotDetermine(message)
    if down.inverse is None:
        raise CannotDetermine(_open(model, count))
    return Solution(down.state, down.residuals, down.total, (down.inverse + down.inverse.T) / 2)


class Descent(NamedTuple):
    """Where a descent stands: state, distances (r, N), Σ w d², the inverse (p, p) of J W Jᵀ unless that is singular, and
    whether further steps would be rounding."""

    state: Any
    residuals: FloatArray
    total: float
    inverse: FloatArray | None
    done: bool = True


class _Seen(NamedTuple):
    """A state seen with its derivatives: Σ w d², J W Jᵀ (p, p) with its inverse unless singular, J W d (p,), and J (p, N)
    where it was kept whole. The two matrices may be those of the state before."""

    state: Any
    residuals: FloatArray
    total: float
    normal: FloatArray
    inverse: FloatArray | None
    gradient: FloatArray
    slopes: FloatArray | None = None
    lent: bool = False


def _descended(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None, rounds: int) -> Descent:
    """Go down from a state for so many rounds at most."""
    at, damping, before = _seen(model, state, rows, weight), 0.0, 0.0
    for turn in range(rounds):
        step, length = _step(at, damping)
        if at.lent and length > _ALIKE * before:
            at = _own(at)
            step, length = _step(at, damping)
        small = 1e-9 * math.sqrt(at.total) + (_rounding(rows, weight) if turn > 1 else 0.0)
        if length <= small:
            break
        if length <= min(0.1 * before, 10 * small * before / length):
            return _last(model, at, (step, length), rows, weight)
        before = length
        lends = damping == 0 and not at.lent and length < _NEAR * math.sqrt(at.total)
        trial = _seen(model, model.move(at.state, step), rows, weight, at if lends else None)
        if trial.total <= at.total * (1 + 1e-12):
            at, damping = trial, 0.0 if damping < 1e-4 else damping / 10
        elif length <= 1e-6 * math.sqrt(at.total) and damping == 0:
            break
        else:
            damping = max(10 * damping, 1e-3)
    else:
        return Descent(at.state, at.residuals, at.total, None, done=False)
    return Descent(at.state, at.residuals, at.total, at.inverse)


def _rounding(rows: FloatArray, weight: FloatArray | None) -> float:
    """Length of steps that are rounding, from about how far apart the coordinates of some points lie."""
    few = rows[:, :: max(rows.shape[1] // 8, 1)].tolist()
    extent = max(map(max, few)) - min(map(min, few))
    return 4e-16 * extent * math.sqrt(rows.shape[1] if weight is None else float(weight.sum()))


def _last(
    model: Model, at: _Seen, go: tuple[FloatArray, float], rows: FloatArray, weight: FloatArray | None
) -> Descent:
    """The end of a step after which none is worth while, as steps shrink; it needs no derivatives.

    Where they were kept they tell the distances there: what they miss is as small as the step left undone.
    """
    step, length = go
    state = model.move(at.state, step)
    if at.slopes is not None:
        residuals = at.residuals + step.dot(at.slopes)
        return Descent(state, residuals, max(at.total - length**2, 0.0), at.inverse)
    residuals = residuals_of(model, state, rows)
    return Descent(state, residuals, _total(residuals, weight), at.inverse)


def _seen(model: Model, state: Any, rows: FloatArray, weight: FloatArray | None, lender: _Seen | None = None) -> _Seen:
    """Distances and sums at a state, gathered block by block; J W Jᵀ may be lent by a state near by."""
    count = rows.shape[1]
    if count <= _WHOLE and weight is None and isinstance(model, Tabulated):
        return _tabulated(model, state, rows, lender)
    residuals = np.empty((model.per_point, count))
    total, normal, gradient = 0.0, np.zeros((model.parameters,) * 2), np.zeros(model.parameters)
    for run in blocks(count):
        residuals[:, run], jacobian = model.evaluate(state, rows[:, run])
        sums = _sums(residuals[:, run], jacobian, None if weight is None else weight[run])
        total, normal, gradient = total + sums[0], normal + sums[1], gradient + sums[2]
    return _Seen(state, residuals, total, normal, _inverse(normal), gradient)


def _tabulated(model: Any, state: Any, rows: FloatArray, lender: _Seen | None) -> _Seen:
    """As `_seen`, with the derivatives kept."""
    table = np.empty((model.parameters + 1, rows.shape[1]))
    lent = lender is not None and lender.inverse is not None
    sums: Any = 0.0
    for run in blocks(rows.shape[1]):
        part = table[:, run]
        model.tabulate(state, rows[:, run], part)
        # sums are quickest while the numbers are still in the cache
        sums = sums + part @ (part[-1] if lent else part[:-1].T)
    if lender is not None and lent:
        seen = lender.normal, lender.inverse, sums[:-1]
        return _Seen(state, table[-1:], float(sums[-1]), *seen, table[:-1], lent=True)
    normal, residuals = sums[:-1], table[-1]
    return _Seen(state, table[-1:], float(residuals.dot(residuals)), normal, _inverse(normal), sums[-1], table[:-1])


def _own(at: _Seen) -> _Seen:
    """The same state with its own J W Jᵀ instead of a lent one."""
    if at.slopes is None:
        return at
    parts = (at.slopes[:, run] for run in blocks(at.slopes.shape[1]))
    normal = np.sum([gram(part, part) for part in parts], axis=0)
    return at._replace(normal=normal, inverse=_inverse(normal), lent=False)


def _sums(
    residuals: FloatArray, jacobian: FloatArray, weight: FloatArray | None
) -> tuple[float, FloatArray, FloatArray]:
    flat = jacobian.reshape(len(jacobian), -1)
    weighted = flat if weight is None else (jacobian * weight).reshape(len(jacobian), -1)
    return _total(residuals, weight), gram(flat, weighted), weighted @ residuals.ravel()


def settled(model: Model, state: Any, rows: FloatArray, rounds: int) -> Any:
    """State after so many rounds downhill at most, for searches that need no more."""
    if hasattr(model, "solved"):
        return model.start(rows)
    return _descended(model, state, rows, None, rounds).state


def lowered(model: Model, state: Any, rows: FloatArray) -> Descent:
    """A few rounds downhill from a state."""
    return _descended(model, state, rows, None, 8)


def best_of(model: Model, trials: Sequence[Any], rows: FloatArray) -> Descent:
    """The lowest of several starts on a part of the points, so not done: all go some rounds, the better on."""
    part = rows.take(drawn(rows.shape[1], 200), axis=1)
    states = list(trials)
    for rounds, most in ((2, 2), (6, 1)):
        ends = sorted((_descended(model, state, part, None, rounds) for state in states), key=lambda end: end.total)
        states = [end.state for end in ends[:most]]
    return ends[0]._replace(done=False)


def _total(residuals: FloatArray, weight: FloatArray | None) -> float:
    if weight is None:
        flat = residuals.ravel()
        return float(flat.dot(flat))
    return float(np.sum(residuals * residuals * weight))


def _step(at: _Seen, damping: float) -> tuple[FloatArray, float]:
    """Damped step (p,) and its length in distance units."""
    if damping == 0 and at.inverse is not None:
        step = -at.inverse.dot(at.gradient)
        length = -float(step.dot(at.gradient))
        if length >= 0:
            return step, math.sqrt(length)
    scale = np.sqrt(at.normal.diagonal())
    if not scale.all():
        scale = np.where(scale > 0, scale, 1.0)
    scaled, slope = at.normal / scale / scale[:, None], at.gradient / scale
    scaled.flat[:: len(scaled) + 1] += damping + 1e-15
    try:
        step = np.asarray(np.linalg.solve(scaled, -slope), float)
    except np.linalg.LinAlgError:
        step = np.asarray(np.linalg.lstsq(scaled, -slope, rcond=1e-13)[0], float)
    return step / scale, math.sqrt(max(-float(step @ slope), 0.0))
