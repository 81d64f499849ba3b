"""Smooth lines through way-points, near which an edge is looked for."""

from __future__ import annotations

import numpy as np

from capture.edges.follow import resampled
from fit.errors import InputError
from fit.points import FloatArray

__all__ = ["past_its_ends", "smooth_line", "straight_line"]

_PAST_MM = 4.0
"""An arc is followed this far past its ends, so that where it begins and ends is seen and not taken from way-points."""


def smooth_line(near: FloatArray, closed: bool, name: str) -> FloatArray:
    """A line (N, 2) through way-points (K, 2): a spline along the chords.

    Raises InputError, with the feature's name, for two way-points in a row that are the same.
    """
    from scipy.interpolate import CubicSpline

    ring = np.vstack([near, near[:1]]) if closed else near
    along = np.r_[0.0, np.cumsum(np.sqrt(np.hypot(*np.diff(ring, axis=0).T)))]
    if (np.diff(along) <= 0).any():
        message = f"Feature '{name}': two way-points in a row are the same; remove one."
        raise InputError(message)
    curve = CubicSpline(along, ring, bc_type="periodic" if closed else "natural")
    return resampled(curve(np.linspace(0, along[-1], 40 * len(near))), 0.5, 0.0, closed=closed)


def straight_line(near: FloatArray) -> FloatArray:
    """The straight line through the way-points."""
    return resampled(near, 0.5, 0.0, closed=False)


def past_its_ends(line: FloatArray) -> FloatArray:
    """The line with straight ends of `_PAST_MM` put on."""
    steps = np.arange(0.5, _PAST_MM + 0.1, 0.5)[:, None]
    first, last = (a - b for a, b in ((line[0], line[3]), (line[-1], line[-4])))
    return np.vstack(
        [(line[0] + steps * first / np.hypot(*first))[::-1], line, line[-1] + steps * last / np.hypot(*last)]
    )
