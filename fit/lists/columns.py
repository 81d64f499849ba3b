"""How a text list is laid out: separator, decimal sign, which column is what."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from fit.errors import InputError

__all__ = [
    "Layout", "columns_of_header", "columns_of_rows", "fault_of_header", "find_style", "is_number",
    "split_header", "split_row",
]  # fmt: skip

_NUMBER = re.compile(r"^[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$")
_NAN = re.compile(r"^[-+]?(?:nan|inf|infinity|1\.#\w+)$", re.IGNORECASE)
_COMMA_NUMBER = re.compile(r"^[-+]?\d*,\d+(?:[eE][-+]?\d+)?$")
_POINT_NUMBER = re.compile(r"^[-+]?\d*\.\d*(?:[eE][-+]?\d+)?$")
_UNIT_TAIL = re.compile(
    r"(?:[\s_/.:-]*[\[(]?\s*(?:mm|cm|inch|inches|millimet(?:er|re)s?)|(?:[\s_/.:-]+[\[(]?|[\[(])\s*(?:m|in))\s*[\])]?$"
)
"""A column's unit; m and in stand apart from the word, which may end on either."""

_APART = re.compile(r"(?<=\b[xyzXYZ])\s+([\[(]\w+[\])])")

_X = {
    axis: set(
        f"{axis} {axis}coord {axis}coordinate {axis}pos {axis}position {axis}value p{axis} pos{axis} point{axis} "
        f"{axis}koordinate center{axis} centre{axis} tip{axis} {axis}actual {axis}act".split()
    )
    for axis in "xyz"
}
_I = {
    letter: set(
        f"{letter} n{axis} normal{axis} d{axis} dir{axis} direction{axis} vec{axis} v{axis} vector{axis} "
        f"approach{axis} norm{axis} {axis}normal {axis}dir".split()
    )
    for letter, axis in zip("ijk", "xyz", strict=True)
}
_NAME_WORDS = (
    "feature featurename name element elementname label merkmal group item feat part bezeichnung nom nombre nome elemento "
    "pointname id point pt comment"
)


@dataclass(frozen=True, slots=True)
class Layout:
    """Column numbers of x y z, of i j k where given and of the feature name where given."""

    xyz: tuple[int, int, int]
    ijk: tuple[int, int, int] | None = None
    name: int | None = None
    width: int = 3


def is_number(cell: str) -> bool:
    """Whether a cell holds a number (NaN and infinity count: they are refused later by their line)."""
    return bool(_NUMBER.match(cell) or _NAN.match(cell))


def find_style(lines: Sequence[str]) -> tuple[str | None, bool]:
    """Separator (None: blanks) and whether commas are decimal signs, from sample lines of data."""
    text = "\n".join(lines)
    data = [line for line in lines if re.search(r"\d", line)] or list(lines)
    for separator in (";", "\t", "|"):
        if sum(line.count(separator) >= 2 for line in data) > len(data) / 2:
            cells = [cell.strip() for line in data for cell in line.split(separator)]
            return separator, any(map(_COMMA_NUMBER.match, cells)) and not any(map(_POINT_NUMBER.match, cells))
    if "," not in text:
        return None, False
    numbers = [[bool(_COMMA_NUMBER.match(cell)) or is_number(cell) for cell in line.split()] for line in data]
    decimal = sum(sum(row) >= 3 for row in numbers) > len(data) / 2
    return (None, True) if decimal else (",", False)


def split_row(line: str, separator: str | None) -> list[str]:
    """Cells of one line, without quotes and outer blanks."""
    if '"' in line:
        import csv

        if separator is None:
            line, separator = " ".join(line.split()), " "
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    return [cell.strip() for cell in line.split(separator)]


def split_header(line: str, separator: str | None) -> list[str]:
    """Cells of a line that may be a header: where blanks part the columns, ``X [mm]`` is one of them."""
    return split_row(line if separator else _APART.sub(r"\1", line), separator)


def _plain(cell: str) -> str:
    lowered = unicodedata.normalize("NFKD", cell).strip().lower().strip("\"'#% ")
    shorter = _UNIT_TAIL.sub("", lowered) or lowered
    return re.sub(r"[^a-z]", "", shorter)


def columns_of_header(cells: Sequence[str]) -> Layout | None:
    """Layout that a header line names, or None where it names no x, y and z."""
    plain = [_plain(cell) for cell in cells]
    xyz = [_first(plain, _X[axis]) for axis in "xyz"]
    if None in xyz:
        return None
    ijk = [_first(plain, _I[letter]) for letter in "ijk"]
    name = next((plain.index(word) for word in _NAME_WORDS.split() if word in plain), None)
    full = (ijk[0], ijk[1], ijk[2]) if None not in ijk else None
    return Layout((xyz[0], xyz[1], xyz[2]), full, name, len(cells))  # type: ignore[arg-type]


