"""The bench flattened with a grid of millimetres on it, to read way-points from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from capture.edges.lettering import Words, write_at

if TYPE_CHECKING:
    from capture.camera.bench import Bench
    from capture.edges.flatten import Flat

__all__ = ["grid_png"]

_MOST_PX = 2400
_LINES = 20
_BEYOND = 0.35
_COLOUR = (200, 90, 20)


def grid_png(pixels: NDArray[Any], bench: Bench, height: float = 0.0) -> bytes:
    """PNG of a plane `height` mm above the target and what lies about it, a labelled line every 10, 20 or 50 mm."""
    from capture.edges.flatten import flatten
    from capture.jobs.pictures import png_of

    bounds = _bounds(bench)
    size = max(bounds[1] - bounds[0], bounds[3] - bounds[2])
    flat = flatten(pixels, bench, height, bounds, size / (_MOST_PX - 1))
    spacing = next((step for step in (10, 20, 50, 100) if size / step <= _LINES), 200)
    drawn = np.ascontiguousarray(flat.pixels)
    for axis in (0, 1):
        _rule(drawn, flat, axis, spacing)
    return png_of(drawn)


def _bounds(bench: Bench) -> tuple[float, float, float, float]:
    """The whole picture on the bench, but no further than a share of the target's size beyond it."""
    from capture.camera.face import Face
    from capture.camera.health import target_hull
    from fit.errors import CannotDetermine

    hull = target_hull(bench)
    margin = _BEYOND * float(np.ptp(hull, axis=0).max())
    low, high = hull.min(axis=0) - margin, hull.max(axis=0) + margin
    width, height = bench.image.size
    corners = np.array([(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)], float)
    try:
        seen = bench.cut(corners, Face.level("print", 0.0, 0.0))[:, :2]
    except CannotDetermine:
        return float(low[0]), float(high[0]), float(low[1]), float(high[1])
    low, high = np.maximum(low, seen.min(axis=0)), np.minimum(high, seen.max(axis=0))
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _rule(drawn: NDArray[np.uint8], flat: Flat, axis: int, spacing: int) -> None:
    """Lines of constant x (axis 0) or y (axis 1), each with its figure in mm."""
    import cv2

    rows, columns = drawn.shape[:2]
    ends = flat.to_bench(np.array([(0, rows - 1), (columns - 1, 0)], float))[:, axis]
    for mm in range(int(np.ceil(ends[0] / spacing)) * spacing, int(ends[1]) + 1, spacing):
        place = round(float(flat.to_flat(np.full((1, 2), float(mm)))[0, axis]))
        first, last = ((place, 0), (place, rows - 1)) if axis == 0 else ((0, place), (columns - 1, place))
        cv2.line(drawn, first, last, _COLOUR, 2 if mm == 0 else 1, cv2.LINE_AA)
        at = np.array([place, rows - 24] if axis == 0 else [40, place])
        write_at(drawn, Words((f"{'xy'[axis]} {mm}",), at, 0.8))
