"""A part that is typical for its size, as edges without error: a box with rounded corners and two holes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.points import FloatArray

__all__ = ["HOLE_MM", "Line", "RoundedBox", "hole_rim"]

_SPACING_MM = 0.5
HOLE_MM = 8.0

Line = tuple[FloatArray, FloatArray]
"""Places (N, 2) along an edge and unit directions (N, 2) out of the material."""


def hole_rim(centre: FloatArray) -> Line:
    count = round(math.pi * HOLE_MM / _SPACING_MM)
    ray = _rays(np.linspace(0, 2 * math.pi, count, endpoint=False))
    return centre + HOLE_MM / 2 * ray, -ray


def _rays(angle: ArrayLike) -> FloatArray:
    return np.column_stack([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True, slots=True)
class RoundedBox:
    """The part's outline: a box with rounded corners, mm."""

    width: float
    height: float

    @property
    def radius(self) -> float:
        return float(np.clip(min(self.width, self.height) / 8, 1.0, 40.0))

    def _counts(self) -> tuple[int, int, int]:
        """Places along a corner, an upright and a level side."""
        lengths = (self.radius * math.pi / 2, self.height - 2 * self.radius, self.width - 2 * self.radius)
        return tuple(max(12, round(length / _SPACING_MM)) for length in lengths)  # type: ignore[return-value]

    def outline(self) -> Line:
        """From the foot of the right side, counter-clockwise: right, corner, upper, corner, left, corner, lower, corner."""
        corner, upright, level = self._counts()
        middles = np.array([(self.width, self.height), (0, self.height), (0, 0), (self.width, 0)], float)
        middles += self.radius * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
        xy, outward = [], []
        for i, count in enumerate((upright, level, upright, level)):
            ray = _rays(math.pi / 2 * (i + np.linspace(0, 1, corner)))
            first, last = middles[i - 1] + self.radius * ray[0], middles[i] + self.radius * ray[0]
            share = (np.arange(count) + 0.5)[:, None] / count
            xy += [first + share * (last - first), middles[i] + self.radius * ray]
            outward += [np.tile(ray[0], (count, 1)), ray]
        return np.vstack(xy), np.vstack(outward)

    def stretch(self, name: str) -> slice:
        """Where 'right', 'left' or the first 'corner' stands in the outline."""
        corner, upright, level = self._counts()
        left = upright + corner + level + corner
        return {
            "right": slice(0, upright),
            "corner": slice(upright, upright + corner),
            "left": slice(left, left + upright),
        }[name]
