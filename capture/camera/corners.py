"""Chessboard corners to a few thousandths of a pixel, with their own covariance.

Around a corner the picture is modelled as I = m + gx·x + gy·y + A·erf(d₁/s√2)·erf(d₂/s√2), d₁ and d₂ being the
distances from the two edges: a saddle of two straight edges seen through a Gaussian blur s. Nine parameters are
fitted by least squares to all pixels of a disc that stays clear of the markers next to the corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["CORNER_FLOOR_PX", "Corners", "refine_corners"]

CORNER_FLOOR_PX = 0.005
"""Added in quadrature per axis: a pixel's square aperture is no Gaussian, and compression makes noise correlated."""
_DISC_PER_SIDE, _DISC_MIN, _DISC_MAX = 0.17, 4.0, 24.0
_STEPS = 12
_BLUR_MIN, _BLUR_MAX = 0.3, 12.0
_MAX_MOVE_PER_SIDE = 0.2
_MIN_CONTRAST, _MAX_MISFIT = 6.0, 0.35
"""Levels, and rms misfit over contrast: halos of in-camera sharpening reach 0.2, a half-covered corner exceeds 0.4."""


@dataclass(frozen=True, eq=False, slots=True)
class Corners:
    """Refined corners: px (N, 2), cov (N, 2, 2) px², blur (N,) px, found (N,): False where there is no corner."""

    px: FloatArray
    cov: FloatArray
    blur: FloatArray
    found: NDArray[np.bool_]


def refine_corners(grey: NDArray[Any], start: FloatArray, sides: FloatArray) -> Corners:
    """Fit the saddle model at each starting place.

    Parameters
    ----------
    grey : (H, W) picture in levels 0 to 255.
    start : (N, 2) px, right to about a tenth of a square.
    sides : (N, 2, 2) px, the picture of one square's side along the board's x and y at the corner.
    """
    n = len(start)
    lengths = np.linalg.norm(sides, axis=2)
    sine = np.abs(_cross(sides[:, 0], sides[:, 1])) / np.maximum(lengths.prod(axis=1), 1e-9)
    short = lengths.min(axis=1)
    radius = np.clip(_DISC_PER_SIDE * short * np.sqrt(sine), _DISC_MIN, _DISC_MAX)
    rough = _rough(grey, start, radius)
    result = Corners(rough.copy(), np.full((n, 2, 2), np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool))
    for which in _by_radius(radius):
        _refine_group(grey, rough, sides, radius, which, result)
    moved = np.linalg.norm(result.px - start, axis=1)
    result.found[:] &= moved < np.maximum(_MAX_MOVE_PER_SIDE * short, 2.0)
    return result


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _by_radius(radius: FloatArray) -> list[NDArray[np.int_]]:
    """Corners of like disc size are fitted together, so that no patch is mostly padding."""
    bins = np.digitize(radius, (8.0, 13.0, 18.0))
    return [np.flatnonzero(bins == b) for b in np.unique(bins)]


def _rough(grey: NDArray[Any], start: FloatArray, radius: FloatArray) -> FloatArray:
    """Bring the start within a pixel by OpenCV's gradient method, in a window that the disc contains."""
    import cv2

    height, width = grey.shape
    result = start.astype(float)
    half = np.clip(np.rint(0.7 * radius), 3, 10).astype(int)
    margin = half[:, None] + 2
    inside = ((start >= margin) & (start < np.array([width, height]) - margin)).all(axis=1)
    for h in np.unique(half):
        which = np.flatnonzero((half == h) & inside)
        if len(which):
            window = np.ascontiguousarray(start[which], dtype=np.float32).reshape(-1, 1, 2)
            criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 15, 0.03)
            found = cv2.cornerSubPix(grey, window, (int(h), int(h)), (-1, -1), criteria)
            result[which] = found.reshape(-1, 2)
    return result


