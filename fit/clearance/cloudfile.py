"""Read the clouds that a clearance check compares: PLY, plain XYZ text and points.npz, in mm."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.points import FARTHEST_MM, FloatArray
from fit.units import MM_PER_INCH

__all__ = ["CloudFile", "read_cloud"]

_PLY_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_PLY_ORDERS = {"binary_little_endian": "<", "binary_big_endian": ">", "ascii": "="}
_UNIT_MM = {"mm": 1.0, "millimetre": 1.0, "cm": 10.0, "m": 1000.0, "inch": MM_PER_INCH, "in": MM_PER_INCH}
_UNIT_WORD = re.compile(r"\bunits?\s*[:=]?\s*(mm|millimetre|cm|m|inch|in)\b", re.IGNORECASE)
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
    readers = {".ply": _read_ply, ".npz": _read_npz}
    try:
        columns, said = readers.get(path.suffix.lower(), _read_text)(path)
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror or error}); check the name and its permissions."
        raise InputError(message) from error
    if len(columns["xyz"]) and said is None and unit is None and path.suffix.lower() not in readers:
        message = f"{path}: does not say its unit; add --unit mm or --unit inch."
        raise InputError(message)
    scale = _UNIT_MM[(said or unit or "mm").lower()]
    for key in ("xyz", "noise", "shared"):
        if columns.get(key) is not None:
            columns[key] = np.ascontiguousarray(columns[key], dtype=float) * scale
    cloud = CloudFile(**columns, unit_assumed=said is None and unit is None)
    _check(cloud, path)
    return cloud


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


def _read_npz(path: Path) -> tuple[dict[str, Any], str | None]:
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
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
    columns = {key: arrays[key] for key in shapes if key in arrays}
    words = {"shared_names": names, "frame": str(arrays.get("frame", ""))}
    return {"xyz": xyz, **columns, **words}, str(arrays["unit"]) if "unit" in arrays else None


def _read_text(path: Path) -> tuple[dict[str, Any], str | None]:
    """Rows of x y z (and nx ny nz) parted by blanks, tabs, commas or semicolons; # starts a comment."""
    raw = path.read_bytes()
    if b"\0" in raw[:4096]:
        message = f"{path}: is not a text list of points; give PLY, XYZ or points.npz."
        raise InputError(message)
    text = raw.decode("utf-8-sig", "replace")
    lines = text.splitlines()
    remarks = "\n".join(line for line in lines[:50] if not re.match(r"\s*[-+.\d]", line))
    said = _UNIT_WORD.search(remarks)
    rows = [(i + 1, line.split("#")[0]) for i, line in enumerate(lines)]
    rows = [(number, line) for number, line in rows if line.strip()]
    if rows and re.match(r"\s*[A-Za-z]", rows[0][1]):
        rows = rows[1:]
    values = _numbers(rows, path)
    with_normal = values.shape[1] >= 6
    return {"xyz": values[:, :3], "normal": values[:, 3:6] if with_normal else None}, said.group(1) if said else None


def _numbers(rows: list[tuple[int, str]], path: Path) -> FloatArray:
    if not rows:
        return np.zeros((0, 3))
    plain = [re.sub("[,;\t]", " ", line) for _, line in rows]
    try:
        table = np.loadtxt(plain, ndmin=2)
    except ValueError as error:
        number = next(
            (n for (n, _), line in zip(rows, plain, strict=True) if not _is_row(line, len(plain[0].split()))),
            rows[0][0],
        )
        message = f"{path}, line {number}: is not a row of numbers x y z; mend or remove it."
        raise InputError(message) from error
    if table.shape[1] < 3:
        message = f"{path}, line {rows[0][0]}: must hold at least x y z; got {table.shape[1]} columns."
        raise InputError(message)
    return np.asarray(table, float)


def _is_row(line: str, width: int) -> bool:
    try:
        return len([float(word) for word in line.split()]) == width
    except ValueError:
        return False


