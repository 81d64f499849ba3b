"""Which way a part is looked at: features in space, seen square to a plane."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from fit.feature import Feature
from fit.points import FloatArray

__all__ = ["View", "arc_point", "view_of"]

_SQUARE = 0.9998
"""Cosine of about 1°: closer than this a shape counts as lying square to the view."""


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """Axes of the drawing plane as unit vectors in space: right (3,), up (3,) and towards the viewer (3,)."""

    right: FloatArray
    up: FloatArray
    towards: FloatArray

    def flat(self, xyz: Iterable[float]) -> tuple[float, float]:
        """A point in space as (right, up) on the drawing plane, mm."""
        x, y, z = map(float, xyz)
        (a, b, c), (d, e, f) = self.right.tolist(), self.up.tolist()
        return a * x + b * y + c * z, d * x + e * y + f * z

    def is_square(self, feature: Feature) -> bool:
        """Whether a circle, arc or slot lies square to the view, so that it shows in its true shape."""
        normal = feature.vector(("nx", "ny", "nz"))
        return abs(float(normal @ self.towards)) > _SQUARE


def view_of(features: Sequence[Feature], plane: Feature | None = None) -> View:
    """Look square at the plane given, else at the one that most holes lie in, else down the z axis."""
    chosen = plane or _main_plane(features)
    normal = np.array([0.0, 0.0, 1.0]) if chosen is None else chosen.vector(("nx", "ny", "nz"))
    normal = normal / np.linalg.norm(normal)
    largest = normal[np.argmax(np.abs(normal))]
    normal = normal if largest > 0 else -normal
    if normal[2] > _SQUARE:
        return View(np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    start = np.array([0.0, 1.0, 0.0]) if abs(normal[0]) > _SQUARE else np.array([1.0, 0.0, 0.0])
    right = start - (start @ normal) * normal
    right /= np.linalg.norm(right)
    return View(right, np.cross(normal, right), normal)


def _main_plane(features: Sequence[Feature]) -> Feature | None:
    """The plane that most features name with `on`, else the plane or flat shape with the most points."""
    planes = {feature.name: feature for feature in features if feature.kind == "plane"}
    named = [feature.on for feature in features if feature.on in planes]
    if named:
        return planes[max(dict.fromkeys(named), key=named.count)]
    flat = [feature for feature in features if feature.kind in ("plane", "circle", "arc", "slot")]
    candidates = list(planes.values()) or flat
    return max(candidates, key=lambda feature: feature.points) if candidates else None


def arc_point(feature: Feature, values: FloatArray, part: float) -> tuple[float, float, float]:
    """A point on an arc in space at the given values; part 0 is its start, 1 its end.

    Angles count from +x laid into its plane (+y where the normal is within 1° of x).
    """
    normal = values[3:6] / np.linalg.norm(values[3:6])
    first = np.array([0.0, 1.0, 0.0]) if abs(normal[0]) > _SQUARE else np.array([1.0, 0.0, 0.0])
    first = first - (first @ normal) * normal
    first /= np.linalg.norm(first)
    angle = values[feature.index("start")] + part * values[feature.index("span")]
    turned = math.cos(angle) * first + math.sin(angle) * np.cross(normal, first)
    x, y, z = (values[:3] + values[feature.index("radius")] * turned).tolist()
    return x, y, z
