"""The face a hole lies in: a fitted plane near by and square to its touches, else the plane of its own touches."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points

__all__ = ["face_of", "own_face"]

_NEAR_MM = 5.0
_NEAR_ANGLE = math.radians(10.0)
_TURNS_ABOUT = 10.0
"""How many times their scatter the i j k of a hole must spread round it to tell its axis."""
_LOOKS_ROUND = 0.02
"""Mean square that they must have round it at least, of 1 in all; a ring of 30° has as much."""
_EDGE, _EVEN = 2.0, 0.2
"""How unevenly a round edge is touched at most, mm and in times its size, before it may be a wall."""


def face_of(centres: Points, planes: Sequence[Feature], off: float = 0.0) -> Feature | None:
    """Nearest fitted plane within 5 mm of the touches and 10° of square to their directions; None where there is none.

    off: how far the planes stand off their surface, mm (a tip radius, where they were fitted to tip centres).
    """
    near = [(abs(_height(centres, plane)), k) for k, plane in enumerate(planes) if _square_to(centres, plane)]
    near = [item for item in near if item[0] <= _NEAR_MM + off]
    return planes[min(near)[1]] if near else None


def _height(centres: Points, plane: Feature) -> float:
    normal = plane.vector(("nx", "ny", "nz"))
    return float(np.median((centres.xyz - plane.vector(("x", "y", "z"))) @ normal))


def _square_to(centres: Points, plane: Feature) -> bool:
    """Whether a hole's axis lies within 10° of the plane's normal, by its i j k, else by the spread of its heights."""
    normal = plane.vector(("nx", "ny", "nz"))
    directions = centres.normal[np.isfinite(centres.normal).all(axis=1)]
    if len(directions) >= 2:
        return _axis_near(directions, normal)
    local = centres.xyz - centres.xyz.mean(axis=0)
    across = local @ normal
    size = float(np.sqrt(np.mean(np.sum(local**2, axis=1) - across**2)))
    return bool(np.std(across) < max(math.tan(_NEAR_ANGLE) * size, 0.5))


def _axis_near(directions: FloatArray, normal: FloatArray) -> bool:
    """Whether i j k (N, 3) of a hole tell an axis within 10° of the normal, or of what their own scatter leaves open.

    The axis is what they are least along; where they all look one way, so that it could turn about that way, most of
    them must be square to the normal.
    """
    squares, axes = np.linalg.eigh(directions.T @ directions / len(directions))
    if squares[1] < max(_TURNS_ABOUT * squares[0], _LOOKS_ROUND) or len(directions) < 4:
        return bool(np.median(np.abs(directions @ normal)) < math.sin(_NEAR_ANGLE))
    doubt = 2 * math.sqrt(max(squares[0], 0.0) / (len(directions) * squares[1]))
    return bool(abs(float(axes[:, 0] @ normal)) > math.cos(_NEAR_ANGLE + doubt))


def own_face(points: Points) -> Feature | None:
    """Plane of a hole's own touches where they lie about as even as an edge's do; None where they go down a wall."""
    from fit.shapes import fit_plane

    try:
        plane = fit_plane(points, robust=False, form="none").renamed("")
    except CannotDetermine:
        return None
    size = float(np.ptp(points.xyz, axis=0).max())
    deep = float(np.ptp(points.xyz @ plane.vector(("nx", "ny", "nz"))))
    return plane if deep < min(_EDGE, _EVEN * size) else None
