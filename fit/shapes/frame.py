"""Right-handed axes on a plane or along an axis, and how they turn."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.points import FloatArray

__all__ = ["Frame", "axes_about", "base_direction", "base_swing", "frame_along", "frame_at", "upright"]

_NEAR_X = math.cos(math.radians(1.0))


def base_direction(normal: ArrayLike) -> FloatArray:
    """Direction that angles about a unit normal count from: +x, or +y where n is within 1° of x."""
    return np.array([0.0, 1.0, 0.0]) if abs(float(np.asarray(normal)[0])) > _NEAR_X else np.array([1.0, 0.0, 0.0])


def axes_about(normal: ArrayLike) -> FloatArray:
    """Return (3, 3) columns e1, e2, n: e1 is `base_direction` projected into the plane."""
    x, y, z = np.asarray(normal, float).tolist()
    size = math.sqrt(x * x + y * y + z * z)
    x, y, z = x / size, y / size, z / size
    # the base less its part along n is square to n already
    ax, ay, az = (-x * y, 1 - y * y, -z * y) if abs(x) > _NEAR_X else (1 - x * x, -y * x, -z * x)
    size = math.sqrt(ax * ax + ay * ay + az * az)
    return _columns((ax / size, ay / size, az / size), (x, y, z))


def _columns(first: Iterable[float], normal: Iterable[float]) -> FloatArray:
    """Right-handed axes (3, 3) in columns from e1 and n; of so few numbers plain ones are quicker than arrays."""
    (ax, ay, az), (nx, ny, nz) = first, normal
    return np.array([[ax, ny * az - nz * ay, nx], [ay, nz * ax - nx * az, ny], [az, nx * ay - ny * ax, nz]])


def upright(normal: ArrayLike) -> FloatArray:
    """Return the unit normal with its largest component positive, so that the same face always reads the same way."""
    n = np.asarray(normal, float)
    n = n / np.linalg.norm(n)
    return n if n[int(np.argmax(np.abs(n)))] > 0 else -n


def base_swing(axes: FloatArray) -> FloatArray:
    """Derivative (3,) of an angle in the plane by n: e1, a fixed direction's projection, turns as n leans to e2."""
    along = float(base_direction(axes[:, 2]) @ axes[:, 2])
    return np.asarray(along / math.sqrt(1 - along**2) * axes[:, 1])


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """Origin (3,) and axes (3, 3) in columns e1, e2, n."""

    origin: FloatArray
    axes: FloatArray

    def local(self, rows: FloatArray) -> FloatArray:
        """Coordinates (3, N) of points (3, N) seen in this frame."""
        return np.asarray(self.axes.T.dot(rows - self.origin[:, None]))

    def moved(self, shift: Iterable[float], tilt: Iterable[float]) -> Frame:
        """Shift the origin by local (3,) and lean n by local (2,) towards e1 and e2, keeping the axes orthonormal."""
        (ax, bx, nx), (ay, by, ny), (az, bz, nz) = self.axes.tolist()
        (sa, sb, sn), (ta, tb) = map(float, shift), map(float, tilt)
        nx, ny, nz = nx + ta * ax + tb * bx, ny + ta * ay + tb * by, nz + ta * az + tb * bz
        size = math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx / size, ny / size, nz / size
        along = nx * ax + ny * ay + nz * az
        ax, ay, az = ax - along * nx, ay - along * ny, az - along * nz
        size = math.sqrt(ax * ax + ay * ay + az * az)
        axes = _columns((ax / size, ay / size, az / size), (nx, ny, nz))
        return Frame(self.origin + axes.dot((sa, sb, sn)), axes)


def frame_along(origin: FloatArray, normal: FloatArray, first: FloatArray) -> Frame:
    """Frame at a point with given unit vectors n and e1, square to each other."""
    return Frame(origin, _columns(first.tolist(), normal.tolist()))


def frame_at(origin: ArrayLike, normal: ArrayLike) -> Frame:
    """Frame at a point with the plane axes of `axes_about`."""
    return Frame(np.asarray(origin, float), axes_about(normal))