def _read_ply(path: Path) -> tuple[dict[str, Any], str | None]:
    raw = path.read_bytes()
    head, end = _ply_header(raw, path)
    kind = next((line.split()[1] for line in head if line.startswith("format ") and len(line.split()) > 1), "")
    if kind not in _PLY_ORDERS:
        message = f"{path}: has no known PLY format line; export it as ascii or binary_little_endian 1.0."
        raise InputError(message)
    count, fields = _ply_vertex(head, path)
    if kind == "ascii":
        table = _ply_ascii(raw[end:], count, fields, path)
    else:
        layout = np.dtype([(name, _PLY_ORDERS[kind] + code) for name, code in fields])
        if len(raw) - end < count * layout.itemsize:
            message = (
                f"{path}: is cut short: {count} points are announced, {(len(raw) - end) // layout.itemsize} are "
                "there. Export it again."
            )
            raise InputError(message)
        table = np.frombuffer(raw, layout, count, end)
    said = _UNIT_WORD.search("\n".join(line for line in head if line.startswith("comment ")))
    return _ply_columns(table, head), said.group(1) if said else None


def _ply_header(raw: bytes, path: Path) -> tuple[list[str], int]:
    mark = re.search(rb"end_header\r?\n", raw[:100_000])
    if not raw.startswith(b"ply") or mark is None:
        message = f"{path}: is not a PLY file (no header); export the cloud again."
        raise InputError(message)
    return [" ".join(line.split()) for line in raw[: mark.start()].decode("ascii", "replace").splitlines()], mark.end()


def _ply_vertex(head: list[str], path: Path) -> tuple[int, list[tuple[str, str]]]:
    """Number of vertices and their properties; the vertices must come first."""
    elements = [i for i, line in enumerate(head) if line.startswith("element ")]
    first = head[elements[0]].split() if elements else []
    if len(first) != 3 or first[1] != "vertex" or not first[2].isdigit():
        message = f"{path}: the PLY header must name 'element vertex N' first; export it as a plain cloud."
        raise InputError(message)
    stop = elements[1] if len(elements) > 1 else len(head)
    properties = [line.split() for line in head[elements[0] : stop] if line.startswith("property ")]
    if any(len(words) != 3 or words[1] not in _PLY_TYPES for words in properties):
        message = f"{path}: a vertex has a list or an unknown property; export it as a plain cloud."
        raise InputError(message)
    fields = [(words[2], _PLY_TYPES[words[1]]) for words in properties]
    if not {"x", "y", "z"} <= {name for name, _ in fields} or len(dict(fields)) != len(fields):
        message = (
            f"{path}: the vertices must have the properties x, y and z once each; got "
            f"{', '.join(n for n, _ in fields)}."
        )
        raise InputError(message)
    return int(first[2]), fields


def _ply_ascii(body: bytes, count: int, fields: list[tuple[str, str]], path: Path) -> NDArray[Any]:
    table = np.zeros(count, dtype=[(name, "f8") for name, _ in fields])
    if count == 0:
        return table
    try:
        rows = np.loadtxt(io.BytesIO(body), max_rows=count, ndmin=2, comments=None)
    except ValueError as error:
        message = f"{path}: holds a vertex row that is not numbers ({error}); export it again."
        raise InputError(message) from error
    if rows.shape != (count, len(fields)):
        message = (
            f"{path}: is cut short: {count} points of {len(fields)} numbers are announced, {len(rows)} rows of "
            f"{rows.shape[1]} are there. Export it again."
        )
        raise InputError(message)
    for i, (name, _) in enumerate(fields):
        table[name] = rows[:, i]
    return table


def _ply_columns(table: NDArray[Any], head: list[str]) -> dict[str, Any]:
    names = table.dtype.names or ()
    columns: dict[str, Any] = {"xyz": _stack(table, ("x", "y", "z"))}
    if {"nx", "ny", "nz"} <= set(names):
        columns["normal"] = _stack(table, ("nx", "ny", "nz"))
    words = dict(line.split(" ", 3)[2:] for line in head if re.match(r"comment label \d+ \S", line))
    if "label" in names and words:
        columns["label"] = np.array([words.get(str(i), "") for i in range(max(map(int, words)) + 1)])[
            table["label"].astype(int)
        ]
    return columns


def _stack(table: NDArray[Any], names: tuple[str, ...]) -> FloatArray:
    stacked = np.empty((len(table), len(names)))
    for i, name in enumerate(names):
        stacked[:, i] = table[name]
    return stacked
