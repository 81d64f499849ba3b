"""Distances and angles between two features."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from fit.dimensions.elements import axis_of, element_of, place_of
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray
from fit.uncertain import Value, propagate

__all__ = ["angle", "distance", "offset"]

_PARALLEL = math.radians(10.0)
"""Common practice, no source: beyond this two edges or faces have an angle, not a distance."""

Measure = Callable[[FloatArray, FloatArray], float]


def distance(a: Feature, b: Feature) -> Value:
    """Distance in mm between two features.

    Centres: straight from one to the other. Centre and edge or axis: square to it, taken as endless. Centre and plane:
    square to the plane. Two edges, two axes, two planes, an edge and a plane: the mean gap where they are within 10° of
    parallel.

    Raises
    ------
    InputError : a feature that has no one place (cone, path). CannotDetermine : not parallel, or in the same place.
    """
    first, second = sorted((a, b), key=lambda feature: ("point", "axis", "plane").index(element_of(feature)))
    pair = (element_of(first), element_of(second))
    if pair[0] != "point":
        _refuse_angled(first, second)
    return propagate(_DISTANCES[pair](first.kind, second.kind), *_apart(first, second, pair))


def _apart(first: Feature, second: Feature, pair: tuple[str, str]) -> tuple[Feature, Feature]:
    gap = _DISTANCES[pair](first.kind, second.kind)(first.values, second.values)
    if gap > 1e-9:
        return first, second
    message = f"'{first.name}' and '{second.name}' lie in the same place; there is no distance to tell the error of."
    raise CannotDetermine(message)


def offset(a: Feature, b: Feature) -> Value:
    """Signed height in mm of a centre over a plane, positive on the side that the plane's normal points to."""
    point, plane = (b, a) if element_of(a) == "plane" else (a, b)
    if element_of(plane) != "plane" or element_of(point) != "point":
        message = (
            f"An offset is between a centre and a plane; got {a.kind} '{a.name}' and {b.kind} '{b.name}'. "
            "Ask for their distance."
        )
        raise InputError(message)
    return propagate(lambda p, q: float(axis_of("plane", q) @ (p[:3] - q[:3])), point, plane)


def angle(a: Feature, b: Feature) -> Value:
    """Angle in radians, 0 to π/2, between two edges or axes, two planes, or an edge or axis and a plane.

    A circle, arc or slot counts as the plane it lies in.

    Raises
    ------
    InputError : a feature without direction (sphere, path).
    """
    for feature in (a, b):
        if feature.kind not in ("line", "cylinder", "cone", "plane", "circle", "arc", "slot"):
            message = f"'{feature.name}' is a {feature.kind} and has no direction; name a line, axis or plane."
            raise InputError(message)
    mixed = (a.kind in ("line", "cylinder", "cone")) != (b.kind in ("line", "cylinder", "cone"))

    def between(p: FloatArray, q: FloatArray) -> float:
        u, v = axis_of(a.kind, p), axis_of(b.kind, q)
        turned = math.atan2(float(np.linalg.norm(np.cross(u, v))), abs(float(u @ v)))
        return math.pi / 2 - turned if mixed else turned

    return propagate(between, a, b)


def _refuse_angled(first: Feature, second: Feature) -> None:
    turned = angle(first, second)
    if turned.value <= _PARALLEL:
        return
    message = (
        f"'{first.name}' and '{second.name}' stand at {math.degrees(turned.value):.1f}° to each other and have no one "
        "distance; ask for their angle, or for the distance of a point."
    )
    raise CannotDetermine(message)


def _points(_first: str, _second: str) -> Measure:
    return lambda p, q: float(np.linalg.norm(p[:3] - q[:3]))


def _point_axis(_first: str, second: str) -> Measure:
    return lambda p, q: _from_axis(p[:3], second, q)


def _point_plane(_first: str, _second: str) -> Measure:
    return lambda p, q: abs(float(axis_of("plane", q) @ (p[:3] - q[:3])))


def _axes(first: str, second: str) -> Measure:
    def gap(p: FloatArray, q: FloatArray) -> float:
        return (_from_axis(place_of(first, p), second, q) + _from_axis(place_of(second, q), first, p)) / 2

    return gap


def _axis_plane(first: str, _second: str) -> Measure:
    return lambda p, q: abs(float(axis_of("plane", q) @ (place_of(first, p) - q[:3])))


def _planes(_first: str, _second: str) -> Measure:
    def gap(p: FloatArray, q: FloatArray) -> float:
        across = p[:3] - q[:3]
        return (abs(float(axis_of("plane", p) @ across)) + abs(float(axis_of("plane", q) @ across))) / 2

    return gap


def _from_axis(point: FloatArray, kind: str, values: FloatArray) -> float:
    off = point - values[:3]
    along = axis_of(kind, values)
    return float(np.linalg.norm(off - along * float(off @ along)))


_DISTANCES: dict[tuple[str, str], Callable[[str, str], Measure]] = {
    ("point", "point"): _points,
    ("point", "axis"): _point_axis,
    ("point", "plane"): _point_plane,
    ("axis", "axis"): _axes,
    ("axis", "plane"): _axis_plane,
    ("plane", "plane"): _planes,
}
