"""Running moments of ordered points, and the misfit of a line or an arc read off them.

A piece of an edge costs O(1) to judge once the sums over its points are known: the squared misfit of the best line is
an eigenvalue of a 2 × 2 matrix, and that of the best arc the least root of the cubic of Taubin's circle fit (G. Taubin,
IEEE PAMI 13 (1991) 1115), which equals the geometric one to a few parts in a thousand for arcs that a path can hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["Chunks", "arc_misfit", "central", "chunk_points", "free_curvature", "line_misfit", "shifted", "taubin_root"]


@dataclass(frozen=True, eq=False, slots=True)
class Chunks:
    """Groups of consecutive points with their weighted moments about each group's own centre.

    Attributes
    ----------
    first : (C + 1,) index of each group's first point, and the number of points.
    centre : (C, 2) mm. weight : (C,). xx, xy, yy, xe, ye, ee : (C,) central sums with e = x² + y².
    """

    first: np.ndarray
    centre: FloatArray
    weight: FloatArray
    xx: FloatArray
    xy: FloatArray
    yy: FloatArray
    xe: FloatArray
    ye: FloatArray
    ee: FloatArray


def chunk_points(xy: FloatArray, weight: FloatArray, first: NDArray[np.int_]) -> Chunks:
    """Gather consecutive points (N, 2) with weights (N,) into groups, each from its first point (C,) to the next one's."""
    total = np.add.reduceat(weight, first)
    centre = np.add.reduceat(xy * weight[:, None], first) / total[:, None]
    bounds = np.append(first, len(xy))
    x, y = (xy - np.repeat(centre, np.diff(bounds), axis=0)).T
    e = x * x + y * y
    products = np.stack([x * x, x * y, y * y, x * e, y * e, e * e]) * weight
    return Chunks(bounds, centre, total, *np.add.reduceat(products, first, axis=1))


def shifted(chunks: Chunks, columns: slice, origin: FloatArray) -> list[FloatArray]:
    """Sums (n, x, y, xx, xy, yy, xz, yz, zz; z = x² + y²) of each group about each origin: nine arrays (R, C)."""
    w, sxx, sxy, syy, sxe, sye, see = (
        getattr(chunks, name)[columns][None, :] for name in ("weight", "xx", "xy", "yy", "xe", "ye", "ee")
    )
    vx = chunks.centre[columns, 0][None, :] - origin[:, 0:1]
    vy = chunks.centre[columns, 1][None, :] - origin[:, 1:2]
    v2, se = vx * vx + vy * vy, sxx + syy
    z = w * v2 + se
    ax, ay = vx * sxx + vy * sxy, vx * sxy + vy * syy
    return [
        np.broadcast_to(w, vx.shape),
        w * vx,
        w * vy,
        w * vx * vx + sxx,
        w * vx * vy + sxy,
        w * vy * vy + syy,
        vx * z + 2 * ax + sxe,
        vy * z + 2 * ay + sye,
        v2 * (z + se) + 4 * (vx * ax + vy * ay + vx * sxe + vy * sye) + see,
    ]


def central(sums: list[FloatArray] | FloatArray) -> tuple[FloatArray, ...]:
    """Weight, mean and central means (n, x̄, ȳ, xx, xy, yy, xz, yz, zz) from sums about any near origin."""
    n, x, y, xx, xy, yy, xz, yz, zz = sums
    mx, my = x / n, y / n
    xx, xy, yy = xx / n - mx * mx, xy / n - mx * my, yy / n - my * my
    m2, z = mx * mx + my * my, xx + yy
    # With u = x − x̄: z_u = z − 2 (x̄ x + ȳ y) + x̄² + ȳ²; the raw means of x z, y z and z² turn into central ones.
    raw_z = z + m2
    xz_c = xz / n - mx * raw_z
    yz_c = yz / n - my * raw_z
    cx = xz_c - 2 * (mx * xx + my * xy)
    cy = yz_c - 2 * (mx * xy + my * yy)
    var_z = zz / n - raw_z * raw_z
    cz = var_z - 4 * (mx * xz_c + my * yz_c) + 4 * (mx * mx * xx + 2 * mx * my * xy + my * my * yy)
    return n, mx, my, xx, xy, yy, cx, cy, cz + z * z


def line_misfit(n: FloatArray, xx: FloatArray, xy: FloatArray, yy: FloatArray) -> FloatArray:
    """Weighted sum of squared distances from the best line."""
    return np.maximum(n * (0.5 * (xx + yy) - np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy)), 0.0)


def taubin_root(
    xx: FloatArray, xy: FloatArray, yy: FloatArray, xz: FloatArray, yz: FloatArray, zz: FloatArray
) -> FloatArray:
    """Least root of the characteristic cubic of Taubin's fit: the mean squared distance from the circle."""
    z = xx + yy
    det = xx * yy - xy * xy
    zv = zz - z * z
    a2 = -3 * z * z - zz
    a1 = zv * z + 4 * det * z - xz * xz - yz * yz
    a0 = xz * (xz * yy - yz * xy) + yz * (yz * xx - xz * xy) - zv * det
    root = np.zeros_like(z)
    for _ in range(3):
        value = a0 + root * (a1 + root * (a2 + root * 4 * z))
        slope = a1 + root * (2 * a2 + root * 12 * z)
        root = root - value / np.where(slope == 0, 1.0, slope)
    return root


def arc_misfit(n: FloatArray, *moments: FloatArray) -> FloatArray:
    """Weighted sum of squared distances from the best arc, never above that of the best line."""
    line = line_misfit(n, *moments[:3])
    arc = n * taubin_root(*moments)
    return np.clip(np.where(np.isfinite(arc), arc, line), 0.0, line)


def free_curvature(xy: FloatArray, weight: FloatArray) -> float:
    """Signed curvature (1/mm, left turn positive) of Taubin's circle through ordered points (N, 2)."""
    chunks = chunk_points(xy, weight, np.zeros(1, dtype=int))
    sums = [column[0, 0] for column in shifted(chunks, slice(0, 1), chunks.centre)]
    _, _, _, xx, sxy, yy, xz, yz, zz = central(sums)
    root = float(taubin_root(*(np.asarray(m) for m in (xx, sxy, yy, xz, yz, zz))))
    det = root * root - root * (xx + yy) + xx * yy - sxy * sxy
    if det == 0:
        return 0.0
    cx = (xz * (yy - root) - yz * sxy) / det / 2
    cy = (yz * (xx - root) - xz * sxy) / det / 2
    radius = float(np.sqrt(cx * cx + cy * cy + xx + yy))
    chord, to_middle = xy[-1] - xy[0], xy[len(xy) // 2] - xy[0]
    side = chord[0] * to_middle[1] - chord[1] * to_middle[0]
    return (-1.0 if side > 0 else 1.0) / max(radius, 1e-9)