def fault_of_header(cells: Sequence[str]) -> str | None:
    """What is amiss with a line that names some of x, y and z, or one of them twice; None for any other line."""
    plain = [_plain(cell) for cell in cells]
    found = {axis: [cell for cell in plain if cell in _X[axis]] for axis in "xyz"}
    missing = [axis for axis in "xyz" if not found[axis]]
    if len(missing) > 1:
        return None
    twice = next((axis for axis in "xyz" if len(found[axis]) > len(set(found[axis]))), None)
    if twice:
        return f"the header names {twice} twice; name the columns x, y and z"
    if missing:
        first, second = (axis for axis in "xyz" if axis not in missing)
        return f"the header names {first} and {second} but no {missing[0]}; name the columns x, y and z"
    return None


def _first(plain: Sequence[str], words: set[str]) -> int | None:
    return next((i for i, cell in enumerate(plain) if cell in words), None)


def columns_of_rows(rows: Sequence[Sequence[str]], separator: str | None) -> Layout:
    """Layout of a list without header, from its first rows: x y z first, then i j k, a name before or after.

    Raises InputError where the numbers could mean more than one thing.
    """
    width = min(len(row) for row in rows)
    numeric = [c for c in range(width) if all(is_number(row[c]) for row in rows)]
    words = [c for c in range(width) if c not in numeric and any(row[c] for row in rows)]
    if separator is None and words and len(before := [c for c in numeric if c < words[0]]) >= 3:
        numeric = before  # what follows belongs to a name that holds blanks
    if len(numeric) in (4, 7) and _counts_up([row[numeric[0]] for row in rows]):
        numeric = numeric[1:]
    _refuse_ambiguous(rows, numeric, separator)
    xyz = (numeric[0], numeric[1], numeric[2])
    ijk = (numeric[3], numeric[4], numeric[5]) if _hold_directions(rows, numeric) else None
    name = words[0] if words else None
    if separator is None and name is not None:
        if len(words) > 1 and words[1] < xyz[0]:
            message = "blanks part the columns and the names hold some too; write ';' or tabs between columns"
            raise InputError(message)
        width = name + 1 if name > numeric[-1] else width
    return Layout(xyz, ijk, name, width)


def _counts_up(cells: Sequence[str]) -> bool:
    """Whether cells are whole numbers rising by one: a row number, not a coordinate."""
    if len(cells) < 2 or not all(re.fullmatch(r"\d+", cell) for cell in cells):
        return False
    numbers = [int(cell) for cell in cells]
    return all(b - a == 1 for a, b in pairwise(numbers))


def _hold_directions(rows: Sequence[Sequence[str]], numeric: Sequence[int]) -> bool:
    if len(numeric) < 6:
        return False
    lengths = [sum(float(row[c]) ** 2 for c in numeric[3:6]) for row in rows]
    return all(0.9 < length < 1.1 or length == 0 for length in lengths) and any(lengths)


def _refuse_ambiguous(rows: Sequence[Sequence[str]], numeric: Sequence[int], separator: str | None) -> None:
    if len(numeric) < 3:
        message = f"a row must hold at least the three numbers x y z; got '{' '.join(rows[0])}'"
        raise InputError(message)
    whole = all(re.fullmatch(r"[-+]?\d+", row[c]) for row in rows for c in numeric)
    directed = _hold_directions(rows, numeric)
    if separator == "," and len(numeric) >= 6 and whole and not directed:
        message = "commas seem to be both decimal sign and separator; write the list with ';' or tabs between columns"
        raise InputError(message)
    numbered = len(numeric) == 7 and directed and _repeats([row[numeric[6]] for row in rows])
    if len(numeric) == 4 or numbered or (len(numeric) >= 6 and not directed and not _are_colours(rows, numeric)):
        message = f"{len(numeric)} numbers to a row can mean several things; add a header line that names the columns"
        raise InputError(message)


def _repeats(cells: Sequence[str]) -> bool:
    """Whether cells are whole numbers of which some come again: a feature's number perhaps, no coordinate."""
    return all(re.fullmatch(r"\d+", cell) for cell in cells) and len(set(cells)) < len(cells)


def _are_colours(rows: Sequence[Sequence[str]], numeric: Sequence[int]) -> bool:
    return all(0 <= float(row[c]) <= 255 and float(row[c]).is_integer() for row in rows for c in numeric[3:6])
