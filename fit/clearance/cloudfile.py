"""Read the clouds that a clearance check compares: point lists, PLY and points.npz, in mm."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.lists import read_list
from fit.lists.units import MM_PER_UNIT
from fit.points import FARTHEST_MM, FloatArray

__all__ = ["CloudFile", "read_cloud"]

_PLAUSIBLE_MM = (2.0, 30000.0)
"""Sizes of vehicle parts and openings, corner to corner; common practice, no source."""


@dataclass(frozen=True, eq=False, slots=True)
class CloudFile:
    """A cloud as its file holds it, in mm.

    Attributes
    ----------
    xyz : (N, 3) mm. normal : (N, 3) or None. noise : (N,) mm or None. label : (N,) names or None.
    shared : (K, N, 3) mm per standard uncertainty. shared_names : (K,).
    unit_assumed : whether mm was taken because neither the file nor the caller said so.
    frame : what the axes are, in words; '' where the file does not say.
    """

    xyz: FloatArray
    normal: FloatArray | None = None
    noise: FloatArray | None = None
    label: NDArray[np.str_] | None = None
    shared: FloatArray | None = None
    shared_names: tuple[str, ...] = ()
    unit_assumed: bool = False
    frame: str = ""


def read_cloud(path: str | Path, unit: str | None = None) -> CloudFile:
    """Read a cloud; `unit` (mm or inch) holds where the file does not say.

    A PLY or NPZ without a unit is taken as mm; a text list without one is refused. Raises InputError naming the file,
    and the line where there is one.
    """
    path = Path(path)
    cloud = _read_npz(path, unit) if path.suffix.lower() == ".npz" else _read_list(path, unit)
    _check(cloud, path)
    return cloud


def _read_list(path: Path, unit: str | None) -> CloudFile:
    listed = read_list(path, unit)
    return CloudFile(
        listed.xyz,
        listed.direction if listed.has_direction.any() else None,
        label=listed.names if (listed.names != "").any() else None,
        unit_assumed=listed.unit_from == "assumed",
    )


def _check(cloud: CloudFile, path: Path) -> None:
    if len(cloud.xyz) < 2:
        held = "no points" if len(cloud.xyz) == 0 else "one point only"
        message = f"{path}: holds {held}; a part needs at least two. Export it again."
        raise InputError(message)
    bad = ~np.isfinite(cloud.xyz).all(axis=1)
    if bad.any():
        message = f"{path}: point {int(np.argmax(bad)) + 1} is not a finite number; remove such points and try again."
        raise InputError(message)
    far = (np.abs(cloud.xyz) > FARTHEST_MM).any(axis=1)
    if far.any():
        message = (
            f"{path}: point {int(np.argmax(far)) + 1} lies over {FARTHEST_MM / 1e6:g} km off; mend it, or the unit."
        )
        raise InputError(message)
    span = float(np.linalg.norm(np.ptp(cloud.xyz, axis=0)))
    if cloud.unit_assumed and not _PLAUSIBLE_MM[0] <= span <= _PLAUSIBLE_MM[1]:
        guess = "metres or inches" if span < _PLAUSIBLE_MM[0] else "micrometres or a stray point far off"
        message = (
            f"{path}: spans {span:.4g} and does not say its unit; as mm that is no vehicle part ({guess}?). Add "
            "--unit mm or --unit inch."
        )
        raise InputError(message)


def _read_npz(path: Path, unit: str | None) -> CloudFile:
    """The points of an earlier result, with what is known of their errors."""
    arrays = _checked_arrays(path)
    said = str(arrays["unit"]) if "unit" in arrays else None
    if said is not None and said not in MM_PER_UNIT:
        message = f"{path}: the unit '{said}' is not known; export the points again in mm."
        raise InputError(message)
    scale = MM_PER_UNIT[said or unit or "mm"]
    scaled: dict[str, Any] = {
        key: np.ascontiguousarray(arrays[key], dtype=float) * scale
        for key in ("xyz", "noise", "shared")
        if key in arrays
    }
    plain = {key: arrays[key] for key in ("normal", "label") if key in arrays}
    names = tuple(str(name) for name in arrays.get("shared_names", ()))
    frame = str(arrays.get("frame", ""))
    return CloudFile(**scaled, **plain, shared_names=names, frame=frame, unit_assumed=said is None and unit is None)


def _checked_arrays(path: Path) -> dict[str, NDArray[Any]]:
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error}); check the name and its permissions."
        raise InputError(message) from error
    except (ValueError, zipfile.BadZipFile, EOFError) as error:
        message = f"{path}: is not a points file; give the points.npz of an earlier result."
        raise InputError(message) from error
    xyz = arrays.get("xyz")
    if xyz is None or xyz.ndim != 2 or xyz.shape[1] != 3 or xyz.dtype.kind not in "fiu":
        message = f"{path}: has no array 'xyz' of shape (N, 3); give the points.npz of an earlier result."
        raise InputError(message)
    count, names = len(xyz), tuple(str(name) for name in arrays.get("shared_names", ()))
    shapes = {"normal": (count, 3), "noise": (count,), "label": (count,), "shared": (len(names), count, 3)}
    for key, shape in shapes.items():
        if key in arrays and arrays[key].shape != shape:
            message = (
                f"{path}: array '{key}' must have shape {shape}; got {arrays[key].shape}. Export the points again."
            )
            raise InputError(message)
    noise = arrays.get("noise")
    if noise is not None and bool((noise < 0).any()):
        message = f"{path}: noise must not be negative; export the points again."
        raise InputError(message)
    return arrays
