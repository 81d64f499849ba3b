"""Planes by orthogonal distance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.fitting import Fitted, cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame, frame_along, frame_at, upright
from fit.shapes.sums import blocks, gram

__all__ = ["PlaneModel", "fit_plane", "mass_of", "plane_feature", "principal_axes"]

_LEAST_WIDTH = 5.0
"""Points must spread across their longest direction by this many times their noise to fix the tilt about it."""


def mass_of(rows: FloatArray, weight: FloatArray | None) -> float:
    """Sum of the weights; the number of points where all weigh the same."""
    return float(rows.shape[1] if weight is None else weight.sum())


def principal_axes(rows: FloatArray, weight: FloatArray | None = None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weighted centroid (D,), mean squares (D,) in ascending order and directions (D, D) in columns."""
    centre = rows.sum(axis=1) / rows.shape[1] if weight is None else rows @ weight / weight.sum()
    scatter: float | FloatArray = 0.0
    for run in blocks(rows.shape[1]):
        off = rows[:, run] - centre[:, None]
        scatter = scatter + gram(off, off if weight is None else off * weight[run])
    squares, directions = np.linalg.eigh(scatter / mass_of(rows, weight))
    return centre, np.maximum(squares, 0.0), directions


class PlaneModel:
    """Local step: height along n, lean towards e1 and e2."""

    kind = "plane"
    parameters = 3
    per_point = 1
    sample = 3

    def start(self, rows: FloatArray) -> Frame:
        return self.solved(rows, None)[0]

    def solved(self, rows: FloatArray, weight: FloatArray | None) -> tuple[Frame, list[float]]:
        """Plane of weighted least squares in closed form: square to the direction of least spread."""
        centre, squares, directions = principal_axes(rows, weight)
        mass = mass_of(rows, weight)
        _, width, length = squares.tolist()
        return frame_along(centre, directions[:, 0], directions[:, 2]), [mass, length * mass, width * mass]

    def residuals(self, state: Frame, rows: FloatArray) -> FloatArray:
        normal = state.axes[:, 2]
        residuals = np.asarray(normal @ rows)
        residuals -= float(normal.dot(state.origin))
        return residuals[None]

    def evaluate(self, state: Frame, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        local = state.local(rows)
        jacobian = np.empty((3, 1, rows.shape[1]))
        jacobian[0] = -1.0
        jacobian[1:, 0] = local[:2]
        return local[2:], jacobian

    def move(self, state: Frame, step: FloatArray) -> Frame:
        return state.moved((0.0, 0.0, step[0]), step[1:3])

    def gradients(self, state: Frame, rows: FloatArray) -> FloatArray:
        return np.broadcast_to(state.axes[:, 2][None, :, None], (1, 3, rows.shape[1]))

    def sampled(self, rows: FloatArray, picks: NDArray[np.int_]) -> tuple[Callable[[int], Frame], FloatArray]:
        """Planes through triples (K, 3) of points and the distances (K, N) of all points from them."""
        first, second, third = (rows[:, picks[:, i]].T for i in range(3))
        normal = np.cross(second - first, third - first)
        with np.errstate(divide="ignore", invalid="ignore"):
            normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        distances = normal @ rows - np.sum(normal * first, axis=1)[:, None]
        return lambda i: frame_at(first[i], normal[i]), distances


def fit_plane(points: Points, *, robust: bool = True, correlated: bool = False, form: str = "least-squares") -> Feature:
    """Fit a plane by orthogonal distance, weighted by the points' noise.

    x y z is the centroid's foot; its errors are along the normal only. The normal points to the side that the points'
    own normals name, else its largest component is positive.

    Parameters
    ----------
    points : at least 3 (4 where the noise is not known).
    robust : leave stray points out; correlated : points are in order along an edge and may share slow errors.
    form : ``none``, ``least-squares`` or ``minimum-zone`` (flatness as in ISO 12781-1, MZPL).

    Raises
    ------
    CannotDetermine : too few points, or points in line.
    """
    cloud, model = cloud_of(points), PlaneModel()
    try:
        fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    except CannotDetermine:
        if len(points) > 2:
            _refuse_line(len(points), principal_axes(cloud.rows)[1], 0.0)
        raise
    # J W Jᵀ holds the points' mean squares along the plane
    squares = [fitted.rms**2, *np.sort(1 / np.linalg.eigvalsh(fitted.inverse[1:, 1:])) / fitted.count]
    _refuse_line(fitted.count, squares, _LEAST_WIDTH)
    return plane_feature(points, fitted, form_of("flatness", model, fitted, cloud.rows, form))


def plane_feature(points: Points, fitted: Fitted, form: dict[str, float]) -> Feature:
    """Plane of a fit with its errors; see `fit_plane`."""
    state: Frame = fitted.state
    foot = fitted.used(points.xyz, axis=0).T @ np.full(fitted.count, 1 / fitted.count)
    height = float(state.axes[:, 2] @ (foot - state.origin))
    foot = foot - state.axes[:, 2] * height
    inner = state.local(foot[:, None])[:, 0]
    normal = _faced(state.axes[:, 2], fitted.used(points.normal, axis=0))
    turn = np.zeros((6, 3))
    turn[:3] = np.outer(state.axes[:, 2], [1.0, -inner[0], -inner[1]])
    turn[3:, 1:] = state.axes[:, :2] * math.copysign(1.0, float(normal @ state.axes[:, 2]))
    return Feature(
        name="plane",
        kind="plane",
        order=KIND_ORDER["plane"],
        values=np.concatenate([foot, normal]),
        cov_own=turn @ fitted.cov @ turn.T,
        shared=fitted.shared @ turn.T,
        shared_names=points.shared_names,
        dof=fitted.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form,
        residuals=fitted.residuals[0] * math.copysign(1.0, float(normal @ state.axes[:, 2])),
        rejected=fitted.rejected,
        source=points.source,
    )


def _faced(normal: FloatArray, sides: FloatArray) -> FloatArray:
    """Normal turned to the side that the points' normals name; upright where they name none."""
    along = sides @ normal
    along = along[np.isfinite(along)]
    side = float(along.sum())
    if abs(side) > 0.5 * len(along):
        return normal if side > 0 else -normal
    return upright(normal)


def _refuse_line(count: int, squares: Sequence[float] | FloatArray, times: float) -> None:
    """Refuse points that spread across their longest direction by less than `times` their own scatter."""
    length, width = (2 * math.sqrt(3 * square) for square in (squares[2], squares[1]))
    spread = math.sqrt(squares[0] * count / max(count - 3, 1))
    if math.sqrt(squares[1]) > max(times * spread, 1e-7 * length):
        return
    shape = "lie in line" if width < 0.2 * length else "lie on no plane"
    message = (
        f"The {count} points {shape}: {length:.4g} mm long, {width:.3g} mm wide, scatter {spread:.2g} mm. "
        "Touch the face farther apart, and leave out what does not belong to it."
    )
    raise CannotDetermine(message)
