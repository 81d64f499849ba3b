"""Read a text list in any common layout: separator, decimal sign, header or none, notes, columns in any order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.lists.columns import (
    Layout,
    columns_of_header,
    columns_of_rows,
    fault_of_header,
    find_style,
    is_number,
    split_header,
    split_row,
)  # fmt: skip
from fit.lists.pointlist import PointList, check_reach
from fit.lists.units import MM_PER_UNIT, settle_unit, unit_in_header, unit_in_note
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["read_text"]

_COMMENT = re.compile(r"^\s*(?:#|//|%|!|\*|'|rem\b|;(?!\s*[-+\d.]))", re.IGNORECASE)
_SAMPLE = 25
_APART = (1.0, 0.7548776662, 0.5698402910)
"""Weights of x, y and z whose sum hardly two rows share that are not the same."""


@dataclass(frozen=True, slots=True)
class _Text:
    """The parts of a text list: data lines with their numbers, layout, and the unit with its line."""

    lines: list[str]
    numbers: list[int]
    separator: str | None
    comma: bool
    layout: Layout
    unit: tuple[str, int] | None


def read_text(path: str, text: str, option: str | None) -> PointList:
    parts = _dissect(path, text.replace("\r\n", "\n").replace("\r", "\n").split("\n"))
    rows = [split_row(line, parts.separator) for line in parts.lines]
    _refuse_wide_rows(path, parts, rows)
    raw = _columns(path, parts, rows, parts.layout.xyz)
    unit = settle_unit(path, parts.unit, option, raw, _decimals(rows, parts))
    xyz = raw * MM_PER_UNIT[unit]
    check_reach(path, "line", xyz, parts.numbers)
    direction = _directions(path, parts, rows)
    names = _names(rows, parts)
    whole = PointList(
        path, xyz, direction, names, np.array(parts.numbers), unit, "file" if parts.unit else "option",
        is_cloud=Path(path).suffix.lower() in {".xyz", ".pts", ".asc"} and parts.layout.name is None,
    )  # fmt: skip
    return _without_repeats(whole)


def _dissect(path: str, lines: Sequence[str]) -> _Text:
    """Tell notes, header and data apart; the header is the last line before the data that names x, y and z."""
    candidates: list[tuple[int, str]] = []
    notes: list[tuple[int, str]] = []
    for i, line in enumerate(lines, 1):
        if line.strip():
            (notes if _COMMENT.match(line) else candidates).append((i, line))
    separator, comma = find_style([line for _, line in candidates[:200]][-_SAMPLE:])
    start, header = 0, None
    for start, (_, line) in enumerate(candidates):
        cells = split_header(line, separator)
        if _is_data(cells, comma):
            break
        if len(cells) == len(split_row(candidates[-1][1], separator)) and (fault := fault_of_header(cells)):
            message = f"{path}, line {candidates[start][0]}: {fault}."
            raise InputError(message)
        header = (start, cells) if columns_of_header(cells) else header
    else:
        start = len(candidates)
    notes += [item for k, item in enumerate(candidates[:start]) if header is None or k != header[0]]
    cells, number = _header(header, candidates, notes, separator)
    unit = _stated_unit(path, notes, cells, number)
    data = _without_headers(candidates[start:], candidates[header[0]][1] if header else None)
    if not data:
        raise _no_points(path, header, candidates)
    layout = columns_of_header(cells) or _layout_of(path, data, separator, comma)
    return _Text([line for _, line in data], [i for i, _ in data], separator, comma, layout, unit)


def _no_points(path: str, header: tuple[int, list[str]] | None, candidates: Sequence[tuple[int, str]]) -> InputError:
    """What to say of a file without a row of three numbers: the first row below its header, where there is one."""
    below = candidates[header[0] + 1 :] if header else candidates
    if not below:
        return InputError(f"{path}: holds no points; a row must hold x y z.")
    number, line = below[0]
    message = f"{path}, line {number}: '{line.strip()[:60]}' is no point; a row must hold x y z as plain numbers."
    return InputError(message)


def _is_data(cells: Sequence[str], comma: bool) -> bool:
    """Whether a line before the first data row is one: three numbers, or two that a spoilt third belongs to."""
    dotted = [cell.replace(",", ".") if comma else cell for cell in cells]
    count = sum(map(is_number, dotted))
    return count >= 3 or (count == 2 and len([cell for cell in cells if cell]) == 3)


def _header(
    header: tuple[int, list[str]] | None,
    candidates: Sequence[tuple[int, str]],
    notes: Sequence[tuple[int, str]],
    separator: str | None,
) -> tuple[list[str], int]:
    """The header's cells and line; a comment such as ``# x y z feature`` serves where no plain header stands."""
    if header:
        return header[1], candidates[header[0]][0]
    for number, line in notes:
        for sep in dict.fromkeys((separator, ",", ";", "\t", None)):
            cells = [c for c in split_header(line.strip().lstrip("#%!/;*' "), sep) if c]
            if columns_of_header(cells):
                return cells, number
    return [], 0


