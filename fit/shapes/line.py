"""Straight lines by orthogonal distance, in space or in a plane."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.fitting import Fitted, cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame, frame_at
from fit.shapes.inplane import exact_plane, frame_of, seen_in, with_plane
from fit.shapes.plane import mass_of, principal_axes

__all__ = ["LineInPlaneModel", "LineModel", "fit_line"]


@dataclass(frozen=True, eq=False, slots=True)
class _Axis:
    """A fitted line: point and direction (3,), how steps move its foot at t: (fixed + t growing) @ step."""

    point: FloatArray
    direction: FloatArray
    fixed: FloatArray
    growing: FloatArray
    cov: FloatArray
    shared: FloatArray
    names: tuple[str, ...]
    dof: float


class LineInPlaneModel:
    """State: (u, v, angle) of a point and the direction; local step: offset to the left, turn."""

    kind = "line"
    parameters = 2
    per_point = 1
    sample = 2

    def start(self, rows: FloatArray) -> FloatArray:
        return self.solved(rows, None)[0]

    def solved(self, rows: FloatArray, weight: FloatArray | None) -> tuple[FloatArray, list[float]]:
        centre, squares, directions = principal_axes(rows, weight)
        state, mass = np.array([*centre, math.atan2(directions[1, 1], directions[0, 1])]), mass_of(rows, weight)
        return state, [mass, float(squares[1]) * mass]

    def evaluate(self, state: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        c, s = math.cos(state[2]), math.sin(state[2])
        u, v = rows[0] - state[0], rows[1] - state[1]
        return (c * v - s * u)[None], np.stack([-np.ones_like(u), -(c * u + s * v)])[:, None]

    def residuals(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        c, s = math.cos(state[2]), math.sin(state[2])
        return np.asarray((c * (rows[1] - state[1]) - s * (rows[0] - state[0]))[None])

    def move(self, state: FloatArray, step: FloatArray) -> FloatArray:
        left = np.array([-math.sin(state[2]), math.cos(state[2])])
        return np.array([*(state[:2] + step[0] * left), state[2] + step[1]])

    def gradients(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        left = np.array([-math.sin(state[2]), math.cos(state[2])])
        return np.broadcast_to(left[None, :, None], (1, 2, rows.shape[1]))

    def sampled(self, rows: FloatArray, picks: NDArray[np.int_]) -> tuple[Callable[[int], FloatArray], FloatArray]:
        """Lines through pairs (K, 2) and the distances (K, N) of all points from them."""
        first = rows[:, picks[:, 0]].T
        along = rows[:, picks[:, 1]].T - first
        with np.errstate(divide="ignore", invalid="ignore"):
            along /= np.linalg.norm(along, axis=1, keepdims=True)
        left = np.stack([-along[:, 1], along[:, 0]], axis=1)
        distances = left @ rows - np.sum(left * first, axis=1)[:, None]
        states = np.column_stack([first, np.arctan2(along[:, 1], along[:, 0])])
        return states.__getitem__, distances


class LineModel:
    """State: frame with n along the line; local step: shift to e1 and e2, lean of n to e1 and e2."""

    kind = "line"
    parameters = 4
    per_point = 2
    sample = 2

    def start(self, rows: FloatArray) -> Frame:
        return self.solved(rows, None)[0]

    def solved(self, rows: FloatArray, weight: FloatArray | None) -> tuple[Frame, list[float]]:
        centre, squares, directions = principal_axes(rows, weight)
        mass = mass_of(rows, weight)
        long = float(squares[2]) * mass
        return frame_at(centre, directions[:, 2]), [mass, mass, long, long]

    def evaluate(self, state: Frame, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        x, y, z = state.local(rows)
        one, none = -np.ones_like(z), np.zeros_like(z)
        return np.stack([x, y]), np.stack([one, none, none, one, -z, none, none, -z]).reshape(4, 2, -1)

    def residuals(self, state: Frame, rows: FloatArray) -> FloatArray:
        return state.local(rows)[:2]

    def move(self, state: Frame, step: FloatArray) -> Frame:
        return state.moved((step[0], step[1], 0.0), step[2:4])

    def gradients(self, state: Frame, rows: FloatArray) -> FloatArray:
        return np.broadcast_to(state.axes[:, :2].T[:, :, None], (2, 3, rows.shape[1]))

    def sampled(self, rows: FloatArray, picks: NDArray[np.int_]) -> tuple[Callable[[int], Frame], FloatArray]:
        """Lines through pairs (K, 2) and the distances (K, N) of all points from them."""
        first = rows[:, picks[:, 0]].T
        along = rows[:, picks[:, 1]].T - first
        size = np.linalg.norm(along, axis=1, keepdims=True)
        good = size[:, 0] > 0
        along = np.where(size > 0, along, [1.0, 0.0, 0.0]) / np.where(size > 0, size, 1.0)
        off = rows.T[None] - first[:, None]
        across = np.sum(off**2, axis=2) - np.einsum("kni,ki->kn", off, along) ** 2
        distances = np.where(good[:, None], np.sqrt(np.maximum(across, 0.0)), np.nan)
        return lambda i: frame_at(first[i], along[i]), distances


def fit_line(
    points: Points,
    plane: Feature | None = None,
    *,
    robust: bool = True,
    correlated: bool = False,
    form: str = "least-squares",
) -> Feature:
    """Fit a straight line by orthogonal distance, weighted by the points' noise.

    It runs from the foot of one outermost point to that of the other, in the order of the points. The ends' errors are
    across the line only; the length's own error is that of the two outermost points along it. Points that lie in one
    plane to rounding, as those of a photographed face do, are fitted in that plane.

    Parameters
    ----------
    points : at least 2 (3 where the noise is not known).
    plane : plane to lie in; the points are projected into it along its normal. Left out, the line is free in space.
    robust, correlated : as in `fit_plane`. form : straightness as in ISO 12780-1 (MZLI).

    Raises
    ------
    CannotDetermine : too few points, or all in one place.
    """
    _refuse_spot(points)
    plane = plane if plane is not None else exact_plane(points)
    if plane is not None:
        return _line_in_plane(points, plane, robust, correlated, form)
    cloud, model = cloud_of(points), LineModel()
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    state: Frame = fitted.state
    across, none = state.axes[:, :2], np.zeros((3, 2))
    axis = _Axis(
        point=state.origin,
        direction=state.axes[:, 2],
        fixed=np.hstack([across, none]),
        growing=np.hstack([none, across]),
        cov=fitted.cov,
        shared=fitted.shared,
        names=points.shared_names,
        dof=fitted.dof,
    )
    return _feature(points, fitted, axis, form_of("straightness", model, fitted, cloud.rows, form))


def _line_in_plane(points: Points, plane: Feature, robust: bool, correlated: bool, form: str) -> Feature:
    frame, model = frame_of(plane), LineInPlaneModel()
    cloud = seen_in(frame, points)
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    c, s = math.cos(fitted.state[2]), math.sin(fitted.state[2])
    point = frame.origin + frame.axes[:, :2] @ fitted.state[:2]
    both = with_plane(plane, frame, fitted, points.shared_names, point)
    left, normal, none = frame.axes @ np.array([-s, c, 0.0]), frame.axes[:, 2], np.zeros(3)
    axis = _Axis(
        point=point,
        direction=frame.axes @ np.array([c, s, 0.0]),
        fixed=np.column_stack([left, none, normal, none, none]),
        growing=np.column_stack([none, left, none, -c * normal, -s * normal]),
        cov=both.cov,
        shared=both.shared,
        names=both.names,
        dof=both.dof,
    )
    return _feature(points, fitted, axis, form_of("straightness", model, fitted, cloud.rows, form), plane.name)


def _feature(points: Points, fitted: Fitted, axis: _Axis, form: dict[str, float], on: str | None = None) -> Feature:
    """Line from foot to foot with the errors of its ends and length."""
    members = np.flatnonzero(fitted.kept)
    along = (points.xyz[members] - axis.point) @ axis.direction
    ends = members[[int(np.argmin(along)), int(np.argmax(along))]]
    if ends[0] > ends[1]:
        ends = ends[::-1]
    places = (points.xyz[ends] - axis.point) @ axis.direction
    direction = axis.direction * math.copysign(1.0, float(places[1] - places[0]))
    turn = np.zeros((7, len(axis.cov)))
    turn[:3] = axis.fixed + places[0] * axis.growing
    turn[3:6] = axis.fixed + places[1] * axis.growing
    cov = turn @ axis.cov @ turn.T
    cov[6, 6] = _length_variance(points, fitted, ends)
    shared = axis.shared @ turn.T
    moved = (points.shared[:, ends[1]] - points.shared[:, ends[0]]) @ direction
    for name, move in zip(points.shared_names, moved, strict=True):
        shared[axis.names.index(name), 6] = move
    feet = axis.point + places[:, None] * axis.direction
    sizes = fitted.residuals[0] if len(fitted.residuals) == 1 else np.sqrt(np.sum(fitted.residuals**2, axis=0))
    return Feature(
        name="line",
        kind="line",
        order=KIND_ORDER["line"],
        values=np.array([*feet[0], *feet[1], abs(places[1] - places[0])]),
        cov_own=cov,
        shared=shared,
        shared_names=axis.names,
        dof=axis.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form,
        residuals=sizes,
        rejected=fitted.rejected,
        on=on or None,
        source=points.source,
    )


def _length_variance(points: Points, fitted: Fitted, ends: NDArray[np.int_]) -> float:
    noise = points.noise[ends]
    if np.isfinite(points.noise).all():
        return float(noise @ noise)
    per = len(fitted.residuals)
    return 2 * fitted.rms**2 / per * fitted.count * per / max(fitted.count * per - 2 * per, 1)


def _refuse_spot(points: Points) -> None:
    size = float(np.linalg.norm(np.ptp(points.xyz, axis=0))) if len(points) else 0.0
    noise = float(np.nanmax(points.noise)) if np.isfinite(points.noise).any() else 0.0
    if len(points) < 2 or size > max(3 * noise, 1e-9 * float(np.abs(points.xyz).max())):
        return
    message = (
        f"The {len(points)} points lie within {size:.3g} mm of each other, noise {noise:.2g} mm; they give no line. "
        "Measure points farther apart."
    )
    raise CannotDetermine(message)
