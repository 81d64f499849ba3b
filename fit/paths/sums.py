"""Running sums over an edge's points, so that any run of them is summed at no cost however long it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.paths.moments import central, taubin_root
from fit.points import FloatArray

__all__ = ["Sums", "sums_of"]

_SQUARE = np.array([[0, 1, 2, 3], [1, 4, 5, 6], [2, 5, 7, 8], [3, 6, 8, 9]])


@dataclass(frozen=True, eq=False, slots=True)
class Sums:
    """Points of an edge and their weighted products; of a closed edge three laps, so that a run may pass its seam.

    Attributes
    ----------
    middle : (2,) mm, the points' mean. xy : (M, 2) points about it. first : place of point 0 among them.
    high, low : (M + 1, 10) running sums of the products of (1, x, y, x² + y²) in two parts: `high` holds them exactly, to
        the last place that the whole sum has room for, and `low` what is left, so that a difference loses nothing.
    spacing : mm from point to point.
    """

    middle: FloatArray
    xy: FloatArray
    first: int
    high: FloatArray
    low: FloatArray
    spacing: float

    def moments(self, start: NDArray[np.int_], stop: NDArray[np.int_]) -> FloatArray:
        """Sums (..., 4, 4) of w q qᵀ with q = (1, x, y, x² + y²) over points start … stop − 1."""
        return ((self.high[stop] - self.high[start]) + (self.low[stop] - self.low[start]))[..., _SQUARE]

    def joints(self, at: NDArray[np.int_]) -> FloatArray:
        """Places (..., 2) between point at − 1 and point at."""
        last = len(self.xy) - 1
        return 0.5 * (self.xy[np.clip(at - 1, 0, last)] + self.xy[np.clip(at, 0, last)])

    def curvatures(self, start: NDArray[np.int_], stop: NDArray[np.int_]) -> FloatArray:
        """Signed curvatures (C,) 1/mm of Taubin's circles through points start … stop − 1; tiny where they are few."""
        n, x, y, _, xx, xy, xz, yy, yz, zz = (
            (self.high[stop] - self.high[start]) + (self.low[stop] - self.low[start])
        ).T
        with np.errstate(divide="ignore", invalid="ignore"):
            _, _, _, xx, xy, yy, xz, yz, zz = central([n, x, y, xx, xy, yy, xz, yz, zz])
            root = taubin_root(xx, xy, yy, xz, yz, zz)
            det = root * root - root * (xx + yy) + xx * yy - xy * xy
            cx, cy = (xz * (yy - root) - yz * xy) / det / 2, (yz * (xx - root) - xz * xy) / det / 2
            found = 1 / np.sqrt(cx * cx + cy * cy + xx + yy)
        chord, middle = self.xy[stop - 1] - self.xy[start], self.xy[start + (stop - start) // 2] - self.xy[start]
        side = chord[:, 0] * middle[:, 1] - chord[:, 1] * middle[:, 0]
        found = np.where(np.isfinite(found), found, 0.0) * np.where(side > 0, -1.0, 1.0)
        return np.where(stop - start < 4, 1e-3, np.where(found == 0, 1e-9, found))


def sums_of(xy: FloatArray, weight: FloatArray, closed: bool) -> Sums:
    """Running sums of points (N, 2) with weights (N,)."""
    middle = xy.mean(axis=0)
    about = xy - middle
    spacing = float(np.hypot(*np.diff(xy[:: max(1, len(xy) // 100)], axis=0).T).sum()) / len(xy)
    if closed:
        about, weight = np.tile(about, (3, 1)), np.tile(weight, 3)
    x, y = about.T
    z = x * x + y * y
    one = np.ones(len(x))
    products = np.stack([one, x, y, z, x * x, x * y, x * z, y * y, y * z, z * z], axis=1) * weight[:, None]
    unit = 2.0 ** np.ceil(np.log2(np.abs(products).sum(axis=0) + 1e-300) - 52)
    high = np.rint(products / unit) * unit
    parts = [np.concatenate([np.zeros((1, 10)), np.cumsum(part, axis=0)]) for part in (high, products - high)]
    return Sums(middle, about, len(xy) if closed else 0, parts[0], parts[1], max(spacing, 1e-9))
