"""Circles by orthogonal distance, in space or in a plane."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.curvature import refuse_flat, refuse_straight
from fit.shapes.fitting import Fitted, cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame, frame_at, upright
from fit.shapes.inplane import exact_plane, frame_of, seen_in, with_plane
from fit.shapes.plane import principal_axes
from fit.shapes.round import RoundModel
from fit.shapes.taubin import taubin

__all__ = ["CircleFit", "CircleInPlaneModel", "CircleModel", "circle_of", "fit_circle"]


class CircleInPlaneModel(RoundModel):
    """State and step: centre u, v and radius."""

    kind = "circle"
    parameters = 3
    sample = 3

    def sampled(self, rows: FloatArray, picks: NDArray[np.int_]) -> tuple[Callable[[int], FloatArray], FloatArray]:
        """Circles through triples (K, 3) and the distances (K, N) of all points from them."""
        first = rows[:, picks[:, 0]]
        a, b = rows[:, picks[:, 1]] - first, rows[:, picks[:, 2]] - first
        with np.errstate(divide="ignore", invalid="ignore"):
            double = 2 * (a[0] * b[1] - a[1] * b[0])
            aa, bb = a[0] ** 2 + a[1] ** 2, b[0] ** 2 + b[1] ** 2
            centre = np.stack([b[1] * aa - a[1] * bb, a[0] * bb - b[0] * aa]) / double
            radius = np.hypot(*centre)
            centre += first
            u, v = rows[0] - centre[0][:, None], rows[1] - centre[1][:, None]
            distances = np.sqrt(u * u + v * v) - radius[:, None]
        return np.column_stack([*centre, radius]).__getitem__, distances


class CircleModel:
    """State: frame at the centre with n as axis, and radius; step: shift (3,), lean to e1 and e2, radius."""

    kind = "circle"
    parameters = 6
    per_point = 2
    sample = 3

    def start(self, rows: FloatArray) -> tuple[Frame, float]:
        centre, _, directions = principal_axes(rows)
        frame = frame_at(centre, directions[:, 0])
        u, v, radius = taubin(frame.local(rows)[:2])
        return frame.moved((u, v, 0.0), (0.0, 0.0)), float(radius)

    def evaluate(self, state: tuple[Frame, float], rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        x, y, z = state[0].local(rows)
        rho = np.hypot(x, y)
        ux, uy = x / np.maximum(rho, 1e-300), y / np.maximum(rho, 1e-300)
        one, none = -np.ones_like(z), np.zeros_like(z)
        radial = [-ux, -uy, none, -ux * z, -uy * z, one]
        axial = [none, none, one, x, y, none]
        return np.stack([rho - state[1], z]), np.stack([np.stack(radial), np.stack(axial)], axis=1)

    def move(self, state: tuple[Frame, float], step: FloatArray) -> tuple[Frame, float]:
        return state[0].moved(step[:3], step[3:5]), state[1] + float(step[5])

    def gradients(self, state: tuple[Frame, float], rows: FloatArray) -> FloatArray:
        frame = state[0]
        x, y, _ = frame.local(rows)
        rho = np.hypot(x, y)
        radial = frame.axes[:, :2] @ np.stack([x / rho, y / rho])
        return np.stack([radial, np.broadcast_to(frame.axes[:, 2][:, None], radial.shape)])

    def sampled(
        self, rows: FloatArray, picks: NDArray[np.int_]
    ) -> tuple[Callable[[int], tuple[Frame, float]], FloatArray]:
        """Circles through triples (K, 3) and the distances (K, N) of all points from them."""
        first = rows[:, picks[:, 0]].T
        a, b = rows[:, picks[:, 1]].T - first, rows[:, picks[:, 2]].T - first
        cross = np.cross(a, b)
        with np.errstate(divide="ignore", invalid="ignore"):
            square = np.sum(cross**2, axis=1, keepdims=True)
            aa, bb = np.sum(a**2, axis=1, keepdims=True), np.sum(b**2, axis=1, keepdims=True)
            arm = (np.cross(cross, a) * bb + np.cross(b, cross) * aa) / (2 * square)
            normal = cross / np.sqrt(square)
        radius = np.linalg.norm(arm, axis=1)
        off = rows.T[None] - (first + arm)[:, None]
        height = np.einsum("kni,ki->kn", off, normal)
        rho = np.sqrt(np.maximum(np.sum(off**2, axis=2) - height**2, 0.0))
        distances = np.hypot(rho - radius[:, None], height)
        return lambda i: (frame_at(first[i] + arm[i], normal[i]), float(radius[i])), distances


@dataclass(frozen=True, eq=False, slots=True)
class CircleFit:
    """A circle with the errors of its steps: centre along e1, e2 and n, lean of n to e1 and e2, radius.

    frame is at the centre. cov (6, 6), shared (K, 6) with names (K,).
    """

    frame: Frame
    radius: float
    cov: FloatArray
    shared: FloatArray
    names: tuple[str, ...]
    dof: float
    fitted: Fitted
    form: dict[str, float]
    on: str | None

    def centre_and_normal(self) -> FloatArray:
        """Derivatives (6, 6) of x y z nx ny nz by the steps."""
        turn = np.zeros((6, 6))
        turn[:3, :3] = self.frame.axes
        turn[3:, 3:5] = self.frame.axes[:, :2]
        return turn


def circle_of(
    points: Points, plane: Feature | None, *, robust: bool = True, correlated: bool = False, form: str = "least-squares"
) -> CircleFit:
    """Fit a circle in the given plane, in the plane the points lie in to rounding, or free in space."""
    plane = plane if plane is not None else exact_plane(points)
    if plane is not None:
        return _in_plane(points, plane, robust, correlated, form)
    cloud = cloud_of(points)
    try:
        fitted = fit_model(CircleModel(), cloud, robust=robust, correlated=correlated)
    except CannotDetermine:
        refuse_straight(points)
        raise
    frame, radius = fitted.state
    # roundness is that of the profile seen square to its own plane
    flat = replace(fitted, state=np.array([0.0, 0.0, radius]), residuals=fitted.residuals[:1])
    found = form_of("roundness", CircleInPlaneModel(), flat, frame.local(cloud.rows)[:2], form)
    cov, shared = fitted.cov, fitted.shared
    if float(upright(frame.axes[:, 2]) @ frame.axes[:, 2]) < 0:
        # half a turn about e1 makes n upright; steps along e2 and n and the lean to e1 change sign with it
        flip = np.array([1.0, -1.0, -1.0, -1.0, 1.0, 1.0])
        frame = Frame(frame.origin, frame.axes * np.array([1.0, -1.0, -1.0]))
        cov, shared = cov * np.outer(flip, flip), shared * flip
    return CircleFit(frame, radius, cov, shared, points.shared_names, fitted.dof, fitted, found, None)


def _in_plane(points: Points, plane: Feature, robust: bool, correlated: bool, form: str) -> CircleFit:
    frame, model = frame_of(plane), CircleInPlaneModel()
    cloud = seen_in(frame, points)
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    centre = frame.origin + frame.axes[:, :2] @ fitted.state[:2]
    both = with_plane(plane, frame, fitted, points.shared_names, centre)
    order = [0, 1, 3, 4, 5, 2]
    return CircleFit(
        Frame(centre, frame.axes),
        float(fitted.state[2]),
        both.cov[np.ix_(order, order)],
        both.shared[:, order],
        both.names,
        both.dof,
        fitted,
        form_of("roundness", model, fitted, cloud.rows, form),
        plane.name or None,
    )


def fit_circle(
    points: Points,
    plane: Feature | None = None,
    *,
    robust: bool = True,
    correlated: bool = False,
    form: str = "least-squares",
) -> Feature:
    """Fit a circle by orthogonal distance, weighted by the points' noise.

    Parameters
    ----------
    points : at least 3 (4 where the noise is not known).
    plane : plane to lie in; the points are projected into it along its normal and its errors are carried. Left out,
        plane and circle are fitted together, or in the plane that the points lie in to rounding.
    robust, correlated : as in `fit_plane`. form : roundness as in ISO 12181-1 (MZCI).

    Raises
    ------
    CannotDetermine : too few points, points in line, or an arc too short to tell a radius from.
    """
    circle = circle_of(points, plane, robust=robust, correlated=correlated, form=form)
    refuse_flat(points, circle.frame, circle.radius, math.sqrt(circle.cov[5, 5]), circle.fitted.kept)
    turn = np.zeros((7, 6))
    turn[:6] = circle.centre_and_normal()
    turn[6, 5] = 2.0
    return Feature(
        name="circle",
        kind="circle",
        order=KIND_ORDER["circle"],
        values=np.array([*circle.frame.origin, *circle.frame.axes[:, 2], 2 * circle.radius]),
        cov_own=turn @ circle.cov @ turn.T,
        shared=circle.shared @ turn.T,
        shared_names=circle.names,
        dof=circle.dof,
        points=circle.fitted.count,
        rms=circle.fitted.rms,
        form=circle.form,
        residuals=circle.fitted.residuals[0],
        rejected=circle.fitted.rejected,
        on=circle.on,
        source=points.source,
    )
