"""Spheres by orthogonal distance."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.fitting import cloud_of, fit_model
from fit.shapes.form import form_of
from fit.shapes.round import RoundModel

__all__ = ["SphereModel", "fit_sphere"]

_HOPELESS = 0.2


class SphereModel(RoundModel):
    """State and step: centre x, y, z and radius."""

    kind = "sphere"
    parameters = 4
    sample = 4

    def sampled(self, rows: FloatArray, picks: NDArray[np.int_]) -> tuple[Callable[[int], FloatArray], FloatArray]:
        """Spheres through fours (K, 4) and the distances (K, N) of all points from them."""
        corners = rows.T[picks]
        arms = corners[:, 1:] - corners[:, :1]
        size = np.abs(np.linalg.det(arms)) > 1e-9 * np.prod(np.linalg.norm(arms, axis=2), axis=1)
        safe = np.where(size[:, None, None], arms, np.eye(3))
        middle = np.linalg.solve(safe, np.sum(arms**2, axis=2)[:, :, None] / 2)[:, :, 0]
        radius = np.where(size, np.linalg.norm(middle, axis=1), np.nan)
        centre = corners[:, 0] + middle
        square = np.sum(rows**2, axis=0) - 2 * centre @ rows + np.sum(centre**2, axis=1)[:, None]
        return np.column_stack([centre, radius]).__getitem__, np.sqrt(np.maximum(square, 0.0)) - radius[:, None]


def fit_sphere(
    points: Points, *, robust: bool = True, correlated: bool = False, form: str = "least-squares"
) -> Feature:
    """Fit a sphere by orthogonal distance, weighted by the points' noise.

    Parameters
    ----------
    points : at least 4 (5 where the noise is not known).
    robust, correlated : as in `fit_plane`. form : sphericity, minimum-zone width.

    Raises
    ------
    CannotDetermine : too few points, points in a plane, or a cap too small to tell a radius from.
    """
    cloud, model = cloud_of(points), SphereModel()
    fitted = fit_model(model, cloud, robust=robust, correlated=correlated)
    turn = np.diag([1.0, 1.0, 1.0, 2.0])
    radius, u = float(fitted.state[3]), math.sqrt(fitted.cov[3, 3])
    if u > _HOPELESS * radius:
        message = (
            f"The {fitted.count} points cover too little of the ball: diameter {2 * radius:.3g} ± {4 * u:.2g} mm. "
            "Touch it round its side as well."
        )
        raise CannotDetermine(message)
    return Feature(
        name="sphere",
        kind="sphere",
        order=KIND_ORDER["sphere"],
        values=turn @ fitted.state,
        cov_own=turn @ fitted.cov @ turn,
        shared=fitted.shared @ turn,
        shared_names=points.shared_names,
        dof=fitted.dof,
        points=fitted.count,
        rms=fitted.rms,
        form=form_of("sphericity", model, fitted, cloud.rows, form),
        residuals=fitted.residuals[0],
        rejected=fitted.rejected,
        source=points.source,
    )