def _refine_group(
    grey: NDArray[Any], rough: FloatArray, sides: FloatArray, radius: FloatArray, which: NDArray[np.int_], out: Corners
) -> None:
    reach = math.ceil(radius[which].max())
    base = np.rint(rough[which]).astype(int)
    height, width = grey.shape
    fits = ((base >= reach) & (base < np.array([width, height]) - reach)).all(axis=1)
    which, base = which[fits], base[fits]
    if not len(which):
        return
    dx, dy = (a.ravel() for a in np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)))
    keep = dx**2 + dy**2 <= (radius[which].max() + 0.5) ** 2
    dx, dy = dx[keep], dy[keep]
    levels = grey[base[:, 1, None] + dy, base[:, 0, None] + dx].astype(np.float32)
    off = rough[which] - base
    x, y = dx.astype(np.float32), dy.astype(np.float32)
    weight = _disc(x, y, off, radius[which])
    first = _start_parameters(levels, weight, x, y, off, sides[which])
    found, _, _ = _levenberg_marquardt(levels, weight, (x, y), first, 1e-2)
    # Edges that cross askew blur into something else than the model, but point-symmetric: a disc about the corner
    # itself sees hardly a bias from that, one about a rough place does.
    weight = _disc(x, y, np.clip(found[:, 4:6], off - 2, off + 2), radius[which])
    parameters, cost, normal = _levenberg_marquardt(levels, weight, (x, y), found, 5e-4)
    _judge(parameters, cost, normal, (weight**2).sum(axis=1), base, which, out)


def _disc(x: NDArray[Any], y: NDArray[Any], centre: FloatArray, radius: FloatArray) -> NDArray[np.float32]:
    """Roots of weights (n, k) of a disc about each centre (n, 2), its rim a pixel soft."""
    distance = np.hypot(x - centre[:, :1], y - centre[:, 1:])
    return np.sqrt(np.clip(radius[:, None] + 0.5 - distance, 0, 1)).astype(np.float32)


def _start_parameters(
    levels: NDArray[np.float32],
    weight: NDArray[np.float32],
    x: NDArray[np.float32],
    y: NDArray[np.float32],
    off: FloatArray,
    sides: FloatArray,
) -> FloatArray:
    """(n, 9): m, gx, gy, A, x₀, y₀, direction of either edge's normal, blur."""
    p = np.zeros((len(levels), 9))
    p[:, 4:6] = off
    p[:, 6:8] = np.arctan2(sides[..., 0], -sides[..., 1])  # the normal of direction (a, b) is (-b, a)
    p[:, 8] = 1.2
    count = weight.sum(axis=1)
    p[:, 0] = (weight * levels).sum(axis=1) / count
    checker = np.sign(_distance(p, x, y, 6)) * np.sign(_distance(p, x, y, 7))
    p[:, 3] = (weight * (levels - p[:, :1]) * checker).sum(axis=1) / count
    return p


def _distance(p: FloatArray, x: NDArray[Any], y: NDArray[Any], k: int) -> NDArray[Any]:
    angle = p[:, k, None]
    return np.asarray((x - p[:, 4, None]) * np.cos(angle) + (y - p[:, 5, None]) * np.sin(angle), dtype=np.float32)


