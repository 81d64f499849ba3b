"""Where in a TOML text each key stands, so that a message can name its line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

__all__ = ["KeyPath", "key_lines", "line_of"]

KeyPath = tuple[str | int, ...]

_NAME = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_NAME}(?:\s*\.\s*{_NAME})*"
_TABLE = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")
_PART = re.compile(_NAME)
_TOKEN = re.compile(r'"""|\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]')


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of every table header and key of a TOML text; items of arrays of tables are numbered from 0.

    Keys inside inline tables are not told apart; `line_of` finds the line of what holds them.
    """
    places: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for number, line in _starts(text):
        if header := _TABLE.match(line):
            table = _header(header, counts)
            places.setdefault(table, number)
        elif key := _KEY.match(line):
            places.setdefault((*table, *_parts(key[1])), number)
    return places


def _header(found: re.Match[str], counts: dict[KeyPath, int]) -> KeyPath:
    """Path of a table header; of an array's table, its number is counted up."""
    path: KeyPath = ()
    *outer, last = _parts(found[2])
    for part in outer:
        path = (*path, part)
        path = (*path, counts[path] - 1) if path in counts else path
    path = (*path, last)
    if found[1] == "[":
        return path
    counts[path] = counts.get(path, 0) + 1
    return (*path, counts[path] - 1)


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def _starts(text: str) -> Iterator[tuple[int, str]]:
    """Lines on which a header or key may begin: those not inside a text of several lines or an open bracket."""
    depth, quote = 0, ""
    for number, line in enumerate(text.splitlines(), 1):
        if depth <= 0 and not quote:
            yield number, line
            start = 0
            if head := _TABLE.match(line):
                start = head.end()
            depth, quote = _after(line[start:], 0, "")
        else:
            depth, quote = _after(line, depth, quote)


def _after(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Bracket depth and open quote at the end of a line."""
    for token in _TOKEN.findall(line):
        if quote:
            quote = "" if token == quote else quote
        elif token in ('"""', "'''"):
            quote = token
        elif token in "[{":
            depth += 1
        elif token in "]}":
            depth -= 1
    return depth, quote


def line_of(lines: Mapping[KeyPath, int], path: Sequence[str | int]) -> int:
    """Line of a key, or of the nearest thing that holds it, or of the first that it holds; 1 where there is none."""
    wanted = tuple(path)
    for length in range(len(wanted), 0, -1):
        if wanted[:length] in lines:
            return lines[wanted[:length]]
    return min((line for key, line in lines.items() if key[: len(wanted)] == wanted), default=1)
