"""Where touches lie beside the arc of a bend's centre line."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray

__all__ = ["from_arc", "off_arc"]


def from_arc(from_corner: FloatArray, before: FloatArray, after: FloatArray, radius: float) -> FloatArray:
    """Vectors (N, 3) to points from the nearest ones of the circle of a bend's centre line, mm.

    from_corner (N, 3) are the points seen from the corner; before and after are the runs' directions.
    """
    inward = after - before
    inward = inward / np.linalg.norm(inward)
    normal = np.cross(before, after)
    normal = normal / np.linalg.norm(normal)
    half = np.arctan2(np.linalg.norm(np.cross(before, after)), before @ after) / 2
    from_centre = from_corner - inward * (radius / np.cos(half))
    height = (from_centre @ normal)[:, None] * normal
    flat = from_centre - height
    length = np.linalg.norm(flat, axis=1)[:, None]
    return np.asarray(flat * (1 - radius / length) + height)


def off_arc(from_corner: FloatArray, before: FloatArray, after: FloatArray, radius: float) -> FloatArray:
    """Distance (N,) from the circle of a bend's centre line."""
    return np.asarray(np.linalg.norm(from_arc(from_corner, before, after, radius), axis=1))
