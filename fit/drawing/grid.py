"""Which parts of a sheet are taken, on a grid of 0.75 mm, so that words find a free place quickly."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fit.drawing.model import Arc, Circle, Line, Polyline
from fit.points import FloatArray

__all__ = ["Box", "Occupancy", "sampled"]

_CELL = 0.75
_STEP = 0.3

Box = tuple[float, float, float, float]
"""Left, bottom, right, top in mm."""


def sampled(shape: Line | Arc | Circle | Polyline) -> FloatArray:
    """Points (N, 2) along a shape, 0.3 mm apart at most."""
    if isinstance(shape, Polyline):
        return np.concatenate([sampled(piece) for piece in shape.pieces()])
    if isinstance(shape, Line):
        count = max(2, math.ceil(math.hypot(shape.x2 - shape.x1, shape.y2 - shape.y1) / _STEP) + 1)
        return np.linspace((shape.x1, shape.y1), (shape.x2, shape.y2), count)
    start, span = (0.0, 2 * math.pi) if isinstance(shape, Circle) else (shape.start, shape.span)
    count = max(8, math.ceil(abs(span) * shape.radius / _STEP) + 1)
    angle = start + np.linspace(0.0, span, count)
    return np.stack([shape.x + shape.radius * np.cos(angle), shape.y + shape.radius * np.sin(angle)], axis=1)


class Occupancy:
    """A sheet area cut into cells that are free or taken; asking for a box costs four look-ups."""

    def __init__(self, width: float, height: float) -> None:
        self.shape = (math.ceil(height / _CELL) + 1, math.ceil(width / _CELL) + 1)
        self._taken = np.zeros(self.shape, dtype=bool)
        self._sums: NDArray[np.int32] | None = None

    def add_shape(self, shape: Line | Arc | Circle | Polyline) -> None:
        """Take the cells that a shape runs through."""
        self.add_points(sampled(shape))

    def add_points(self, points: FloatArray) -> None:
        """Take the cells of points (N, 2)."""
        cells = np.floor(points / _CELL).astype(int)
        inside = (cells >= 0).all(axis=1) & (cells[:, 0] < self.shape[1]) & (cells[:, 1] < self.shape[0])
        if not inside.any():
            return
        columns, rows = cells[inside].T
        window = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        before = self._taken[window].copy()
        self._taken[rows, columns] = True
        self._grow(window, self._taken[window] & ~before)

    def add_box(self, box: Box) -> None:
        """Take every cell that a box touches."""
        x0, y0, x1, y1 = (max(0, math.floor(side / _CELL)) for side in box)
        window = np.s_[y0 : min(y1 + 1, self.shape[0]), x0 : min(x1 + 1, self.shape[1])]
        fresh = ~self._taken[window]
        self._taken[window] = True
        self._grow(window, fresh)

    def _grow(self, window: tuple[slice, slice], fresh: NDArray[np.bool_]) -> None:
        """Add a window's freshly taken cells to the sums, which are zero left of the window and below it."""
        if self._sums is None or not fresh.size:
            return
        more = np.cumsum(np.cumsum(fresh, axis=0, dtype=np.int32).T, axis=0)
        (y0, y1), (x0, x1) = ((side.start + 1, side.stop + 1) for side in window)
        self._sums[x0:x1, y0:y1] += more
        self._sums[x1:, y0:y1] += more[-1]
        self._sums[x0:x1, y1:] += more[:, -1:]
        self._sums[x1:, y1:] += more[-1, -1]

    def hits(self, boxes: FloatArray) -> FloatArray:
        """Number of taken cells in each of (N, 4) boxes; boxes that leave the sheet count as taken."""
        if self._sums is None:
            down = np.cumsum(self._taken, axis=0, dtype=np.int32)  # adding whole rows is quicker than adding along them
            sums = np.zeros((self.shape[1] + 1, self.shape[0] + 1), dtype=np.int32)
            np.cumsum(np.ascontiguousarray(down.T), axis=0, out=sums[1:, 1:])
            self._sums = sums
        low = np.floor(boxes[:, :2] / _CELL).astype(int)
        high = np.floor(boxes[:, 2:] / _CELL).astype(int) + 1
        outside = (low < 0).any(axis=1) | (high[:, 0] > self.shape[1]) | (high[:, 1] > self.shape[0])
        most = np.array(self.shape[::-1])
        (x0, y0), (x1, y1) = (np.minimum(np.maximum(corner, 0), most).T for corner in (low, high))
        s = self._sums
        inside = s[x1, y1] - s[x1, y0] - s[x0, y1] + s[x0, y0]
        return np.where(outside, 1e6, inside)

    def along(self, starts: FloatArray, ends: FloatArray) -> FloatArray:
        """Length in mm, roughly, that each straight line from starts (N, 2) to ends (N, 2) runs over taken cells."""
        return self.along_and_crossings(starts, ends)[0]

    def crossings(self, starts: FloatArray, ends: FloatArray) -> FloatArray:
        """How often each straight line from starts (N, 2) to ends (N, 2) comes upon taken cells."""
        return self.along_and_crossings(starts, ends)[1]

    def along_and_crossings(self, starts: FloatArray, ends: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Both of the above, from points along each line that are no further apart than a cell."""
        length = np.hypot(*(ends - starts).T)
        parts = math.ceil(float(length.max(initial=_CELL)) / _CELL)
        part = (np.arange(parts + 1) / parts)[:, None]
        met = self.at(starts[:, 0] * (1 - part) + ends[:, 0] * part, starts[:, 1] * (1 - part) + ends[:, 1] * part)
        times = (met[1:] & ~met[:-1]).sum(axis=0) + met[0].astype(float)
        return met.sum(axis=0) / (parts + 1) * length, times

    def at(self, x: FloatArray, y: FloatArray) -> NDArray[np.bool_]:
        """Whether points lie on taken cells; off the sheet the nearest cell answers."""
        rows, columns = self.shape
        # np.clip would cost more than all the rest.
        column = np.minimum(np.maximum((x / _CELL).astype(np.intp), 0), columns - 1)
        row = np.minimum(np.maximum((y / _CELL).astype(np.intp), 0), rows - 1)
        met: NDArray[np.bool_] = self._taken.ravel()[row * columns + column]
        return met
