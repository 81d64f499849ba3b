"""How far a hole lies from the edge of an outline: to the nearest place on a path of lines and arcs."""

from __future__ import annotations

import math

import numpy as np

from fit.dimensions.elements import element_of
from fit.errors import InputError
from fit.feature import Feature
from fit.points import FloatArray
from fit.shapes.frame import axes_about
from fit.uncertain import Value, propagate

__all__ = ["distance_to_path"]


def distance_to_path(point: Feature, path: Feature) -> Value:
    """Distance in mm from a centre to the nearest place on a path in the same plane.

    Raises InputError where the first is no hole, slot, arc or ball, or the path has no pieces.
    """
    if element_of(point) != "point" or not path.segments:
        message = f"The distance to the path '{path.name}' is that of a centre; '{point.name}' is a {point.kind}."
        raise InputError(message)
    centre = point.values[:3]
    nearest = min(path.segments, key=lambda piece: _reach(piece, piece.values, centre))
    return propagate(lambda p, q: _reach(nearest, q, p[:3]), point, nearest)


def _reach(piece: Feature, values: FloatArray, place: FloatArray) -> float:
    """Distance from a place to a line between its ends, or to an arc between its ends."""
    if piece.kind == "line":
        first, last = values[:3], values[3:6]
        along = last - first
        share = float(np.clip((place - first) @ along / max(float(along @ along), 1e-12), 0.0, 1.0))
        return float(np.linalg.norm(place - first - share * along))
    axes = axes_about(values[3:6])
    flat = axes[:, :2].T @ (place - values[:3])
    radius, start, span = values[6], values[7], values[8]
    if (math.atan2(flat[1], flat[0]) - start) % (2 * math.pi) <= span:
        return abs(float(np.hypot(*flat)) - float(radius))
    ends = [radius * np.array([math.cos(angle), math.sin(angle)]) for angle in (start, start + span)]
    return min(float(np.hypot(*(flat - end))) for end in ends)