def _stated_unit(path: str, notes: Sequence[tuple[int, str]], cells: list[str], number: int) -> tuple[str, int] | None:
    found: list[tuple[str, int]] = []
    try:
        for number_of_note, line in notes:
            if unit := unit_in_note(line):
                found.append((unit, number_of_note))
    except InputError as error:
        message = f"{path}, line {number_of_note}: {error}."
        raise InputError(message) from error
    if unit := unit_in_header(cells):
        found.append((unit, number))
    if len({unit for unit, _ in found}) > 1:
        told = ", ".join(f"{unit} in line {line}" for unit, line in found)
        message = f"{path}: the file states more than one unit ({told}); mend it so that one is left."
        raise InputError(message)
    return found[0] if found else None


def _without_headers(data: Sequence[tuple[int, str]], header: str | None) -> list[tuple[int, str]]:
    """Drop repeats of the header, as joined lists have them."""
    return [(i, line) for i, line in data if line != header]


def _layout_of(path: str, data: Sequence[tuple[int, str]], separator: str | None, comma: bool) -> Layout:
    rows = [split_row(line, separator) for _, line in data[:_SAMPLE]]
    rows = [[cell.replace(",", ".") if comma else cell for cell in row] for row in rows]
    counts = [sum(map(is_number, row)) for row in rows]
    shapes = [(len(row), count) for row, count in zip(rows, counts, strict=True)]
    usual = max(shapes, key=lambda shape: (shape[1] >= 3, shapes.count(shape), shape[1]))
    try:
        return columns_of_rows([row for row, shape in zip(rows, shapes, strict=True) if shape == usual], separator)
    except InputError as error:
        message = f"{path}, line {data[0][0]}: {error}."
        raise InputError(message) from error


def _refuse_wide_rows(path: str, parts: _Text, rows: list[list[str]]) -> None:
    """Refuse numbers beyond the known columns: they are parts of numbers or names, or of nobody knows what."""
    width = parts.layout.width
    if _name_is_open(parts):
        return
    for number, row in zip(parts.numbers, rows, strict=True):
        if len(row) <= width or not any(map(is_number, row[width:])):
            continue
        why = {
            ",": "commas seem to be both decimal sign and separator; write ';' or tabs between columns",
            None: "if names hold blanks, write ';' or tabs between columns",
        }.get(parts.separator, "name every column in the header")
        message = f"{path}, line {number}: the row holds {len(row)} cells, but the columns are {width}; {why}."
        raise InputError(message)


def _name_is_open(parts: _Text) -> bool:
    """Whether blanks part the columns and the name is the last, so that it may hold some."""
    return parts.separator is None and parts.layout.name == parts.layout.width - 1


