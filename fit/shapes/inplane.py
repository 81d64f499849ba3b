"""Shapes that lie in a plane: points seen in it, and the plane's own errors carried along."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points, align_shared
from fit.shapes.fitting import Cloud, Fitted, cloud_of, fit_model
from fit.shapes.frame import Frame, frame_at
from fit.shapes.plane import PlaneModel, plane_feature, principal_axes

__all__ = ["InPlane", "exact_plane", "frame_of", "seen_in", "with_plane"]


@dataclass(frozen=True, eq=False, slots=True)
class InPlane:
    """Errors of a shape in a plane: its own p steps, then height of its centre and lean of n to e1 and e2.

    cov (p + 3, p + 3), shared (K, p + 3) with names (K,).
    """

    cov: FloatArray
    shared: FloatArray
    names: tuple[str, ...]
    dof: float


def frame_of(plane: Feature) -> Frame:
    """Frame of a plane: origin at its point, e1 along +x projected into it."""
    if plane.kind != "plane":
        message = f"'{plane.name}' must be a plane to lie in; got a {plane.kind}."
        raise InputError(message)
    return frame_at(plane.vector(("x", "y", "z")), plane.vector(("nx", "ny", "nz")))


def exact_plane(points: Points) -> Feature | None:
    """Plane that points lie in to rounding (a photographed face at one height); None where they scatter about it.

    Such points say nothing about their noise across the plane, so the plane has no own error.
    """
    constant = _constant(points.xyz) if len(points) > 2 else []
    if len(points) < 3 or not (constant or _is_flat(points.xyz)):
        return None
    if constant and (not points.shared_names or _is_straight(points.xyz)):
        return _level_plane(points, constant[-1])
    noise = np.full(len(points), np.nan) if len(points) > 3 else np.ones(3)
    bare = replace(points, noise=noise)
    try:
        plane = plane_feature(bare, fit_model(PlaneModel(), cloud_of(bare), robust=False), {})
    except CannotDetermine:
        return None
    return replace(plane, name="", cov_own=np.zeros((6, 6)), dof=math.inf)


def _constant(xyz: FloatArray) -> list[int]:
    """Coordinates that are the same for all points."""
    return [i for i in range(3) if xyz[0, i] == xyz[-1, i] and bool((xyz[:, i] == xyz[0, i]).all())]


def _is_straight(xyz: FloatArray) -> bool:
    """True where points lie on one line to rounding, which leaves open how a plane through them leans about it."""
    _, squares, _ = principal_axes(np.ascontiguousarray(xyz.T))
    return bool(squares[1] <= 1e-12 * squares[2])


def _level_plane(points: Points, axis: int) -> Feature:
    """The plane square to a coordinate axis; shared errors shift it and lean it along the longest way of the points."""
    normal, middle = np.eye(3)[axis], points.xyz.T @ np.full(len(points), 1 / len(points))
    middle[axis] = points.xyz[0, axis]
    values, shared = np.concatenate([middle, normal]), np.zeros((0, 6))
    if points.shared_names:
        shared = _leant(points, normal, middle)
    return Feature("", "plane", KIND_ORDER["plane"], values, np.zeros((6, 6)), shared, points.shared_names)


def _leant(points: Points, normal: FloatArray, middle: FloatArray) -> FloatArray:
    """How shared errors (K, 6) move a plane and its normal, told from the heights along the points' longest way."""
    along = principal_axes(np.ascontiguousarray(points.xyz.T))[2][:, 2]
    reach = (points.xyz - middle) @ along
    height = points.shared @ normal
    lean = height @ reach / (reach @ reach)
    return np.hstack([height.mean(axis=1)[:, None] * normal, -lean[:, None] * along])


def _is_flat(xyz: FloatArray) -> bool:
    """True where the scatter of points about a plane is rounding alone."""
    _, squares, _ = principal_axes(np.ascontiguousarray(xyz.T))
    return bool(squares[0] <= 1e-15 * squares[2] and squares[1] > max(1e-14 * squares[2], 100 * squares[0]))


def seen_in(frame: Frame, points: Points) -> Cloud:
    """Points as rows (2, N) in a plane.

    A point at height h above the plane is projected along n, so its foot moves by −h δn. Where there are such points,
    two modes are added last: what a lean of n to e1 and e2 does to them.
    """
    cloud = cloud_of(points, frame.axes[:, :2], frame.origin)
    height, plane = points.xyz @ frame.axes[:, 2], float(frame.origin @ frame.axes[:, 2])
    if max(float(height.max()) - plane, plane - float(height.min())) < 1e-9:
        return cloud
    lean = (plane - height)[None, :, None] * np.eye(2)[:, None, :]
    return replace(cloud, modes=np.concatenate([cloud.modes, lean]))


def with_plane(plane: Feature, frame: Frame, fitted: Fitted, names: Sequence[str], centre: FloatArray) -> InPlane:
    """Join the errors of a fit in a plane with the plane's own; centre (3,) is where the height is told."""
    steps = len(fitted.cov)
    first, second, normal = frame.axes.T
    lean = fitted.shared[len(names) :]
    turn = np.zeros((steps + 3, 6))
    if len(lean):
        turn[:steps, 3:] = lean.T @ frame.axes[:, :2].T
    turn[steps, :3], turn[steps, 3:] = normal, -(centre - frame.origin)
    turn[steps + 1, 3:], turn[steps + 2, 3:] = first, second
    cov = turn @ plane.cov_own @ turn.T
    from_plane = float(cov[0, 0] + cov[1, 1])
    cov[:steps, :steps] += fitted.cov
    every = tuple(dict.fromkeys((*names, *plane.shared_names)))
    shared = np.zeros((len(every), steps + 3))
    shared[:, :steps] = align_shared(every, names, fitted.shared[: len(names)])
    shared += align_shared(every, plane.shared_names, plane.shared) @ turn.T
    return InPlane(cov, shared, every, _joined_dof(fitted, plane, from_plane))


def _joined_dof(fitted: Fitted, plane: Feature, from_plane: float) -> float:
    """Welch-Satterthwaite on the two first steps (JCGM 100:2008, G.4)."""
    own = float(fitted.cov[0, 0] + fitted.cov[1, 1])
    free = own**2 / fitted.dof + from_plane**2 / plane.dof
    return (own + from_plane) ** 2 / free if free > 0 else math.inf
