"""Tie features of one station: which touches make a ball, which a single point, and where their centres are."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine, InputError
from fit.lists import PointList
from fit.points import FloatArray, Points

__all__ = ["TIE_NOISE", "Tie", "find_ties", "matches", "pooled_spread"]

TIE_NOISE = 0.03
"""mm, standard uncertainty of a touch where no repeated touch tells it (hand-held arm; common practice, no source)."""
_BALL_TOUCHES = 5
_POINT_SIZE = 1.0


@dataclass(frozen=True, eq=False, slots=True)
class Tie:
    """One tie in one station.

    Attributes
    ----------
    name : of the feature. ball : whether it is a ball (else one point).
    rows : (n,) touches used, as indices into the station's list. touches : (n, 3) mm. centre : (3,) mm.
    unit_cov : (3, 3) covariance of the centre per unit variance of a touch.
    radius : mm, of the tip centres' sphere; 0 for a point. square, dof : sum of squared residuals and its freedom.
    """

    name: str
    ball: bool
    rows: NDArray[np.int_]
    touches: FloatArray
    centre: FloatArray
    unit_cov: FloatArray
    radius: float
    square: float
    dof: int


def matches(name: str, patterns: Sequence[str]) -> bool:
    """Whether a feature name fits a shell-style pattern; letter case does not matter."""
    return any(fnmatchcase(name.lower(), pattern.lower()) for pattern in patterns)


def find_ties(listed: PointList, patterns: Sequence[str], spread: float = math.nan) -> Mapping[str, Tie]:
    """Tie features of a station by name: a ball where the touches spread and make one, else the mean of the touches.

    Where the spread of a touch, mm, is known from all ties, strays show that hide in the scatter of one ball.

    Raises InputError where a tie can be neither.
    """
    names = [name for name in dict.fromkeys(listed.names.tolist()) if matches(name, patterns)]
    return {name: _tie(listed, name, spread) for name in names}


def _tie(listed: PointList, name: str, spread: float) -> Tie:
    rows = np.flatnonzero(listed.names == name)
    touches = listed.xyz[rows]
    middle = touches.mean(axis=0)
    if float(np.linalg.norm(touches - middle, axis=1).max()) < _POINT_SIZE:
        square = float(np.sum((touches - middle) ** 2))
        return Tie(name, False, rows, touches, middle, np.eye(3) / len(rows), 0.0, square, 3 * (len(rows) - 1))
    return _ball(listed.path, name, rows, Points(touches, noise=np.full(len(rows), spread)))


def _ball(path: str, name: str, rows: NDArray[np.int_], points: Points) -> Tie:
    from fit.shapes import fit_sphere

    touches = points.xyz
    if len(rows) < _BALL_TOUCHES:
        message = (
            f"{path}: tie '{name}' has {len(rows)} touches up to {np.ptp(touches, axis=0).max():.3g} mm apart; "
            f"a ball needs at least {_BALL_TOUCHES}, a tie point repeats within {_POINT_SIZE:g} mm."
        )
        raise InputError(message)
    try:
        found = fit_sphere(points)
    except CannotDetermine as error:
        message = f"{path}: tie '{name}' is no ball: {error}"
        raise InputError(message) from error
    kept = np.setdiff1d(np.arange(len(rows)), found.rejected)
    dof = len(kept) - 4
    square = found.rms**2 * len(kept)
    centre = found.vector(("x", "y", "z"))
    ray = touches[kept] - centre
    jacobian = np.column_stack([-ray / np.linalg.norm(ray, axis=1, keepdims=True), -np.ones(len(kept))])
    unit_cov = np.linalg.inv(jacobian.T @ jacobian)[:3, :3]
    return Tie(name, True, rows[kept], touches[kept], centre, unit_cov, found["diameter"] / 2, square, dof)


def pooled_spread(ties: Sequence[Tie]) -> tuple[float, int]:
    """Standard deviation of one touch over all ties, mm, and its degrees of freedom (0: assumed, see TIE_NOISE)."""
    dof = sum(tie.dof for tie in ties)
    if dof < 3:
        return TIE_NOISE, 0
    return float(np.sqrt(sum(tie.square for tie in ties) / dof)), dof
