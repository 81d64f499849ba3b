"""Sums over many points, worked on a part at a time."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["blocks", "drawn", "gram"]

_BLOCK = 20_000
"""Points worked on at a time: enough to make the calls worth their cost, few enough to stay in the cache."""


def blocks(count: int) -> list[slice]:
    """Runs of points that are worked on at a time."""
    return [slice(first, first + _BLOCK) for first in range(0, count, _BLOCK)]


def drawn(count: int, most: int) -> NDArray[np.int_]:
    """Indices of at most `most` of `count` points, drawn with a fixed seed: a regular step could follow a raster."""
    if count <= most:
        return np.arange(count)
    return (_shares(most) * count).astype(np.int_)


@lru_cache(maxsize=8)
def _shares(count: int) -> FloatArray:
    """Numbers (count,) in [0, 1), ascending; kept, since a generator's set-up alone takes longer than a fit."""
    return np.sort(np.random.default_rng(20261126).random(count))


def gram(rows: FloatArray, others: FloatArray) -> FloatArray:
    """Products (p, p) of rows (p, N) with weighted ones, or with themselves.

    A matrix times its own transpose is told by its shape and takes a road in the library that is slow for so few rows;
    the last row apart keeps to the quick one.
    """
    product = np.empty((len(rows),) * 2)
    rows[:-1].dot(others.T, product[:-1])
    others.dot(rows[-1], product[-1])
    return product
