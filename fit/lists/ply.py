"""Read a PLY cloud's vertices without a heavy library: ASCII or binary, normals and feature names where it has them."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.lists.pointlist import PointList, check_reach
from fit.lists.units import MM_PER_UNIT, unit_in_note
from fit.results import Notice

__all__ = ["read_ply"]

_TYPES = {
    word: code
    for code, words in {
        "i1": "char int8", "u1": "uchar uint8", "i2": "short int16", "u2": "ushort uint16",
        "i4": "int int32", "u4": "uint uint32", "f4": "float float32", "f8": "double float64",
    }.items()
    for word in words.split()
}  # fmt: skip
_PLAUSIBLE_MM = (2.0, 20_000.0)


@dataclass(frozen=True, slots=True)
class _Header:
    form: str
    comments: tuple[tuple[int, str], ...]
    count: int
    fields: tuple[tuple[str, str], ...]
    length: int
    line_count: int


def read_ply(path: str, raw: bytes, option: str | None) -> PointList:
    """Read the vertices of a PLY file into mm; without a stated unit it is mm, with notice `unit-assumed`.

    Raises
    ------
    InputError : broken file, or no unit and a size that no part has in mm.
    """
    header = _read_header(path, raw)
    table = _vertices(path, raw, header)
    names = table.dtype.names or ()
    if not {"x", "y", "z"} <= set(names) or len(table) == 0:
        message = f"{path}: holds no vertices with x, y and z; export the points again."
        raise InputError(message)
    xyz = np.column_stack([table[axis].astype(float) for axis in "xyz"])
    if not np.isfinite(xyz).all():
        row = int(np.flatnonzero(~np.isfinite(xyz).all(axis=1))[0])
        message = f"{path}: vertex {row + 1} is not a finite number; delete it and export again."
        raise InputError(message)
    unit, source, notices = _unit(path, header, option, float(np.ptp(xyz, axis=0).max()))
    normal = np.full(xyz.shape, np.nan)
    if {"nx", "ny", "nz"} <= set(names):
        vectors = np.column_stack([table[axis].astype(float) for axis in ("nx", "ny", "nz")])
        length = np.linalg.norm(vectors, axis=1, keepdims=True)
        normal = np.where(length > 0.1, vectors / np.where(length > 0.1, length, 1.0), np.nan)
    lines = np.arange(1, len(xyz) + 1) + (header.line_count if header.form == "ascii" else 0)
    scaled = xyz * MM_PER_UNIT[unit]
    check_reach(path, "vertex", scaled, np.arange(1, len(xyz) + 1))
    return PointList(path, scaled, normal, _names(header, table), lines, unit, source, notices, is_cloud=True)


def _names(header: _Header, table: NDArray[np.void]) -> NDArray[np.str_]:
    """Feature names from a column ``label`` and comments such as ``comment label 3 hole 1``, as this tool writes them."""
    told = [re.match(r"comment label (\d+) (\S.*)", " ".join(line.split())) for _, line in header.comments]
    words = {int(found[1]): found[2] for found in told if found}
    if "label" not in (table.dtype.names or ()) or not words:
        return np.full(len(table), "", dtype=str)
    numbers, place = np.unique(table["label"].astype(int), return_inverse=True)
    found = [words.get(int(number), "") for number in numbers]
    return np.array(["" if word == "-" else word for word in found], dtype=str)[place]


def _read_header(path: str, raw: bytes) -> _Header:
    end = re.search(rb"end_header[ \t]*\r?\n", raw)
    if end is None:
        message = f"{path}: the PLY header has no end; the file is broken or cut off."
        raise InputError(message)
    try:
        text = raw[: end.start()].decode()
    except UnicodeDecodeError:
        text = raw[: end.start()].decode("latin-1")
    lines = text.splitlines()
    form, count, fields, element, elements = "", -1, [], "", []
    for words in (line.split() for line in lines):
        if words[:1] == ["format"] and len(words) > 1:
            form = words[1]
        elif words[:1] == ["element"] and len(words) == 3:
            element = words[1]
            elements.append(element)
            count = int(words[2]) if element == "vertex" and words[2].isdigit() else count
        elif words[:1] == ["property"] and element == "vertex":
            fields.append((words[-1], words[1]))
    if form not in ("ascii", "binary_little_endian", "binary_big_endian") or elements[:1] != ["vertex"] or count < 0:
        message = f"{path}: the PLY header must give a known format and list the vertices first; export it again."
        raise InputError(message)
    if any(kind not in _TYPES for _, kind in fields):
        message = f"{path}: a vertex may hold plain numbers only; export the points without lists."
        raise InputError(message)
    comments = tuple((i, line) for i, line in enumerate(lines, 1) if line.startswith(("comment", "obj_info")))
    return _Header(form, comments, count, tuple(fields), end.end(), len(lines) + 1)


def _vertices(path: str, raw: bytes, header: _Header) -> NDArray[np.void]:
    order = ">" if header.form == "binary_big_endian" else "<"
    body = raw[header.length :]
    layout = np.dtype([(name, order + _TYPES[kind]) for name, kind in header.fields])
    if header.count == 0:
        return np.zeros(0, layout)
    try:
        if header.form != "ascii":
            return np.frombuffer(body, layout, header.count)
        rows = body.decode("ascii").split("\n")[: header.count]
        table = np.array([row.split()[: len(header.fields)] for row in rows]).astype(float)
        flat = np.zeros(header.count, np.dtype([(name, "f8") for name, _ in header.fields]))
        for column, (name, _) in enumerate(header.fields):
            flat[name] = table[:, column]
    except (ValueError, IndexError) as error:
        there = f" {len(body) // layout.itemsize} are there;" if header.form != "ascii" else ""
        message = f"{path}: {header.count} vertices are announced;{there} the file is cut off or holds something else."
        raise InputError(message) from error
    return flat


def _unit(path: str, header: _Header, option: str | None, spread: float) -> tuple[str, str, tuple[Notice, ...]]:
    stated = {}
    for number, line in header.comments:
        if re.match(r"comment (frame|label \d+) ", line):  # names of this tool's own, whatever they say
            continue
        try:
            if unit := unit_in_note(line.partition(" ")[2]):
                stated[unit] = number
        except InputError as error:
            message = f"{path}, line {number}: {error}."
            raise InputError(message) from error
    if len(stated) > 1 or (stated and option and option not in stated):
        message = f"{path}: the unit is stated as {' and '.join(stated)}, --unit says {option}; they must agree."
        raise InputError(message)
    if stated or option:
        return (next(iter(stated)), "file", ()) if stated else (str(option), "option", ())
    low, high = _PLAUSIBLE_MM
    if spread and not low <= spread <= high:
        message = f"{path}: no unit is stated and {spread:.3g} mm is no likely size; add --unit mm or --unit inch."
        raise InputError(message)
    text = f"{path}: no unit is stated; read as mm, in which the cloud is {spread:.4g} long. Say --unit if it is not."
    return "mm", "assumed", (Notice("unit-assumed", text),)
