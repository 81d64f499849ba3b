"""The plate as a solid that rays meet: an exact signed distance in plan, and walks along rays through the sheet.

Compiled by numba. A cell of the grid keeps the few curves that can be nearest anywhere in it; far from every curve the
distance is a lower bound, which is all a walk needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba as nb
import numpy as np
from workshop_part import Arc, Line

from fit.points import FloatArray

CELL, MARGIN, NEAR = 1.0, 16.0, 6.0
_HALF = CELL * math.sqrt(0.5)
_TINY = 4e-5
FACE, WALL, MISS = 1, 2, 0


@dataclass(frozen=True, eq=False)
class Solid:
    """curves (n, 8); first, count per cell and the curves' numbers; low (2,): corner of the grid; shape of the sheet;
    depth of the bench below the face, which is more than the sheet's thickness where it stands off the bench."""

    curves: FloatArray
    middle: FloatArray
    first: np.ndarray
    count: np.ndarray
    which: np.ndarray
    low: FloatArray
    thickness: float
    rounding: float
    height: float

    @property
    def packed(self) -> tuple:
        return (
            self.curves, self.middle, self.first, self.count, self.which, self.low, self.thickness, self.rounding,
            self.height,
        )  # fmt: skip


def curve_rows(pieces: list[Line | Arc]) -> FloatArray:
    rows = []
    for piece in pieces:
        if isinstance(piece, Line):
            dx, dy = np.subtract(piece.p1, piece.p0) / piece.length
            rows.append((0.0, *piece.p0, dx, dy, piece.length, 0.0, 0.0))
        else:
            turn = piece.start + piece.sweep / 2
            half = min(abs(piece.sweep) / 2, math.pi)
            closed = -2.0 if half > math.pi - 1e-9 else math.cos(half)
            side = math.copysign(1.0, piece.sweep)
            rows.append((1.0, *piece.centre, piece.radius, math.cos(turn), math.sin(turn), closed, side))
    return np.array(rows)


def distances(pieces: list[Line | Arc], xy: FloatArray) -> FloatArray:
    """Signed distances (n,) from the material in plan: negative inside it."""
    rows = curve_rows(pieces)
    return _brute(rows, np.ascontiguousarray(xy, float))


def solid_of(pieces: list[Line | Arc], thickness: float, rounding: float, height: float) -> Solid:
    curves = curve_rows(pieces)
    ends = np.array([p for s in pieces for p in ((s.p0, s.p1) if isinstance(s, Line) else (s.at(0), s.at(0.5)))])
    low = ends.min(axis=0) - MARGIN - 5
    shape = np.ceil((ends.max(axis=0) + MARGIN + 5 - low) / CELL).astype(int)
    middle, first, count, which = _cells(curves, low, int(shape[0]), int(shape[1]))
    return Solid(curves, middle, first, count, which, low, float(thickness), float(rounding), float(height))


@nb.njit(cache=True, inline="always")
def _one(c, x, y):
    """Signed distance from one curve where its nearest point lies within it; else a large number."""
    if c[0] == 0.0:
        dx, dy = x - c[1], y - c[2]
        s = dx * c[3] + dy * c[4]
        if s < -1e-7 or s > c[5] + 1e-7:
            return 1e9
        return dx * c[4] - dy * c[3]
    dx, dy = x - c[1], y - c[2]
    far = math.sqrt(dx * dx + dy * dy)
    if dx * c[4] + dy * c[5] < c[6] * far - 1e-7:
        return 1e9
    return c[7] * (far - c[3])


@nb.njit(cache=True)
def _least(c, x, y):
    """A lower bound of the distance from one curve, its ends included."""
    d = abs(_one(c, x, y))
    if d < 1e8:
        return d
    if c[0] == 0.0:
        s = (x - c[1]) * c[3] + (y - c[2]) * c[4]
        s = min(max(s, 0.0), c[5])
        return math.hypot(x - c[1] - s * c[3], y - c[2] - s * c[4])
    half = math.acos(max(min(c[6], 1.0), -1.0))
    turn = math.atan2(c[5], c[4])
    best = 1e9
    for e in (turn - half, turn + half):
        best = min(best, math.hypot(x - c[1] - c[3] * math.cos(e), y - c[2] - c[3] * math.sin(e)))
    return best


@nb.njit(cache=True)
def _brute(rows, xy):
    out = np.empty(len(xy))
    for i in range(len(xy)):
        best = 1e9
        for k in range(len(rows)):
            d = _one(rows[k], xy[i, 0], xy[i, 1])
            if abs(d) < abs(best):
                best = d
        out[i] = best
    return out


