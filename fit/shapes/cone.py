"""Cones by orthogonal distance."""

from __future__ import annotations

import math

import numpy as np

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.axis import AxisTrial, axis_start
from fit.shapes.fitting import Fitted, cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame
from fit.shapes.model import Tabulated
from fit.shapes.round import norms
from fit.shapes.solve import Descent

__all__ = ["ConeModel", "fit_cone"]

State = tuple[Frame, float, float]


class ConeModel(Tabulated):
    """State: frame with n along the axis, radius at its origin, half angle (radius grows along n).

    Step: shift to e1 and e2, lean to e1 and e2, radius, half angle.
    """

    kind = "cone"
    parameters = 6

    def start(self, rows: FloatArray) -> State:
        return self.descended(rows).state

    def descended(self, rows: FloatArray) -> Descent:
        return axis_start(self, rows, True, _state_of)

    def tabulate(self, state: State, rows: FloatArray, table: FloatArray) -> None:
        frame, radius, angle = state
        c, s = math.cos(angle), math.sin(angle)
        local = frame.local(rows)
        rho = norms(local[:2], out=table[-1])
        across = np.divide(local[:2], rho + 1e-300, out=table[2:4])
        np.multiply(across, -c, out=table[:2])
        np.subtract(rho, radius, out=local[1])
        np.matmul([[-s, -c], [c, -s]], local[1:], out=table[5:])
        across *= table[5] - s * radius
        table[4].fill(-c)

    def residuals(self, state: State, rows: FloatArray) -> FloatArray:
        local = state[0].local(rows)
        return ((norms(local[:2]) - state[1]) * math.cos(state[2]) - local[2] * math.sin(state[2]))[None]

    def move(self, state: State, step: FloatArray) -> State:
        u, v, lean_u, lean_v, radius, angle = step.tolist()
        return state[0].moved((u, v, 0.0), (lean_u, lean_v)), state[1] + radius, state[2] + angle

    def gradients(self, state: State, rows: FloatArray) -> FloatArray:
        across = state[0].local(rows)[:2]
        outward = across / norms(across) * math.cos(state[2])
        down = np.full((1, rows.shape[1]), -math.sin(state[2]))
        return (state[0].axes @ np.vstack([outward, down]))[None]


def _state_of(trial: AxisTrial) -> State:
    return trial[0], trial[1], math.atan(trial[2])


def fit_cone(points: Points, *, robust: bool = True, correlated: bool = False, form: str = "least-squares") -> Feature:
    """Fit a cone by orthogonal distance, weighted by the points' noise.

    x y z is the apex, n points from it into the cone, half_angle is in radians.

    Parameters
    ----------
    points : at least 6 (7 where the noise is not known), in two or more rings.
    robust, correlated : as in `fit_plane`. form : conicity, minimum-zone width.

    Raises
    ------
    CannotDetermine : too few points, or a taper that the points cannot tell from none.
    """
    cloud, model = cloud_of(points), ConeModel()
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    frame, radius, angle = fitted.state
    _refuse_straight(fitted)
    side = math.copysign(1.0, angle)
    place = -radius / math.tan(angle)
    across, normal = frame.axes[:, :2], frame.axes[:, 2]
    turn = np.zeros((7, 6))
    turn[:3, :4] = np.hstack([across, place * across])
    turn[:3, 4] = -normal / math.tan(angle)
    turn[:3, 5] = normal * radius / math.sin(angle) ** 2
    turn[3:6, 2:4] = side * across
    turn[6, 5] = side
    return Feature(
        name="cone",
        kind="cone",
        order=KIND_ORDER["cone"],
        values=np.array([*(frame.origin + place * normal), *(side * normal), abs(angle)]),
        cov_own=turn @ fitted.cov @ turn.T,
        shared=fitted.shared @ turn.T,
        shared_names=points.shared_names,
        dof=fitted.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form_of("conicity", model, fitted, cloud.rows, form),
        residuals=fitted.residuals[0],
        rejected=fitted.rejected,
        source=points.source,
    )


def _refuse_straight(fitted: Fitted) -> None:
    angle, u = abs(fitted.state[2]), math.sqrt(fitted.cov[5, 5])
    if 3 * u < angle < math.radians(89.0):
        return
    kind = "a cylinder" if angle < math.radians(45) else "a plane"
    message = (
        f"The half angle is {math.degrees(angle):.3g} ± {math.degrees(2 * u):.2g}°: as good as {kind}. "
        f"Fit {kind}, or measure more along the axis."
    )
    raise CannotDetermine(message)
