"""Resample a photo onto a plane parallel to the bench: for looking, marking and finding the part, not for measuring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["Flat", "View", "flatten", "largest_channel"]

_NODE_PX = 16


class View(Protocol):
    """What looking at the bench through a solved camera takes: the camera's place and its projection."""

    @property
    def centre(self) -> FloatArray:
        """Camera centre (3,) in bench coordinates, mm."""
        ...

    def project(self, xyz: FloatArray) -> FloatArray:
        """Stored pixels (N, 2) of bench points (N, 3)."""
        ...


@dataclass(frozen=True, eq=False, slots=True)
class Flat:
    """A flattened picture: row 0 is the largest y, column 0 the smallest x; `step` mm per pixel."""

    pixels: NDArray[Any]
    left: float
    top: float
    step: float
    height: float

    def to_bench(self, px: FloatArray) -> FloatArray:
        """Bench x, y (N, 2) mm of flattened pixel places (N, 2)."""
        return np.column_stack([self.left + px[:, 0] * self.step, self.top - px[:, 1] * self.step])

    def to_flat(self, xy: FloatArray) -> FloatArray:
        """Flattened pixel places (N, 2) of bench x, y (N, 2) mm."""
        return np.column_stack([(xy[:, 0] - self.left) / self.step, (self.top - xy[:, 1]) / self.step])


def flatten(
    pixels: NDArray[Any], view: View, height: float, bounds: tuple[float, float, float, float], step: float
) -> Flat:
    """Resample `pixels` onto the plane z = height.

    Parameters
    ----------
    bounds : (x least, x most, y least, y most) mm. step : mm per pixel of the result.

    The map is exact at nodes 16 pixels apart and interpolated between them: good to a few hundredths of a pixel.
    """
    import cv2

    left, right, bottom, top = bounds
    width, rows = round((right - left) / step), round((top - bottom) / step)
    across, down = np.arange(0, width + _NODE_PX, _NODE_PX), np.arange(0, rows + _NODE_PX, _NODE_PX)
    x, y = np.meshgrid(left + across * step, top - down * step)
    nodes = view.project(np.column_stack([x.ravel(), y.ravel(), np.full(x.size, height)]))
    nodes = nodes.reshape(len(down), len(across), 2).astype(np.float32)
    column, row = np.meshgrid(
        np.arange(width, dtype=np.float32) / _NODE_PX, np.arange(rows, dtype=np.float32) / _NODE_PX
    )
    maps = [cv2.remap(np.ascontiguousarray(nodes[..., i]), column, row, cv2.INTER_LINEAR) for i in (0, 1)]
    flat = cv2.remap(pixels, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return Flat(flat, left, top, step, height)


def largest_channel(picture: NDArray[Any]) -> NDArray[Any]:
    """The largest of the three channels (H, W, 3) at each pixel; NumPy's own maximum over so short an axis is slow."""
    import cv2

    first, second, third = cv2.split(picture)
    return np.asarray(cv2.max(cv2.max(first, second), third))
