"""The camera profile: a lens learned from photos of the sheet, kept in camera.json with its covariance."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from capture.camera.image import Exif, Image
from capture.camera.lens import LENS_NAMES, LensPrior
from fit.errors import InputError
from fit.points import FloatArray

__all__ = ["CameraProfile", "is_profile", "lens_differences", "read_profile"]

FORMAT, VERSION = "edgewright-camera", 1
_SAME_FOCAL = 0.01
_FOCUS_U, _CENTRE_U = 3e-4, 1.25e-4
"""Least standard uncertainty of f (of f) and of the principal point (of the long side) from one shot to the next: a
phone focuses and steadies its lens anew each time (judgement, no source)."""


@dataclass(frozen=True, eq=False, slots=True)
class CameraProfile:
    """A learned lens.

    Attributes
    ----------
    size : (width, height) px of the stored array. lens : (9,) in the order of `LENS_NAMES`. cov : (9, 9).
    exif : the lens's identity as the photos gave it.
    focus_u : standard uncertainty of the focal length (of itself) from one shot to the next, as the photos scattered.
    path : of its file, for messages. details : further keys of camera.json (photos, checks).
    """

    size: tuple[int, int]
    lens: FloatArray
    cov: FloatArray
    exif: Exif
    focus_u: float = 0.0
    path: str = "camera.json"
    details: dict[str, Any] | None = None

    def prior_for(self, image: Image) -> LensPrior:
        """The lens prior of a photo taken with this camera: its covariance's main directions as single sources.

        What focus and stabiliser may change between shots is added to the learned covariance. Raises InputError where
        the photo's size, zoom or lens is another.
        """
        self.check(image)
        between = np.zeros(9)
        between[0] = max(_FOCUS_U, self.focus_u) * self.lens[0]
        between[2:4] = _CENTRE_U * max(self.size)
        cov = self.cov + np.diag(between**2)
        size = np.sqrt(np.diag(cov))
        values, vectors = np.linalg.eigh(cov / np.outer(size, size))
        rows = vectors.T / size
        u = np.sqrt(np.maximum(values, 1e-12))
        names = tuple(f"lens:profile {i + 1}" for i in range(len(u)))
        return LensPrior(names, rows, rows @ self.lens, u)

    def check(self, image: Image) -> None:
        """Refuse a photo that this profile does not describe."""
        if image.size != self.size:
            message = (
                f"{image.path}: has {image.size[0]} × {image.size[1]} px, but {self.path} was learned at "
                f"{self.size[0]} × {self.size[1]} px; give the photo as the camera wrote it, neither scaled, cropped "
                "nor turned, or learn the lens at this size."
            )
            raise InputError(message)
        other = lens_differences(self.exif, image.exif)
        if other:
            message = (
                f"{image.path}: was taken with another lens or zoom than {self.path} ({other}); learn this lens, "
                "or leave --camera out."
            )
            raise InputError(message)

    def record(self) -> dict[str, Any]:
        """The camera.json record."""
        f, aspect, cx, cy, *terms = (float(v) for v in self.lens)
        k1, k2, p1, p2, k3 = terms
        identity = {
            key: getattr(self.exif, key) for key in ("make", "model", "lens", "focal_mm", "focal_35_mm", "zoom")
        }
        return {
            "format": FORMAT,
            "version": VERSION,
            "size": list(self.size),
            "fx": f,
            "fy": f * aspect,
            "cx": cx,
            "cy": cy,
            "distortion": [k1, k2, p1, p2, k3],
            "covariance": {"order": list(LENS_NAMES), "matrix": self.cov.tolist()},
            "focus_u": self.focus_u,
            "lens": {key: value for key, value in identity.items() if value},
            **(self.details or {}),
        }


def lens_differences(learned: Exif, seen: Exif) -> str:
    """Words for what EXIF says differs; what either does not say is no difference."""
    found = []
    for what in ("make", "model", "lens"):
        a, b = getattr(learned, what), getattr(seen, what)
        if a and b and a != b:
            found.append(f"{what} '{b}', not '{a}'")
    for what, key in (("focal length", "focal_mm"), ("35 mm focal length", "focal_35_mm")):
        a, b = getattr(learned, key), getattr(seen, key)
        if a and b and abs(a / b - 1) > _SAME_FOCAL:
            found.append(f"{what} {b:g} mm, not {a:g}")
    if abs((learned.zoom or 1.0) / (seen.zoom or 1.0) - 1) > _SAME_FOCAL:
        found.append(f"digital zoom {seen.zoom or 1:g}, not {learned.zoom or 1:g}")
    if learned.size and seen.size and set(learned.size) != set(seen.size):
        found.append(f"written at {seen.size[0]} × {seen.size[1]} px, not {learned.size[0]} × {learned.size[1]}")
    return "; ".join(found)


def read_profile(path: str | Path) -> CameraProfile:
    """Read a camera.json. Raises InputError where it is none, with the key at fault."""
    try:
        record = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); check the name."
        raise InputError(message) from error
    except ValueError as error:
        message = f"{path}: is no camera.json (not JSON); make one with 'edgewright camera'."
        raise InputError(message) from error
    if not isinstance(record, dict) or record.get("format") != FORMAT or record.get("version") != VERSION:
        message = f"{path}: is no {FORMAT} file of version {VERSION}; make one with 'edgewright camera'."
        raise InputError(message)
    try:
        return _profile_of(record, str(path))
    except (KeyError, TypeError, ValueError) as error:
        message = f"{path}: the key {error} is missing or malformed; make the file anew with 'edgewright camera'."
        raise InputError(message) from error


def _profile_of(record: dict[str, Any], path: str) -> CameraProfile:
    width, height = (int(v) for v in record["size"])
    fx, fy, cx, cy = (float(record[key]) for key in ("fx", "fy", "cx", "cy"))
    lens = np.array([fx, fy / fx, cx, cy, *(float(v) for v in record["distortion"])])
    cov = np.array(record["covariance"]["matrix"], dtype=float)
    if lens.shape != (9,) or cov.shape != (9, 9) or not (np.isfinite(lens).all() and np.isfinite(cov).all()):
        message = "'covariance' or 'distortion'"
        raise ValueError(message)
    if fx <= 0 or (np.diag(cov) <= 0).any():
        message = "'fx' or 'covariance'"
        raise ValueError(message)
    exif = Exif(**record.get("lens", {}), size=(width, height))
    focus_u = float(record.get("focus_u", 0.0))
    return CameraProfile((width, height), lens, cov, exif, focus_u, path)


def is_profile(path: Path) -> bool:
    """Whether a file is a camera.json of ours."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(record, dict) and record.get("format") == FORMAT
