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


def quadric_axis(means: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """A point (3,) of the axis, its direction (3,), and the mean square of the points' distances from the quadric, to
    first order.

    The points of the `product_means` must be centred and seen along their principal axes: the mean products of the
    gradients of x … yz are then zero but for each one's own, so that the least Σ f² / Σ |grad f|² (Taubin, IEEE Trans.
    PAMI 13 (1991) 1115) is an eigenvalue. The axis belongs to the eigenvalue of the second-order part that stands apart
    from the other two; along it the gradient has no part across. The point is nan where the quadric is not round.
    """
    mean = means[0, 1:]
    xx, yy, zz = mean[3:6].tolist()
    steep = np.sqrt([1.0, 1.0, 1.0, 4 * xx, 4 * yy, 4 * zz, xx + yy, xx + zz, yy + zz])
    values, vectors = np.linalg.eigh((means[1:, 1:] - mean * mean[:, None]) / steep / steep[:, None])
    form = vectors[:, 0] / steep
    a, b, c, ab, ac, bc = form[3:].tolist()
    bends, directions = np.linalg.eigh([[2 * a, ab, ac], [ab, 2 * b, bc], [ac, bc, 2 * c]])
    low, middle, high = bends.tolist()
    apart, others = (0, slice(1, 3)) if middle - low > high - middle else (2, slice(0, 2))
    across, bend = directions[:, others], bends[others]
    point = across.dot(form[:3].dot(across) / -bend) if bend[0] * bend[1] > 0 else np.full(3, np.nan)
    return point, directions[:, apart], max(float(values[0]), 0.0)


def about_axis(
    means: FloatArray, axes: FloatArray, point: FloatArray, taper: bool
) -> tuple[FloatArray, FloatArray, float, float]:
    """Cylinder or cone about nearly the third of axes (3, 3) in columns through nearly a point (3,): point, direction,
    radius there and growth. The radius is nan where no round shape comes out.

    From linear least squares of ρ² = 2 u u₀ + 2 v v₀ + c + 2 (u - u₁) z a + 2 (v - v₁) z b, for a cone also + z d + z² g²,
    where u₁, v₁ is the point. To first order in the lean, a / (1 + g²), the axis passes through u₀ - r g a: the cone's
    heights, and with them its radii, turn along.
    """
    e1, e2, n = axes.T.tolist()
    first, second, _ = point.dot(axes).tolist()
    none, squares = [0.0] * 6, _product(n, n)
    seen = np.array([
        [0.0, *e1, *none],
        [0.0, *e2, *none],
        [0.5, 0.0, 0.0, 0.0, *none],
        [0.0, *[-first * part for part in n], *_product(e1, n)],
        [0.0, *[-second * part for part in n], *_product(e2, n)],
        *([[0.0, *n, *none], [0.0, 0.0, 0.0, 0.0, *squares]] if taper else []),
        [0.0, 0.0, 0.0, 0.0, *[1 - part for part in squares[:3]], *[-part for part in squares[3:]]],
    ])  # fmt: skip
    sums = seen.dot(means).dot(seen.T)
    normal = sums[:-1, :-1]
    normal.flat[:: len(normal) + 1] += 1e-10
    u, v, c, a, b, *along = (np.linalg.solve(normal, sums[:-1, -1]) / 2).tolist()
    square = c + u * u + v * v
    r = math.sqrt(square) if square > 0 else math.nan
    g = math.copysign(math.sqrt(max(2 * along[1], 1e-6)), along[0]) if taper else 0.0
    a, b = a / (1 + g * g), b / (1 + g * g)
    return axes.dot((u - r * g * a, v - r * g * b, 0.0)), axes.dot((a, b, 1.0)), r, g


def _product(one: list[float], other: list[float]) -> list[float]:
    """Coefficients of x², y², z², xy, xz, yz in the product of two linear forms."""
    (a, b, c), (d, e, f) = one, other
    return [a * d, b * e, c * f, a * e + b * d, a * f + c * d, b * f + c * e]
