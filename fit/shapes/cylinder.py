"""Cylinders by orthogonal distance, with a free or a known diameter."""

from __future__ import annotations

import math

import numpy as np

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.axis import AxisTrial, axis_start
from fit.shapes.curvature import span_of
from fit.shapes.fitting import Fitted, cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.frame import Frame, upright
from fit.shapes.model import Tabulated
from fit.shapes.round import norms
from fit.shapes.solve import Descent

__all__ = ["CylinderModel", "fit_cylinder"]

_HOPELESS = 0.2

State = tuple[Frame, float]


class CylinderModel(Tabulated):
    """State: frame with n along the axis, and radius; step: shift to e1 and e2, lean to e1 and e2, radius if free."""

    kind = "cylinder"

    def __init__(self, radius: float | None = None) -> None:
        self.radius = radius
        self.parameters = 5 if radius is None else 4

    def start(self, rows: FloatArray) -> State:
        return self.descended(rows).state

    def descended(self, rows: FloatArray) -> Descent:
        return axis_start(self, rows, False, self._state_of)

    def _state_of(self, trial: AxisTrial) -> State:
        return trial[0], trial[1] if self.radius is None else self.radius

    def tabulate(self, state: State, rows: FloatArray, table: FloatArray) -> None:
        local = state[0].local(rows)
        rho = norms(local[:2], out=table[-1])
        rho += 1e-300
        np.multiply(local[:2], -1 / rho, out=table[:2])
        np.multiply(table[:2], local[2], out=table[2:4])
        if self.radius is None:
            table[4].fill(-1.0)
        rho -= state[1]

    def residuals(self, state: State, rows: FloatArray) -> FloatArray:
        return (norms(state[0].local(rows)[:2]) - state[1])[None]

    def move(self, state: State, step: FloatArray) -> State:
        u, v, *lean = step[:4].tolist()
        radius = state[1] + float(step[4]) if self.radius is None else state[1]
        return state[0].moved((u, v, 0.0), lean), radius

    def gradients(self, state: State, rows: FloatArray) -> FloatArray:
        across = state[0].local(rows)[:2]
        return np.asarray(state[0].axes[:, :2] @ (across / norms(across)))[None]


def fit_cylinder(
    points: Points,
    diameter: float | None = None,
    *,
    robust: bool = True,
    correlated: bool = False,
    form: str = "least-squares",
) -> Feature:
    """Fit a cylinder by orthogonal distance, weighted by the points' noise.

    x y z is the axis's point amid the points, its errors across the axis only; length is the extent of the points.

    Parameters
    ----------
    points : at least 5 (6 where the noise is not known), in two or more rings.
    diameter : known diameter in mm, such as a rod's; left out, it is fitted.
    robust, correlated : as in `fit_plane`. form : cylindricity as in ISO 12180-1 (MZCY).

    Raises
    ------
    CannotDetermine : too few points, or points that leave axis or diameter open.
    """
    cloud, model = cloud_of(points), CylinderModel(None if diameter is None else diameter / 2)
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    _refuse_loose(points, fitted)
    frame, radius = fitted.state
    along = fitted.used(points.xyz, axis=0) @ frame.axes[:, 2] - float(frame.origin @ frame.axes[:, 2])
    members = np.arange(len(points)) if fitted.count == len(points) else np.flatnonzero(fitted.kept)
    ends = members[[int(np.argmin(along)), int(np.argmax(along))]]
    middle = float(along.mean())
    normal = upright(frame.axes[:, 2])
    across, sign = frame.axes[:, :2], math.copysign(1.0, float(normal @ frame.axes[:, 2]))
    turn = np.zeros((8, model.parameters))
    turn[:3, :4] = np.hstack([across, middle * across])
    turn[3:6, 2:4] = sign * across
    turn[7, 2:4] = (points.xyz[ends[1]] - points.xyz[ends[0]]) @ across
    if diameter is None:
        turn[6, 4] = 2.0
    cov = turn @ fitted.cov @ turn.T
    noise = points.noise[ends] if cloud.noise is not None else np.full(2, fitted.rms)
    cov[7, 7] += float(noise @ noise)
    shared = fitted.shared @ turn.T
    shared[:, 7] += (points.shared[:, ends[1]] - points.shared[:, ends[0]]) @ frame.axes[:, 2]
    return Feature(
        name="cylinder",
        kind="cylinder",
        order=KIND_ORDER["cylinder"],
        values=np.array([*(frame.origin + middle * frame.axes[:, 2]), *normal, 2 * radius, float(np.ptp(along))]),
        cov_own=cov,
        shared=shared,
        shared_names=points.shared_names,
        dof=fitted.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form_of("cylindricity", model, fitted, cloud.rows, form),
        residuals=fitted.residuals[0],
        rejected=fitted.rejected,
        source=points.source,
    )


def _refuse_loose(points: Points, fitted: Fitted) -> None:
    """Refuse where the axis's lean or the radius is all but open, with the figures."""
    frame, radius = fitted.state
    lean = math.sqrt(float(np.linalg.eigvalsh(fitted.cov[2:4, 2:4])[-1]))
    u = math.sqrt(fitted.cov[4, 4]) if len(fitted.cov) > 4 else 0.0
    if lean < 0.2 and u < _HOPELESS * radius:
        return
    local = frame.axes.T @ (points.xyz[fitted.kept] - frame.origin).T
    span = math.degrees(span_of(np.arctan2(local[1], local[0]))[2])
    message = (
        f"The {fitted.count} points cover {span:.3g}° round and {np.ptp(local[2]):.3g} mm along: axis ± "
        f"{math.degrees(2 * lean):.2g}°, diameter {2 * radius:.3g} ± {4 * u:.2g} mm. Measure more of the surface."
    )
    raise CannotDetermine(message)
