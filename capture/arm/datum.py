"""A datum frame from a job's own features (3-2-1) or from nominal points, with the datum's own uncertainty carried.

Everything is re-expressed to first order by directional derivatives: the datum features' errors act on the frame and
on themselves at once, so that a primary plane is exactly z = 0 in its own datum.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from capture.arm.rigid import register
from capture.arm.touched import as_shared
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points, align_shared
from fit.shapes.frame import axes_about

__all__ = ["Datum", "datum_from_features", "datum_from_nominal", "feature_in", "points_in"]

_AXIS = ("cylinder", "cone")
_PLACE = ("circle", "arc", "slot", "sphere", "cylinder", "cone")
_LEAST_ANGLE = math.radians(5.0)
_LEAST_BASE = 1.0
_LEVER, _STILL = 100.0, 1e-7
"""Lever at which a turn of the axes counts as a move, mm, and share of the most moving error below which one moves nothing."""
_TURNS = {"start": 2 * math.pi, "angle": math.pi}

Pose = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, eq=False, slots=True)
class Datum:
    """A frame as a function of the features it is built from.

    Attributes
    ----------
    features : the datum features; what of their own errors moves the frame is told as shared modes ``datum:NAME k``.
    pose : their values -> (rows of the frame's axes (3, 3), origin (3,)) in the old frame, mm.
    frame : what the new axes are, in words.
    """

    features: tuple[Feature, ...]
    pose: Callable[[Sequence[FloatArray]], Pose]
    frame: str

    @property
    def names(self) -> tuple[str, ...]:
        """Shared sources of all datum features."""
        return tuple(dict.fromkeys(name for feature in self.features for name in feature.shared_names))


def datum_from_features(features: Sequence[Feature]) -> Datum:
    """Datum from a primary, secondary and tertiary feature.

    Primary: a plane gives z out of it and z = 0; a cylinder or cone gives z along its axis. Secondary: a line gives x
    along it and y = 0; a plane gives y along its normal and y = 0; a hole, slot or ball gives the origin. Tertiary:
    gives x = 0, or after a secondary hole the direction of x.

    Raises
    ------
    InputError : a number or kinds of features that make no frame. CannotDetermine : nearly parallel or too close.
    """
    kinds = [feature.kind for feature in features]
    names = [feature.name for feature in features]
    if not 2 <= len(features) <= 3 or len(set(names)) < len(names):
        message = f"--datum needs a primary, a secondary and a tertiary feature, all different; got {', '.join(names)}."
        raise InputError(message)
    if kinds[0] != "plane" and kinds[0] not in _AXIS:
        message = f"--datum: the primary datum must be a plane, cylinder or cone; '{names[0]}' is a {kinds[0]}."
        raise InputError(message)
    if len(features) == 2 and kinds[1] != "line":
        message = f"--datum {','.join(names)} leaves the frame free along x; name a tertiary datum as well."
        raise InputError(message)

    def pose(values: Sequence[FloatArray]) -> Pose:
        return _three_two_one(features, values)

    words = ["primary", "secondary", "tertiary"]
    told = ", ".join(f"{word} datum {name}" for word, name in zip(words, names, strict=False))
    return _built(features, pose, f"datum frame: {told}")


def _built(features: Sequence[Feature], pose: Callable[[Sequence[FloatArray]], Pose], frame: str) -> Datum:
    """A datum from its features in order: what of their own errors does not move the frame stays their own."""
    values = [feature.values for feature in features]
    parts = (_told_as_datum(feature, _moves(pose, values, k)) for k, feature in enumerate(features))
    return Datum(tuple(parts), pose, frame)


def _moves(pose: Callable[[Sequence[FloatArray]], Pose], values: Sequence[FloatArray], which: int) -> FloatArray:
    """How far axes, at a lever, and origin move (12, P) by the values of one datum feature."""
    moves = np.zeros((12, len(values[which])))
    for j in range(moves.shape[1]):
        ends = []
        for step in (1e-5, -1e-5):
            pushed = [value.copy() for value in values]
            pushed[which][j] += step
            axes, origin = pose(pushed)
            ends.append(np.append(axes.ravel() * _LEVER, origin))
        moves[:, j] = (ends[0] - ends[1]) / 2e-5
    return moves


def _told_as_datum(feature: Feature, moves: FloatArray) -> Feature:
    """A datum feature with what of its own errors moves the frame (12, P) told as shared; a hole's size does not."""
    variances, vectors = np.linalg.eigh((feature.cov_own + feature.cov_own.T) / 2)
    root = vectors * np.sqrt(np.maximum(variances, 0.0))
    _, sizes, turns = np.linalg.svd(moves @ root)
    moved = int((sizes > _STILL * sizes[0]).sum())
    moving, still = root @ turns[:moved].T, root @ turns[moved:].T
    shared = as_shared(replace(feature, cov_own=moving @ moving.T), f"datum:{feature.name} ")
    return replace(_plain_names(shared), cov_own=still @ still.T, dof=feature.dof)


def _plain_names(feature: Feature) -> Feature:
    """``datum:flange :1`` reads better as ``datum:flange 1``."""
    names = tuple(name.replace(" :", " ") if name.startswith("datum:") else name for name in feature.shared_names)
    return replace(feature, shared_names=names)


def _three_two_one(parts: Sequence[Feature], values: Sequence[FloatArray]) -> Pose:
    at = [_Seen(part, value) for part, value in zip(parts, values, strict=True)]
    z = at[0].direction
    second, third = at[1], at[2] if len(at) > 2 else None
    if second.kind in _PLACE and third is not None:
        x = _across(z, third.place - second.place if third.kind in _PLACE else third.along(z), parts[2].name)
        origin = second.place
    else:
        x = _across(z, second.along(z), parts[1].name)
        origin = second.place
        if third is not None:
            origin = _meet(origin, x, np.cross(z, x), third, parts[2].name)
    if at[0].kind == "plane":
        origin = origin - z * float(z @ (origin - at[0].place))
    return np.stack([x, np.cross(z, x), z]), origin


@dataclass(frozen=True, eq=False, slots=True)
class _Seen:
    """A datum feature at some values: a place, and its normal, axis or direction."""

    feature: Feature
    values: FloatArray

    @property
    def kind(self) -> str:
        return self.feature.kind

    def _get(self, keys: Sequence[str]) -> FloatArray:
        return self.values[[self.feature.order.index(key) for key in keys]]

    @property
    def place(self) -> FloatArray:
        return self._get(("x1", "y1", "z1")) if self.kind == "line" else self._get(("x", "y", "z"))

    @property
    def direction(self) -> FloatArray:
        if self.kind != "line":
            return self._get(("nx", "ny", "nz")) / np.linalg.norm(self._get(("nx", "ny", "nz")))
        vector = self._get(("x2", "y2", "z2")) - self.place
        return np.asarray(vector / np.linalg.norm(vector))

    def along(self, z: FloatArray) -> FloatArray:
        """Direction that it gives x: along a line, or along a plane's crossing with the primary plane."""
        return np.cross(self.direction, z) if self.kind == "plane" else self.direction


def _across(z: FloatArray, vector: FloatArray, name: str) -> FloatArray:
    """Unit vector of what is left of a direction square to z."""
    flat = vector - z * float(z @ vector)
    length = float(np.linalg.norm(flat))
    whole = max(float(np.linalg.norm(vector)), 1e-12)
    if length < max(math.sin(_LEAST_ANGLE) * min(whole, 1.0), 1e-9) or (whole > 1.001 and length < _LEAST_BASE):
        message = (
            f"--datum: '{name}' gives no direction across the primary datum (nearly parallel, or too close to it)."
        )
        raise CannotDetermine(message)
    return np.asarray(flat / length)


def _meet(origin: FloatArray, x: FloatArray, y: FloatArray, third: _Seen, name: str) -> FloatArray:
    """Slide the origin along x to the tertiary datum."""
    if third.kind in _PLACE:
        return np.asarray(origin + x * float(x @ (third.place - origin)))
    normal = third.direction if third.kind == "plane" else _beside(third.direction, np.cross(x, y))
    slope = float(normal @ x)
    if abs(slope) < math.sin(_LEAST_ANGLE):
        message = f"--datum: the tertiary datum '{name}' runs nearly along the secondary and does not fix x."
        raise CannotDetermine(message)
    return np.asarray(origin + x * float(normal @ (third.place - origin)) / slope)


def _beside(direction: FloatArray, z: FloatArray) -> FloatArray:
    """Unit vector square to a line as it is seen along z."""
    normal = np.cross(z, direction)
    return np.asarray(normal / max(float(np.linalg.norm(normal)), 1e-12))


def datum_from_nominal(features: Sequence[Feature], nominal: FloatArray, told: str) -> Datum:
    """Best fit, without scaling, of features' centres to nominal places (K, 3) mm, row by row.

    All centres count alike: what they miss their nominal places by is the part's own, not how often each was touched, so
    that the frame of a part is the same however it is measured. Raises CannotDetermine for fewer than three or all in a
    line, InputError for a feature without a centre.
    """
    for feature in features:
        if feature.kind not in _PLACE or feature.kind == "cylinder":  # which is open along its axis
            message = f"--datum: a nominal point needs a hole, slot or ball; '{feature.name}' is a {feature.kind}."
            raise InputError(message)
    rows = [[feature.order.index(axis) for axis in "xyz"] for feature in features]

    def pose(values: Sequence[FloatArray]) -> Pose:
        centres = np.array([value[row] for value, row in zip(values, rows, strict=True)])
        fit = register(nominal, centres)
        return fit.rotation, -fit.rotation.T @ fit.translation

    return _built(features, pose, f"datum frame: best fit to the nominal points of {told}")


def points_in(datum: Datum, points: Points) -> Points:
    """Points in the datum frame; the datum's own errors come along as shared modes."""
    base = [part.values for part in datum.features]
    axes, origin = datum.pose(base)
    names = tuple(dict.fromkeys((*points.shared_names, *datum.names)))
    modes = align_shared(names, points.shared_names, points.shared) @ axes.T
    for k, name in enumerate(names):
        shift = _pushed(datum, name)
        if shift is not None:
            modes[k] += _difference(lambda pose: (points.xyz - pose[1]) @ pose[0].T, shift)
    return replace(
        points,
        xyz=(points.xyz - origin) @ axes.T,
        normal=points.normal @ axes.T,
        shared=modes,
        shared_names=names,
        frame=datum.frame,
    )


def _pushed(datum: Datum, name: str) -> tuple[Pose, Pose, float] | None:
    """Poses with the datum features pushed both ways along one shared source, and the step; None where it has none."""
    parts = datum.features
    if not any(name in part.shared_names for part in parts):
        return None
    push = [
        part.shared[part.shared_names.index(name)] if name in part.shared_names else np.zeros(len(part.values))
        for part in parts
    ]
    size = max(float(np.abs(p).max()) for p in push)
    if size == 0:
        return None
    step = 1e-4 / size
    ends = [datum.pose([p.values + sign * step * d for p, d in zip(parts, push, strict=True)]) for sign in (1, -1)]
    return ends[0], ends[1], step


def _difference(fn: Callable[[Pose], FloatArray], pushed: tuple[Pose, Pose, float]) -> FloatArray:
    up, down, step = pushed
    return (fn(up) - fn(down)) / (2 * step)


def feature_in(datum: Datum, feature: Feature) -> Feature:
    """A feature in the datum frame, its errors joined with the datum's; a datum feature's own cancel as they should."""
    same = {part.name: part for part in datum.features}
    feature = same.get(feature.name, feature)
    base = datum.pose([part.values for part in datum.features])
    values = _expressed(feature, feature.values, base, None)
    jacobian = np.zeros((len(values), len(values)))
    for j in range(len(values)):
        push = np.zeros(len(values))
        push[j] = 1e-5
        up, down = (_expressed(feature, feature.values + sign * push, base, values) for sign in (1, -1))
        jacobian[:, j] = (up - down) / 2e-5
    names = tuple(dict.fromkeys((*feature.shared_names, *datum.names)))
    modes = align_shared(names, feature.shared_names, feature.shared) @ jacobian.T
    for k, name in enumerate(names):
        if (pushed := _pushed(datum, name)) is not None:
            modes[k] += _difference(lambda pose: _expressed(feature, feature.values, pose, values), pushed)
    return replace(
        feature,
        values=values,
        cov_own=_no_less_than_zero(jacobian @ feature.cov_own @ jacobian.T),
        shared=modes,
        shared_names=names,
        segments=tuple(feature_in(datum, segment) for segment in feature.segments),
    )


def _no_less_than_zero(cov: FloatArray) -> FloatArray:
    """Symmetric covariance without the small negative variances that rounding leaves."""
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _expressed(feature: Feature, values: FloatArray, pose: Pose, near: FloatArray | None) -> FloatArray:
    """A feature's values (P,) seen in a pose; angles come out nearest to `near`, so that differences do not wrap."""
    axes, origin = pose
    result = values.copy()
    place: Mapping[str, int] = {key: i for i, key in enumerate(feature.order)}
    for tail in ("", "1", "2"):
        if f"x{tail}" in place:
            at = [place[f"{axis}{tail}"] for axis in "xyz"]
            result[at] = axes @ (values[at] - origin)
    if "nx" not in place:
        return result
    at = [place[key] for key in ("nx", "ny", "nz")]
    result[at] = axes @ values[at]
    for key, period in _TURNS.items():
        if key in place:
            old, new = axes_about(values[at]), axes_about(result[at])
            angle = values[place[key]]
            arrow = new.T @ (axes @ (old @ np.array([math.cos(angle), math.sin(angle), 0.0])))
            turned = math.atan2(arrow[1], arrow[0])
            about = period / 2 if near is None else near[place[key]]
            result[place[key]] = about + (turned - about + period / 2) % period - period / 2
    return result
