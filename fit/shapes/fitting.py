"""From points to a fitted state with its own and shared errors, the same way for every shape."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray, Points
from fit.shapes.model import Model, residuals_of
from fit.shapes.solve import Solution, solve
from fit.shapes.stray import find_kept
from fit.uncertain import chi2_95

__all__ = ["Cloud", "Fitted", "cloud_of", "fit_model"]


@dataclass(frozen=True, eq=False, slots=True)
class Cloud:
    """Points as the driver sees them: rows (D, N), noise (N,) or None where unknown, modes (K, N, D)."""

    rows: FloatArray
    noise: FloatArray | None
    modes: FloatArray
    weight: FloatArray | None = None
    """Relative weights (N,); None where all are equal."""


@dataclass(frozen=True, eq=False, slots=True)
class Fitted:
    """A fitted state.

    Attributes
    ----------
    state : the shape's own.
    kept : (N,) points used, count of them. residuals : (r, N) of all points, mm.
    cov : (p, p) own covariance of the local step; inverse : (p, p) of J W Jᵀ that it comes from.
    shared : (K, p) answer to each of the cloud's modes.
    dof : of cov, inf where the noise was known and the residuals agree. rms : mm, of the points used.
    """

    state: Any
    kept: NDArray[np.bool_]
    count: int
    residuals: FloatArray
    cov: FloatArray
    inverse: FloatArray
    shared: FloatArray
    dof: float
    rms: float

    @property
    def rejected(self) -> NDArray[np.int_]:
        return np.flatnonzero(~self.kept) if self.count < len(self.kept) else np.zeros(0, dtype=int)

    def used(self, values: FloatArray, axis: int = -1) -> FloatArray:
        """Those of the values, one a point along an axis, that belong to the points used."""
        return values if self.count == len(self.kept) else np.compress(self.kept, values, axis=axis)


def cloud_of(points: Points, axes: FloatArray | None = None, origin: FloatArray | None = None) -> Cloud:
    """Points as rows, seen along the given axes (3, D) from an origin (3,).

    Noise counts as known only where it is known for every point; exact zeros are lifted to a thousandth of the
    largest, so that no point gets all the weight.
    """
    noise: FloatArray | None = points.noise
    most, least = (float(points.noise.max()), float(points.noise.min())) if len(points) else (0.0, 0.0)
    if not (math.isfinite(most) and most > 0):
        noise = None
    elif least <= 1e-3 * most:
        noise = np.maximum(points.noise, 1e-3 * most)
    weight = None if noise is None or least == most else (float(noise.min()) / noise) ** 2
    if axes is None:
        return Cloud(np.ascontiguousarray(points.xyz.T), noise, points.shared, weight)
    rows = axes.T @ points.xyz.T
    if origin is not None:
        rows -= (axes.T @ origin)[:, None]
    return Cloud(rows, noise, points.shared @ axes, weight)


def fit_model(model: Model, cloud: Cloud, *, robust: bool = True, correlated: bool = False) -> Fitted:
    """Fit a shape: start, strays out, least squares, covariance, answer to the shared errors.

    The own covariance comes from the known noise; it is scaled up by χ²/dof, and carries dof, where χ² is above its
    95 % point. Without noise it comes from the residuals. With `correlated` it is multiplied by the residuals'
    correlation length along the given order.
    """
    count = cloud.rows.shape[1]
    _check_count(model, count, cloud.noise is not None)
    if robust:
        kept, solution = find_kept(model, cloud.rows, cloud.noise, cloud.weight)
    else:
        kept, solution = np.ones(count, bool), solve(model, None, cloud.rows, cloud.weight)
    every = solution.residuals.shape[1] == count
    residuals = solution.residuals if every else residuals_of(model, solution.state, cloud.rows)
    return _finish(model, cloud, solution, kept, residuals, correlated)


def _check_count(model: Model, count: int, known: bool) -> None:
    per = model.per_point
    needed = -(-model.parameters // per)
    if count < needed:
        message = f"A {model.kind} needs at least {needed} points; got {count}. Measure more."
        raise CannotDetermine(message)
    if per * count == model.parameters and not known:
        message = (
            f"A {model.kind} through {count} points leaves nothing to tell its uncertainty from; "
            f"measure at least {needed + 1} points or give the noise."
        )
        raise CannotDetermine(message)


def _finish(
    model: Model,
    cloud: Cloud,
    solution: Solution,
    kept: NDArray[np.bool_],
    residuals: FloatArray,
    correlated: bool,
) -> Fitted:
    inner = solution.residuals
    per, members = inner.shape
    free = per * members - model.parameters
    every = members == len(kept)
    weight = cloud.weight if cloud.weight is None or every else cloud.weight[kept]
    plain = solution.total if weight is None else float(np.sum(inner**2))
    total, slow = solution.total, inner[0]
    shared = np.zeros((len(cloud.modes), model.parameters))
    if len(cloud.modes):
        rows = cloud.rows if every else cloud.rows[:, kept]
        modes = cloud.modes if every else cloud.modes[:, kept]
        shared = _answer(model, solution, rows, weight, modes)
        if correlated and per == 1 and cloud.noise is not None:
            slow = _own_residuals(model, solution, rows, modes, shared, cloud.noise if every else cloud.noise[kept])
            total = float(slow @ slow) if weight is None else float((slow * weight) @ slow)
    variance, dof = _variance(total, free, cloud.noise)
    length = _correlation_length(slow, model.parameters) if correlated and per == 1 else 1.0
    if length > 1 and math.isfinite(dof):
        variance *= free / max(free - (length - 1) * model.parameters, 1.0)
        dof = max(dof / length, 1.0)
    rms = math.sqrt(plain / members)
    inverse = solution.inverse
    return Fitted(solution.state, kept, members, residuals, inverse * (variance * length), inverse, shared, dof, rms)


def _variance(square: float, free: int, noise: FloatArray | None) -> tuple[float, float]:
    """Variance of unit weight and its degrees of freedom; square is Σ (noise_min/noise)² d²."""
    if noise is None:
        return square / free, float(free)
    known = float(noise.min()) ** 2
    if free > 0 and square / known > chi2_95(free):
        return square / free, float(free)
    return known, math.inf


def _answer(
    model: Model, solution: Solution, rows: FloatArray, weight: FloatArray | None, modes: FloatArray
) -> FloatArray:
    """Local steps (K, p) that moves of the points (K, N, D) bring: −(J W Jᵀ)⁻¹ J W (gradient · move)."""
    gradients = model.gradients(solution.state, rows)
    jacobian = model.evaluate(solution.state, rows)[1]
    jacobian = jacobian if weight is None else jacobian * weight
    pull = (
        np.einsum("prn,rdn->pnd", jacobian, gradients)
        if len(gradients) > 1
        else (jacobian[:, 0, :, None] * gradients[0].T[None])
    )
    count = len(jacobian)
    moved = modes.reshape(len(modes), -1) @ pull.reshape(count, -1).T
    return np.asarray(-moved @ solution.inverse)


def _own_residuals(
    model: Model, solution: Solution, rows: FloatArray, modes: FloatArray, shared: FloatArray, noise: FloatArray
) -> FloatArray:
    """Residuals (N,) less what the shared errors, each of unit variance, most likely left in them.

    Shared errors are told apart from the points' own, so they must not swell these as well: the mean of the errors given
    the residuals (ridge regression of weight one) is taken out.
    """
    gradients, jacobian = model.gradients(solution.state, rows), model.evaluate(solution.state, rows)[1]
    left = (modes * gradients[0].T).sum(axis=2) + shared @ jacobian[:, 0]
    scaled = left / noise
    amount = np.linalg.solve(scaled @ scaled.T + np.eye(len(left)), scaled @ (solution.residuals[0] / noise))
    return np.asarray(solution.residuals[0] - amount @ left)


def _correlation_length(residuals: FloatArray, parameters: int) -> float:
    """How many points in order share one error: 1 + 2 Σ ρ, summed until ρ drops below its own noise.

    The fit takes `parameters` slow waves out of the residuals; each lag's ρ is raised by that share.
    """
    count = len(residuals)
    if count < 12:
        return 1.0
    centred = residuals - residuals.mean()
    power = float(centred @ centred)
    if power == 0:
        return 1.0
    length = 1.0
    for lag in range(1, count // 4):
        rho = float(centred[:-lag] @ centred[lag:]) / power + parameters / count
        if rho < 2 / math.sqrt(count):
            break
        length += 2 * rho
    return length
