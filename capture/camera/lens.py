"""The camera's lens: pinhole with radial and tangential distortion, its prior, and rays from pixels.

A lens is nine numbers, in the order of `LENS_NAMES`: fx (px), fy/fx, principal point cx, cy (px of the stored array),
k1, k2, p1, p2, k3 as OpenCV defines them ("Camera calibration and 3D reconstruction"; Brown 1966 for the model):
x" = x'(1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 x'y' + p2 (r² + 2x'²), u = fx x" + cx, and so for y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from capture.camera.image import Image
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = [
    "LENS_NAMES",
    "LensPrior",
    "camera_matrix",
    "distortion",
    "lens_prior",
    "lens_slopes",
    "project",
    "rays",
    "see",
    "shown_at",
]

LENS_NAMES = ("f", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
_F_UNKNOWN = 0.25
_LONG_SIDE_35_MM, _DIAGONAL_35_MM = 36.0, math.hypot(36.0, 24.0)
_FORMATS = (4 / 3, 3 / 2, 16 / 9, 1.0, 5 / 4, 18.5 / 9, 19.5 / 9, 20 / 9)


@dataclass(frozen=True, eq=False, slots=True)
class LensPrior:
    """What is known of a lens beforehand: rows @ lens = values ± u, one row per source.

    names (K,), rows (K, 9), values (K,), u (K,) standard uncertainties.
    """

    names: tuple[str, ...]
    rows: FloatArray
    values: FloatArray
    u: FloatArray

    @property
    def centre(self) -> FloatArray:
        """The lens (9,) that fits the prior best."""
        weighted = self.rows / self.u[:, None]
        return np.asarray(np.linalg.lstsq(weighted, self.values / self.u, rcond=None)[0], float)


def lens_prior(image: Image) -> LensPrior:
    """The prior of a photo taken without a camera profile.

    The focal length is EXIF's 35 mm figure to 3 %: two conventions (over the long side, over the diagonal) lie 4 %
    apart, their middle is taken. Without it, 0.8 of the long side to 25 %. The principal point lies in the middle to
    25 px of a 4000 px picture; where the picture was cropped it can lie anywhere that the crop allows.
    """
    width, height = image.size
    long_side = float(max(width, height))
    f, f_u = 0.8 * long_side, _F_UNKNOWN * 0.8 * long_side
    centre_u = np.full(2, 25.0 * long_side / 4000.0)
    written = image.exif.size
    cropped = written is not None and _is_crop(image.size, written)
    full = written if written is not None and cropped else image.size
    if image.exif.focal_35_mm:
        long_full, diagonal = float(max(full)), math.hypot(*full)
        f = image.exif.focal_35_mm * (long_full / _LONG_SIDE_35_MM + diagonal / _DIAGONAL_35_MM) / 2
        f_u = 0.03 * f
    if written is not None and cropped:
        spare = np.maximum(np.array(_like(written, image.size)) - image.size, 0) / 2
        centre_u = np.hypot(centre_u, spare / math.sqrt(3))
    elif written is None and not _is_usual_format(image.size):
        centre_u = np.full(2, 0.15 * long_side)
    values = np.array([f, 1.0, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0])
    u = np.array([f_u, 5e-4, *centre_u, 0.15, 0.4, 5e-4, 5e-4, 0.4])
    names = ("focal:EXIF", *(f"lens:{name}" for name in LENS_NAMES[1:]))
    return LensPrior(names, np.eye(9), values, u)


def _like(written: tuple[int, int], size: tuple[int, int]) -> tuple[int, int]:
    """EXIF's size in the stored array's sense of width and height: some programs turn one without the other."""
    turned = (written[0] >= written[1]) != (size[0] >= size[1])
    return (written[1], written[0]) if turned and written[1] >= size[0] and written[0] >= size[1] else written


def _is_crop(size: tuple[int, int], written: tuple[int, int]) -> bool:
    """Whether a picture smaller than the camera wrote is cut, not scaled: its sides shrank by different amounts."""
    across, down = (s / w for s, w in zip(size, _like(written, size), strict=True))
    return max(across, down) <= 1.001 and abs(across - down) > 0.01 * max(across, down)


def _is_usual_format(size: tuple[int, int]) -> bool:
    ratio = max(size) / min(size)
    return any(abs(ratio - usual) < 0.01 for usual in _FORMATS)


def camera_matrix(lens: FloatArray) -> FloatArray:
    """OpenCV's 3 × 3 camera matrix."""
    return np.array([[lens[0], 0, lens[2]], [0, lens[0] * lens[1], lens[3]], [0, 0, 1.0]])


def distortion(lens: FloatArray) -> FloatArray:
    """OpenCV's five distortion coefficients k1, k2, p1, p2, k3."""
    return np.asarray(lens[4:9], float)


