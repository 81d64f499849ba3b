"""What a feature is to a dimension: a point, an axis or a plane, read from its values."""

from __future__ import annotations

import math

import numpy as np

from fit.errors import InputError
from fit.feature import Feature
from fit.points import FloatArray

__all__ = ["axis_of", "element_of", "place_of", "unit"]

_ELEMENTS = {
    "circle": "point",
    "arc": "point",
    "slot": "point",
    "sphere": "point",
    "line": "axis",
    "cylinder": "axis",
    "plane": "plane",
}


def element_of(feature: Feature) -> str:
    """``point`` (centre of a circle, arc, slot, sphere), ``axis`` (line, cylinder) or ``plane``."""
    if feature.kind in _ELEMENTS:
        return _ELEMENTS[feature.kind]
    message = (
        f"'{feature.name}' is a {feature.kind}, which has no one place to measure from; "
        "name a line, plane, circle, arc, slot, sphere or cylinder."
    )
    raise InputError(message)


def unit(vector: FloatArray) -> FloatArray:
    """Vector of length 1."""
    return np.asarray(vector / math.sqrt(float(vector @ vector)))


def place_of(kind: str, values: FloatArray) -> FloatArray:
    """Centre (3,) of a point element, middle of a line, point of an axis or plane."""
    return np.asarray((values[:3] + values[3:6]) / 2 if kind == "line" else values[:3])


def axis_of(kind: str, values: FloatArray) -> FloatArray:
    """Unit direction (3,) of a line or axis, normal of a plane, circle, arc or slot."""
    return unit(values[3:6] - values[:3]) if kind == "line" else unit(values[3:6])