def _erf(t: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """erf to 1.5e-7 (Abramowitz & Stegun 7.1.26) and exp(-t²), which its derivative needs."""
    size = np.abs(t)
    bell = np.exp(-size * size)
    u = 1 / (1 + np.float32(0.3275911) * size)
    c = [np.float32(v) for v in (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592)]
    tail = ((((c[0] * u + c[1]) * u + c[2]) * u + c[3]) * u + c[4]) * u * bell
    return np.copysign(1 - tail, t), bell


def _model(p: FloatArray, x: NDArray[Any], y: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Modelled levels (n, k) and derivatives (n, 9, k)."""
    narrow = p.astype(np.float32)
    m, gx, gy, a = (narrow[:, i, None] for i in range(4))
    scale = 1 / (narrow[:, 8, None] * np.float32(math.sqrt(2)))
    d1, d2 = _distance(p, x, y, 6), _distance(p, x, y, 7)
    (e1, b1), (e2, b2) = _erf(d1 * scale), _erf(d2 * scale)
    value = m + gx * x + gy * y + a * e1 * e2
    slope = np.empty((len(p), 9, len(x)), dtype=np.float32)
    k = np.float32(2 / math.sqrt(math.pi)) * scale * a
    s1, s2 = k * b1 * e2, k * b2 * e1  # by d1, by d2
    angle1, angle2 = narrow[:, 6, None], narrow[:, 7, None]
    c1, n1, c2, n2 = np.cos(angle1), np.sin(angle1), np.cos(angle2), np.sin(angle2)
    u, v = x - narrow[:, 4, None], y - narrow[:, 5, None]
    slope[:, 0], slope[:, 1], slope[:, 2], slope[:, 3] = 1, x, y, e1 * e2
    slope[:, 4], slope[:, 5] = -(s1 * c1 + s2 * c2), -(s1 * n1 + s2 * n2)
    slope[:, 6], slope[:, 7] = s1 * (v * c1 - u * n1), s2 * (v * c2 - u * n2)
    slope[:, 8] = -(s1 * d1 + s2 * d2) / narrow[:, 8, None]
    return value, slope


def _levenberg_marquardt(
    levels: NDArray[Any], weight: NDArray[Any], xy: tuple[NDArray[Any], NDArray[Any]], p: FloatArray, tolerance: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit all patches side by side; returns parameters (n, 9), sums of squares (n,), normal matrices (n, 9, 9)."""
    (x, y), n = xy, len(p)
    damping = np.full(n, 1e-3)
    value, slope = _model(p, x, y)
    cost, normal, gradient = _normal_equations(levels - value, weight, slope)
    active = np.arange(n)
    for _ in range(_STEPS):
        sub = normal[active]
        diagonal = np.einsum("nii->ni", sub)
        damped = sub + (damping[active, None] * diagonal)[:, :, None] * np.eye(9) + 1e-9 * np.eye(9)
        step = np.linalg.solve(damped, gradient[active][..., None])[..., 0]
        step[:, 4:6] = np.clip(step[:, 4:6], -2, 2)
        step[:, 6:8] = np.clip(step[:, 6:8], -0.2, 0.2)
        trial = p[active] + step
        trial[:, 8] = np.clip(
            trial[:, 8], np.maximum(_BLUR_MIN, p[active, 8] / 2), np.minimum(_BLUR_MAX, p[active, 8] * 2)
        )
        value, slope = _model(trial, x, y)
        new_cost, new_normal, new_gradient = _normal_equations(levels[active] - value, weight[active], slope)
        better = new_cost <= cost[active]
        took = active[better]
        gain = cost[took] - new_cost[better]
        p[took], normal[took], gradient[took] = trial[better], new_normal[better], new_gradient[better]
        cost[took] = new_cost[better]
        damping[active] = np.where(better, damping[active] / 8, damping[active] * 8)
        done = np.zeros(n, dtype=bool)
        small = (np.abs(step[better, 4:6]).max(axis=1) < tolerance) & (gain < 1e-3 * new_cost[better])
        done[took[small]] = True
        active = active[~done[active] & (damping[active] < 1e6)]
        if not len(active):
            break
    return p, cost, normal


def _normal_equations(
    misfit: FloatArray, weight: FloatArray, slope: NDArray[Any]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    weighted = misfit * weight
    cost = np.einsum("nk,nk->n", weighted, weighted).astype(float)
    slope *= weight[:, None, :]
    normal = (slope @ slope.transpose(0, 2, 1)).astype(float)
    gradient = (slope @ weighted[..., None])[..., 0].astype(float)
    return cost, normal, gradient


def _judge(
    p: FloatArray,
    cost: FloatArray,
    normal: FloatArray,
    count: FloatArray,
    base: NDArray[np.int_],
    which: NDArray[np.int_],
    out: Corners,
) -> None:
    """Write the fitted corners out and say which of them are corners at all."""
    noise2 = np.maximum(cost / np.maximum(count - 9, 1), 0.05)
    regular = normal + 1e-9 * np.einsum("nii->n", normal)[:, None, None] * np.eye(9) / 9
    cov = np.linalg.inv(regular)[:, 4:6, 4:6] * noise2[:, None, None]
    out.px[which] = base + p[:, 4:6]
    out.cov[which] = cov + CORNER_FLOOR_PX**2 * np.eye(2)
    out.blur[which] = p[:, 8]
    contrast = np.abs(p[:, 3])
    crossing = np.abs(np.sin(p[:, 6] - p[:, 7]))
    out.found[which] = (
        (contrast > _MIN_CONTRAST)
        & (np.sqrt(noise2) < _MAX_MISFIT * contrast)
        & (crossing > 0.2)
        & (np.einsum("nii->n", cov) < 1.0)
        & (p[:, 8] < 0.99 * _BLUR_MAX)
    )