def _bent(lens: FloatArray, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Directions x, y (N,) as the lens bends them."""
    k1, k2, p1, p2, k3 = lens[4:9]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y


def _pixels(lens: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    f, aspect, cx, cy = lens[:4]
    return np.column_stack([f * u + cx, f * aspect * v + cy])


def project(lens: FloatArray, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pixels (N, 2) of directions xy (N, 2) = (X/Z, Y/Z), and derivatives by xy (N, 2, 2)."""
    f, aspect, _, _, k1, k2, p1, p2, k3 = lens
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))  # d radial / dx = slope · x
    fy = f * aspect
    mixed = slope * x * y + 2 * p1 * x + 2 * p2 * y
    by_xy = np.empty((len(xy), 2, 2))
    by_xy[:, 0, 0] = f * (radial + slope * x * x + 2 * p1 * y + 6 * p2 * x)
    by_xy[:, 0, 1] = f * mixed
    by_xy[:, 1, 0] = fy * mixed
    by_xy[:, 1, 1] = fy * (radial + slope * y * y + 6 * p1 * y + 2 * p2 * x)
    return _pixels(lens, *_bent(lens, x, y)), by_xy


def lens_slopes(lens: FloatArray, xy: FloatArray) -> FloatArray:
    """Derivatives (N, 2, 9) of the pixels of directions xy (N, 2) by the lens."""
    f, aspect = lens[:2]
    x, y = xy[:, 0], xy[:, 1]
    u, v = _bent(lens, x, y)
    r2, fy = x * x + y * y, f * aspect
    by_lens = np.zeros((len(xy), 2, 9))
    by_lens[:, 0, 0], by_lens[:, 1, 0] = u, aspect * v
    by_lens[:, 1, 1] = f * v
    by_lens[:, 0, 2] = by_lens[:, 1, 3] = 1
    for column, power in ((4, r2), (5, r2**2), (8, r2**3)):
        by_lens[:, 0, column], by_lens[:, 1, column] = f * x * power, fy * y * power
    by_lens[:, 0, 6], by_lens[:, 1, 6] = f * 2 * x * y, fy * (r2 + 2 * y * y)
    by_lens[:, 0, 7], by_lens[:, 1, 7] = f * (r2 + 2 * x * x), fy * 2 * x * y
    return by_lens


def _before(rotation: FloatArray, translation: FloatArray, xyz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points (N, 3) turned to the camera's axes, and from the camera's place.

    Raises CannotDetermine for points behind the camera.
    """
    turned = xyz @ rotation.T
    camera = turned + translation
    if (camera[:, 2] <= 0).any():
        message = "The camera's place cannot be found from these corners; shoot again with all of the target in view."
        raise CannotDetermine(message)
    return turned, camera


def shown_at(lens: FloatArray, rotation: FloatArray, translation: FloatArray, xyz: FloatArray) -> FloatArray:
    """Pixels (N, 2) of points xyz (N, 3): `see` without derivatives, in a tenth of the time.

    Raises CannotDetermine for points behind the camera.
    """
    x, y, z = _before(rotation, translation, xyz)[1].T
    return _pixels(lens, *_bent(lens, x / z, y / z))


def see(
    lens: FloatArray, rotation: FloatArray, translation: FloatArray, xyz: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels (N, 2) of points xyz (N, 3), with derivatives by the camera (N, 2, 15) and by the points (N, 2, 3).

    The camera's fifteen: lens (9), small turn ω with rotation → exp(ω) rotation (3), translation (3).
    Raises CannotDetermine for points behind the camera.
    """
    turned, camera = _before(rotation, translation, xyz)
    depth = camera[:, 2, None]
    px, by_direction = project(lens, camera[:, :2] / depth)
    by_camera = np.empty((len(xyz), 2, 3))
    by_camera[:, :, :2] = by_direction / depth[:, None]
    by_camera[:, :, 2] = -np.einsum("nij,nj->ni", by_direction, camera[:, :2]) / depth**2
    by_all = np.empty((len(xyz), 2, 15))
    by_all[:, :, :9] = lens_slopes(lens, camera[:, :2] / depth)
    by_all[:, :, 9:12] = np.cross(turned[:, None, :], by_camera)  # (ω × X) · g = ω · (X × g)
    by_all[:, :, 12:] = by_camera
    return px, by_all, by_camera @ rotation


def rays(lens: FloatArray, px: FloatArray) -> FloatArray:
    """Directions (N, 2) = (X/Z, Y/Z) that show at pixels px (N, 2), by Newton's method.

    Raises CannotDetermine where the lens model folds over, so that no single ray belongs to a pixel.
    """
    aim = np.asarray(px, float).reshape(-1, 2)
    xy = (aim - lens[2:4]) / (lens[0] * np.array([1.0, lens[1]]))
    for _ in range(20):
        shown, by_xy = project(lens, xy)
        miss = aim - shown
        if np.abs(miss).max(initial=0.0) < 1e-9 * lens[0]:
            return xy
        step = np.linalg.solve(by_xy, miss[..., None])[..., 0]
        xy = xy + np.clip(step, -0.3, 0.3)
    message = "The lens solution bends rays back on themselves at the picture's edge; keep the part nearer its middle."
    raise CannotDetermine(message)
