"""Slots with round ends: two parallel sides and two half circles fitted together."""

from __future__ import annotations

import math

import numpy as np

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.fitting import Fitted, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame, base_swing
from fit.shapes.inplane import exact_plane, frame_of, seen_in, with_plane
from fit.shapes.plane import fit_plane, principal_axes

__all__ = ["SlotModel", "fit_slot"]

_ROUND_THE_END = 0.5
"""Sine of how far round from the sides each end must be seen at least: 30°."""


class SlotModel:
    """State and step: centre u, v, angle of the long axis, half the distance of the end centres, end radius."""

    kind = "slot"
    parameters = 5
    per_point = 1

    def start(self, rows: FloatArray) -> FloatArray:
        """Best of a few turns of the principal axis, each boxed by the points' extent."""
        _, _, directions = principal_axes(rows)
        angle = math.atan2(directions[1, 1], directions[0, 1])
        trials = [self._boxed(rows, angle + turn) for turn in np.radians([0.0, 12.0, -12.0, 30.0, -30.0])]
        sums = [float(np.abs(self.residuals(trial, rows)).sum()) for trial in trials]
        return trials[int(np.argmin(sums))]

    def _boxed(self, rows: FloatArray, angle: float) -> FloatArray:
        c, s = math.cos(angle), math.sin(angle)
        turned = np.array([[c, s], [-s, c]]) @ rows
        low, high = turned.min(axis=1), turned.max(axis=1)
        middle, half = (low + high) / 2, (high - low) / 2
        centre = np.array([[c, -s], [s, c]]) @ middle
        return np.array([*centre, angle, max(half[0] - half[1], 0.05 * half[0]), half[1]])

    def evaluate(self, state: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        x, y, ex, ey, rho = self._local(state, rows)
        c, s = math.cos(state[2]), math.sin(state[2])
        jacobian = np.empty((5, 1, len(x)))
        jacobian[0, 0] = s * ey - c * ex
        jacobian[1, 0] = -s * ex - c * ey
        jacobian[2, 0] = ex * y - ey * x
        jacobian[3, 0] = -np.abs(ex)
        jacobian[4] = -1.0
        return (rho - state[4])[None], jacobian

    def residuals(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        return np.asarray((self._local(state, rows)[4] - state[4])[None])

    def _local(self, state: FloatArray, rows: FloatArray) -> tuple[FloatArray, ...]:
        """Coordinates along and across, unit vector away from the middle line, distance from it."""
        c, s = math.cos(state[2]), math.sin(state[2])
        u, v = rows[0] - state[0], rows[1] - state[1]
        x, y = c * u + s * v, c * v - s * u
        over = x - np.minimum(np.maximum(x, -state[3]), state[3])
        rho = np.maximum(np.sqrt(over * over + y * y), 1e-300)
        return x, y, over / rho, y / rho, rho

    def move(self, state: FloatArray, step: FloatArray) -> FloatArray:
        new = state + step
        new[3:] = np.abs(new[3:])
        return new

    def gradients(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        _, _, ex, ey, _ = self._local(state, rows)
        c, s = math.cos(state[2]), math.sin(state[2])
        return np.stack([c * ex - s * ey, s * ex + c * ey])[None]


def fit_slot(
    points: Points,
    plane: Feature | None = None,
    *,
    robust: bool = True,
    correlated: bool = False,
    form: str = "least-squares",
) -> Feature:
    """Fit a slot with round ends by orthogonal distance, points in any order.

    Values: centre, n, length over all, width, and angle of the long axis (0 to π) from +x projected into the plane
    (+y where n is within 1° of x).

    Parameters
    ----------
    points : at least 5 (6 where the noise is not known), some on both sides and both ends.
    plane : plane to lie in, as in `fit_circle`; left out, the points' own.
    robust, correlated : as in `fit_plane`. form : ``profile``, width of the zone about the outline.

    Raises
    ------
    CannotDetermine : too few points, an end or side without any, or an outline that is as good as a circle.
    """
    if plane is None:
        plane = exact_plane(points) or fit_plane(points, robust=robust, form="none").renamed("")
    frame, model = frame_of(plane), SlotModel()
    cloud = seen_in(frame, points)
    try:
        fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    except CannotDetermine as error:
        message = f"{error} A slot needs points on both sides and on both ends."
        raise CannotDetermine(message) from error
    centre = frame.origin + frame.axes[:, :2] @ fitted.state[:2]
    _refuse_round(fitted)
    _refuse_open(model, fitted, cloud.rows)
    both = with_plane(plane, frame, fitted, points.shared_names, centre)
    turn = _turn(frame)
    _, _, angle, half, radius = fitted.state
    return Feature(
        name="slot",
        kind="slot",
        order=KIND_ORDER["slot"],
        values=np.array([*centre, *frame.axes[:, 2], 2 * (half + radius), 2 * radius, angle % math.pi]),
        cov_own=turn @ both.cov @ turn.T,
        shared=both.shared @ turn.T,
        shared_names=both.names,
        dof=both.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form_of("profile", model, fitted, cloud.rows, form),
        residuals=fitted.residuals[0],
        rejected=fitted.rejected,
        on=plane.name or None,
        source=points.source,
    )


def _turn(frame: Frame) -> FloatArray:
    """Derivatives (9, 8) of the slot's values by its steps, the height of its centre and the lean of n."""
    turn = np.zeros((9, 8))
    turn[:3, [0, 1, 5]] = frame.axes
    turn[3:6, 6:8] = frame.axes[:, :2]
    turn[6, 3:5] = 2.0
    turn[7, 4] = 2.0
    turn[8, 2] = 1.0
    turn[8, 6:8] = base_swing(frame.axes) @ frame.axes[:, :2]
    return turn


def _refuse_round(fitted: Fitted) -> None:
    half, u = float(fitted.state[3]), math.sqrt(fitted.cov[3, 3])
    if half > 3 * u and half > 0.02 * fitted.state[4]:
        return
    message = (
        f"The outline is as good as a circle: its end centres lie {2 * half:.3g} ± {4 * u:.2g} mm apart. "
        "Fit a circle, or measure more of both sides."
    )
    raise CannotDetermine(message)


def _refuse_open(model: SlotModel, fitted: Fitted, rows: FloatArray) -> None:
    """Refuse where an end has points only near its joints to the sides: there the outline hardly tells the length."""
    along = model._local(fitted.state, rows[:, fitted.kept])[2]
    reach = min(float(along.max()), float(-along.min()))
    if reach >= _ROUND_THE_END:
        return
    message = (
        f"One end of the slot is seen only up to {math.degrees(math.asin(max(reach, 0.0))):.0f}° round from its sides, so "
        "its length is open. Measure both ends."
    )
    raise CannotDetermine(message)
