"""Arcs: a circle with a start and a span."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.shapes.circle import CircleFit, circle_of
from fit.shapes.curvature import refuse_flat, span_of
from fit.shapes.frame import axes_about, base_swing

__all__ = ["fit_arc"]


def fit_arc(
    points: Points,
    plane: Feature | None = None,
    *,
    robust: bool = True,
    correlated: bool = False,
    form: str = "least-squares",
) -> Feature:
    """Fit a circular arc by orthogonal distance; parameters and errors as in `fit_circle`.

    It runs counter-clockwise about n from the foot of one end point to that of the other, across the side that has the
    widest gap between points. The start angle counts from +x projected into the plane (+y where n is within 1° of x).
    """
    circle = circle_of(points, plane, robust=robust, correlated=correlated, form=form)
    kept = circle.fitted.kept
    refuse_flat(points, circle.frame, circle.radius, math.sqrt(circle.cov[5, 5]), kept)
    members = np.flatnonzero(kept)
    axes = axes_about(circle.frame.axes[:, 2])
    flat = (points.xyz[members] - circle.frame.origin) @ axes
    angles = np.arctan2(flat[:, 1], flat[:, 0])
    first, last, span = span_of(angles)
    start = float(angles[first])
    ends = members[[first, last]]
    turn = _turn(circle, axes, np.array([start, start + span]), flat[[first, last], 2])
    cov = turn @ circle.cov @ turn.T
    cov[7:, 7:] += _end_noise(points, circle, ends)
    shared = circle.shared @ turn.T
    shared[:, 7:] += _end_moves(points, circle, ends, axes, np.array([start, start + span]))
    return Feature(
        name="arc",
        kind="arc",
        order=KIND_ORDER["arc"],
        values=np.array([*circle.frame.origin, *axes[:, 2], circle.radius, start % (2 * math.pi), span]),
        cov_own=cov,
        shared=shared,
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


def _turn(circle: CircleFit, axes: FloatArray, angles: FloatArray, heights: FloatArray) -> FloatArray:
    """Derivatives (9, 6) of the arc's values by the circle's steps, with the end points held.

    angles, heights : (2,) of the end points; one that lies off the plane has a foot that moves as n leans.
    """
    turn = np.zeros((9, 6))
    turn[:6] = circle.centre_and_normal()
    turn[6, 5] = 1.0
    tangents = _tangents(axes, angles)
    swing = -tangents @ turn[:3] / circle.radius - heights[:, None] * (tangents @ turn[3:6]) / circle.radius
    turn[7] = swing[0] + base_swing(axes) @ turn[3:6]
    turn[8] = swing[1] - swing[0]
    return turn


def _tangents(axes: FloatArray, angles: FloatArray) -> FloatArray:
    return np.stack([-np.sin(angles), np.cos(angles)], axis=1) @ axes[:, :2].T


def _end_noise(points: Points, circle: CircleFit, ends: NDArray[np.int_]) -> FloatArray:
    """Covariance (2, 2) of start and span from the end points' own noise along the arc."""
    noise = points.noise[ends]
    if not np.isfinite(points.noise).all():
        noise = np.full(2, circle.fitted.rms)
    first, last = (noise / circle.radius) ** 2
    return np.array([[first, -first], [-first, first + last]])


def _end_moves(
    points: Points, circle: CircleFit, ends: NDArray[np.int_], axes: FloatArray, angles: FloatArray
) -> FloatArray:
    """Moves (K, 2) of start and span as the shared sources carry the end points along the arc."""
    moves = np.zeros((len(circle.names), 2))
    tangents = _tangents(axes, angles)
    swing = np.einsum("kei,ei->ke", points.shared[:, ends], tangents) / circle.radius
    for name, (first, last) in zip(points.shared_names, swing, strict=True):
        moves[circle.names.index(name)] = first, last - first
    return moves