@nb.njit(cache=True)
def _cells(curves, low, nx, ny):
    middle = np.empty((ny, nx))
    first = np.zeros((ny, nx), np.int32)
    count = np.zeros((ny, nx), np.int32)
    which = np.empty(nx * ny * 12, np.int32)
    n = 0
    for j in range(ny):
        for i in range(nx):
            x, y = low[0] + (i + 0.5) * CELL, low[1] + (j + 0.5) * CELL
            best = 1e9
            for k in range(len(curves)):
                d = _one(curves[k], x, y)
                if abs(d) < abs(best):
                    best = d
            middle[j, i] = best
            first[j, i] = n
            if abs(best) < NEAR:
                for k in range(len(curves)):
                    if _least(curves[k], x, y) <= abs(best) + 2 * _HALF + 1e-6:
                        which[n] = k
                        n += 1
            count[j, i] = n - first[j, i]
    return middle, first, count, which[:n].copy()


@nb.njit(cache=True)
def outside(solid, x, y):
    """Signed distance in plan; beyond 6 mm from every curve a lower bound of its size."""
    curves, middle, first, count, which, low = solid[0], solid[1], solid[2], solid[3], solid[4], solid[5]
    i, j = math.floor((x - low[0]) / CELL), math.floor((y - low[1]) / CELL)
    if i < 0 or j < 0 or i >= middle.shape[1] or j >= middle.shape[0]:
        return MARGIN
    n = count[j, i]
    if n == 0:
        m = middle[j, i]
        return m - _HALF if m > 0 else m + _HALF
    best = 1e9
    for k in range(first[j, i], first[j, i] + n):
        d = _one(curves[which[k]], x, y)
        if abs(d) < abs(best):
            best = d
    return best


@nb.njit(cache=True)
def normal(solid, x, y):
    """Outward direction in plan of the nearest point of the contour."""
    curves, first, count, which, low = solid[0], solid[2], solid[3], solid[4], solid[5]
    i, j = math.floor((x - low[0]) / CELL), math.floor((y - low[1]) / CELL)
    best, at = 1e9, -1
    if 0 <= i < count.shape[1] and 0 <= j < count.shape[0]:
        for k in range(first[j, i], first[j, i] + count[j, i]):
            d = _one(curves[which[k]], x, y)
            if abs(d) < abs(best):
                best, at = d, which[k]
    if at < 0:
        return 0.0, 0.0
    c = curves[at]
    if c[0] == 0.0:
        return c[4], -c[3]
    dx, dy = x - c[1], y - c[2]
    far = max(math.hypot(dx, dy), 1e-9)
    return c[7] * dx / far, c[7] * dy / far


@nb.njit(cache=True)
def walk(solid, ox, oy, oz, dx, dy, dz, reach):
    """Where a ray first meets the sheet: (kind, way along it). The face is flat at z = 0, the foot lies at -thickness."""
    thick, r = solid[6], solid[7]
    t0, t1 = 0.0, reach
    if dz < -1e-12:
        t0, t1 = max(t0, -oz / dz), min(t1, (-thick - oz) / dz)
    elif dz > 1e-12:
        t0, t1 = max(t0, (-thick - oz) / dz), min(t1, -oz / dz)
    elif oz > 0.0 or oz < -thick:
        return MISS, 0.0
    if t0 >= t1:
        return MISS, 0.0
    flat = max(math.hypot(dx, dy), 1e-9)
    t = t0
    from_above = oz + dz * t0 > -1e-9 and dz < 0.0
    for step in range(400):
        x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
        d = outside(solid, x, y)
        if step == 0 and from_above and d <= -r:
            return FACE, t
        up = z + r
        if r > 0.0 and up > 0.0:
            gap = math.hypot(max(d + r, 0.0), up) - r
            ahead = gap
        else:
            gap = d
            ahead = d / flat
        if gap < _TINY:
            return WALL, t
        t += max(ahead, _TINY)
        if t > t1:
            return MISS, 0.0
    return MISS, 0.0


@nb.njit(cache=True)
def facing(solid, x, y, z):
    """Outward normal of wall or rounding at a place that a walk ended at."""
    r = solid[7]
    nx, ny = normal(solid, x, y)
    if r > 0.0 and z > -r:
        d = outside(solid, x, y)
        out, up = max(d + r, 1e-9), z + r
        size = math.hypot(out, up)
        return nx * out / size, ny * out / size, up / size
    return nx, ny, 0.0
