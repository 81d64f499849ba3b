"""The shape of a blurred step of tone, without the library that a tap would wait for."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from fit.points import FloatArray

__all__ = ["risen"]


def risen(sigmas: FloatArray) -> FloatArray:
    """Share of a step from 0 to 1 that is reached so many standard deviations of its Gaussian blur past its middle."""
    return np.interp(sigmas, *_table())


@cache
def _table() -> tuple[FloatArray, FloatArray]:
    places = np.linspace(-5.0, 5.0, 1001)
    return places, 0.5 + 0.5 * np.array([math.erf(place / math.sqrt(2)) for place in places])
