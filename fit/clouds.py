"""Point clouds as files: binary PLY, XYZ text, and points.npz with every error, byte for byte the same each time."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np

from fit.errors import InputError
from fit.points import Points

__all__ = ["npz_bytes", "ply_bytes", "read_points", "xyz_bytes"]

_ARRAYS = ("xyz", "normal", "noise", "shared", "shared_names", "label")
_EPOCH = (1980, 1, 1, 0, 0, 0)
"""A zip entry needs a date; a fixed one keeps equal inputs equal in bytes."""


def ply_bytes(points: Points) -> bytes:
    """Binary PLY: x y z, nx ny nz where any is known (0 where not), and the feature as a number into the comments."""
    names = list(dict.fromkeys(points.label.tolist()))
    with_normals = bool(np.isfinite(points.normal).any())
    columns = [("x", "<f8"), ("y", "<f8"), ("z", "<f8")]
    columns += [("nx", "<f4"), ("ny", "<f4"), ("nz", "<f4")] if with_normals else []
    table = np.zeros(len(points), dtype=[*columns, ("label", "<i4")])
    for i, key in enumerate("xyz"):
        table[key] = points.xyz[:, i]
        if with_normals:
            table["n" + key] = np.nan_to_num(points.normal[:, i])
    place = {name: i for i, name in enumerate(names)}
    table["label"] = [place[name] for name in points.label.tolist()]
    kinds = {"<f8": "double", "<f4": "float", "<i4": "int"}
    header = ["ply", "format binary_little_endian 1.0", "comment unit mm", f"comment frame {_one_line(points.frame)}"]
    header += [f"comment label {i} {_one_line(name) or '-'}" for name, i in place.items()]
    header += [f"element vertex {len(points)}"]
    header += [f"property {kinds[kind]} {key}" for key, kind in [*columns, ("label", "<i4")]]
    return ("\n".join([*header, "end_header"]) + "\n").encode() + table.tobytes()


def xyz_bytes(points: Points) -> bytes:
    """Plain text, one point a line: x y z in mm, normals behind them where all are known."""
    rows = points.xyz
    words = "x y z"
    if len(points) and np.isfinite(points.normal).all():
        rows, words = np.hstack([rows, points.normal]), "x y z nx ny nz"
    line = " ".join(["%.6f"] * rows.shape[1]) + "\n"
    return (f"# unit mm\n# {words}\n" + line * len(rows) % tuple(rows.ravel().tolist())).encode()


def _one_line(text: str) -> str:
    return " ".join(text.split())


def npz_bytes(points: Points) -> bytes:
    """points.npz: xyz, normal, noise, shared, shared_names, label, and the frame in words."""
    arrays = {name: np.asarray(getattr(points, name)) for name in _ARRAYS}
    arrays["shared_names"] = np.array(points.shared_names, dtype=str)
    arrays |= {"frame": np.array(points.frame), "source": np.array(points.source), "unit": np.array("mm")}
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, array in arrays.items():
            entry = io.BytesIO()
            np.lib.format.write_array(entry, array, allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(f"{name}.npy", _EPOCH), entry.getvalue())
    return buffer.getvalue()


def read_points(path: str | Path) -> Points:
    """Read points.npz back with all its errors.

    Raises InputError where the file is missing, no npz, or lacks an array.
    """
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error}); give the points.npz of an earlier result."
        raise InputError(message) from error
    except (ValueError, zipfile.BadZipFile, EOFError) as error:
        message = f"{path}: is not a points file ({error}); give the points.npz of an earlier result."
        raise InputError(message) from error
    if missing := [name for name in _ARRAYS if name not in arrays]:
        message = f"{path}: lacks {', '.join(missing)}; give the points.npz of an earlier result."
        raise InputError(message)
    names = tuple(str(name) for name in arrays["shared_names"])
    frame, source = (str(arrays.get(key, "")) for key in ("frame", "source"))
    xyz, noise, normal, shared = (arrays[name] for name in ("xyz", "noise", "normal", "shared"))
    return Points(xyz, noise, normal, shared, names, arrays["label"], frame, source)