def _columns(path: str, parts: _Text, rows: list[list[str]], which: Sequence[int]) -> FloatArray:
    """Numbers (N, len(which)) of some columns; the fast way for all, row by row only to name a bad one."""
    try:
        cells = [[row[c] for row in rows] for c in which]
        if parts.comma:
            cells = [[cell.replace(",", ".") for cell in column] for column in cells]
        numbers = np.array([np.fromiter(map(float, column), float, len(column)) for column in cells]).T
    except (ValueError, IndexError):
        return _refuse_bad_row(path, parts, rows, which)
    if not np.isfinite(numbers).all():
        return _refuse_bad_row(path, parts, rows, which)
    return numbers


def _refuse_bad_row(path: str, parts: _Text, rows: list[list[str]], which: Sequence[int]) -> FloatArray:
    for number, row in zip(parts.numbers, rows, strict=True):
        cells = [row[c].replace(",", ".") if parts.comma else row[c] for c in which if c < len(row)]
        if len(cells) < len(which):
            message = f"{path}, line {number}: the row must hold {parts.layout.width} columns; got {len(row)}."
            raise InputError(message)
        bad = next((cell for cell in cells if not is_number(cell) or not np.isfinite(float(cell))), None)
        if bad is not None:
            message = f"{path}, line {number}: '{bad}' is not a finite number; mend or delete the row."
            raise InputError(message)
    message = f"{path}: a number cannot be read; write plain digits."
    raise InputError(message)


def _directions(path: str, parts: _Text, rows: list[list[str]]) -> FloatArray:
    """Unit vectors (N, 3); NaN where the cells are blank or all 0."""
    columns = parts.layout.ijk
    if columns is None:
        return np.full((len(rows), 3), np.nan)
    last = max(columns)
    blank = np.array([len(row) <= last or not any(row[c] for c in columns) for row in rows])
    filled = [row for row, empty in zip(rows, blank, strict=True) if not empty]
    kept = replace(parts, numbers=[n for n, empty in zip(parts.numbers, blank, strict=True) if not empty])
    result = np.full((len(rows), 3), np.nan)
    if not filled:
        return result
    vectors = _columns(path, kept, filled, columns)
    with np.errstate(over="ignore"):
        length = np.linalg.norm(vectors, axis=1)
    odd = (length > 0) & (np.abs(length - 1) > 0.1)
    if odd.any():
        k = int(np.flatnonzero(odd)[0])
        message = f"{path}, line {kept.numbers[k]}: i j k must be a direction of length 1; got length {length[k]:.3g}."
        raise InputError(message)
    result[~blank] = np.where(length[:, None] > 0, vectors / np.where(length > 0, length, 1.0)[:, None], np.nan)
    return result


def _names(rows: list[list[str]], parts: _Text) -> NDArray[np.str_]:
    """Feature names (N,); where blanks part the columns, a name in the last one may hold some."""
    column = parts.layout.name
    if column is None:
        return np.full(len(rows), "", dtype=str)
    if _name_is_open(parts):
        return np.array([" ".join(row[column:]) for row in rows], dtype=str)
    return np.array([row[column] if column < len(row) else "" for row in rows], dtype=str)


def _decimals(rows: list[list[str]], parts: _Text) -> int:
    sign = "," if parts.comma else "."
    return max(len(row[c].partition(sign)[2]) for row in rows[:_SAMPLE] for c in parts.layout.xyz)


def _without_repeats(listed: PointList) -> PointList:
    """Leave out rows that repeat an earlier one digit for digit: an exporter's slip, not a second touch."""
    if len(np.unique(sum(weight * column for weight, column in zip(_APART, listed.xyz.T, strict=True)))) == len(listed):
        return listed
    keys = np.column_stack([listed.xyz, np.unique(listed.names, return_inverse=True)[1]])
    first = np.sort(np.unique(keys, axis=0, return_index=True)[1])
    if len(first) == len(listed):
        return listed
    dropped = np.setdiff1d(np.arange(len(listed)), first)
    lines = ", ".join(str(n) for n in listed.lines[dropped[:8]]) + (" …" if len(dropped) > 8 else "")
    text = (
        f"{listed.path}: rows that repeat an earlier one digit for digit are left out: {len(dropped)} (lines {lines})."
    )
    return replace(listed.select(first), notices=(*listed.notices, Notice("repeated-rows", text)))
