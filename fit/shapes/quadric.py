"""The axis of a cylinder or cone read off the quadric through its points: quick, and tested before it is believed.

All of it is sums over the points of ten products, gathered once.
"""

from __future__ import annotations

import math

import numpy as np

from fit.points import FloatArray
from fit.shapes.sums import gram

__all__ = ["about_axis", "product_means", "quadric_axis"]


def product_means(rows: FloatArray) -> FloatArray:
    """Mean products (10, 10) of 1, x, y, z, x², y², z², xy, xz, yz over points (3, N)."""
    x, y, z = rows
    table = np.empty((10, rows.shape[1]))
    table[0], table[1:4] = 1.0, rows
    np.multiply(rows, rows, out=table[4:7])
    np.multiply(x, rows[1:], out=table[7:9])
    np.multiply(y, z, out=table[9])
    return gram(table, table) / rows.shape[1]


def quadric_axis(means: FloatArray) -> tuple[FloatArray, float]:
    """Direction (3,) of the axis, and the mean square of the points' distances from the quadric, to first order.

    The points of the `product_means` must be centred and seen along their principal axes: the mean products of the
    gradients of x … yz are then zero but for each one's own, so that the least Σ f² / Σ |grad f|² (Taubin, IEEE Trans.
    PAMI 13 (1991) 1115) is an eigenvalue. The axis belongs to the eigenvalue of the second-order part that stands apart
    from the other two.
    """
    mean = means[0, 1:]
    xx, yy, zz = mean[3:6].tolist()
    steep = np.sqrt([1.0, 1.0, 1.0, 4 * xx, 4 * yy, 4 * zz, xx + yy, xx + zz, yy + zz])
    values, vectors = np.linalg.eigh((means[1:, 1:] - mean * mean[:, None]) / steep / steep[:, None])
    a, b, c, ab, ac, bc = (vectors[3:, 0] / steep[3:]).tolist()
    spread, directions = np.linalg.eigh([[2 * a, ab, ac], [ab, 2 * b, bc], [ac, bc, 2 * c]])
    low, middle, high = spread.tolist()
    return directions[:, 0 if middle - low > high - middle else 2], max(float(values[0]), 0.0)


def about_axis(means: FloatArray, axes: FloatArray, taper: bool) -> tuple[float, float, float, float]:
    """Where the axis along the third of axes (3, 3) in columns cuts the plane of the first two, radius there and growth.

    From linear least squares of ρ² = 2 u₀ u + 2 v₀ v + c, for a cone also + b z + g² z². The radius is nan where no
    round shape comes out.
    """
    (ax, bx, nx), (ay, by, ny), (az, bz, nz) = axes.tolist()
    seen = np.zeros((6, 10))
    seen[0, 1:4], seen[1, 1:4], seen[3, 1:4] = (ax, ay, az), (bx, by, bz), (nx, ny, nz)
    seen[2, 0] = 0.5
    seen[4, 4:] = nx * nx, ny * ny, nz * nz, 2 * nx * ny, 2 * nx * nz, 2 * ny * nz
    seen[5, 4:7] = 1.0
    seen[5] -= seen[4]
    kept = [0, 1, 2, 3, 4, 5] if taper else [0, 1, 2, 5]
    seen = seen[kept]
    sums = seen @ means @ seen.T
    normal = sums[:-1, :-1]
    normal.flat[:: len(normal) + 1] += 1e-10
    u, v, c, *along = np.linalg.solve(normal, sums[:-1, -1]).tolist()
    u, v = u / 2, v / 2
    square = c / 2 + u * u + v * v
    growth = math.copysign(math.sqrt(max(along[1], 1e-6)), along[0]) if taper else 0.0
    return u, v, math.sqrt(square) if square > 0 else math.nan, growth
