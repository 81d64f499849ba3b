"""Write a target to the file that the user named: checked first, whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from capture.pieces import MAX_STICKERS, MAX_STRIPS
from capture.printing.layout import board_page, sticker_page, stickers_per_page, strip_page, strips_per_page
from capture.printing.page import Page
from fit.errors import InputError, OutputError

__all__ = ["KINDS", "pages_of", "write_target"]

KINDS = ("frame", "strips", "sheet", "stickers")
_STRIPS_UNLESS_SAID = 4  # one for each side of a part


def write_target(kind: str, out: Path, paper: str, first: int, count: int | None, replace: bool = False) -> list[Path]:
    """Draw the pages and write them; returns the files.

    Raises
    ------
    InputError : no such piece, or a file ending that is none of .pdf, .svg, .png.
    OutputError : the file cannot be written, or holds something that is not a printed target.
    """
    ending = out.suffix.lower()
    if ending not in {".pdf", ".svg", ".png"}:
        message = f"The file name must end in .pdf, .svg or .png; got '{out.name}'."
        raise InputError(message)
    pages = pages_of(kind, paper, first, count)
    paths = [out] if ending == ".pdf" or len(pages) == 1 else _numbered(out, len(pages))
    for path in paths:
        _check_free(path, replace)
    for path, content in zip(paths, _contents(ending, pages), strict=True):
        _write_whole(path, content)
    return paths


def pages_of(kind: str, paper: str, first: int, count: int | None) -> list[Page]:
    """The pages of a kind: pieces `first` … in order; `count` None is one board, four strips or a page of stickers."""
    if kind in {"frame", "sheet"}:
        if first != 0 or count not in {None, 1}:
            message = f"The {kind} comes singly and its number is 0; leave out --first and --count."
            raise InputError(message)
        return [board_page(kind, paper)]
    if kind == "strips":
        count = count or _STRIPS_UNLESS_SAID
        _check_numbers("strips", first, count, MAX_STRIPS)
        return [strip_page(start, some, paper) for start, some in _portions(first, count, strips_per_page(paper))]
    per_page = stickers_per_page(paper)
    count = count or max(1, min(per_page, MAX_STICKERS - first))
    _check_numbers("stickers", first, count, MAX_STICKERS)
    return [sticker_page(start, some, paper) for start, some in _portions(first, count, per_page)]


def _check_numbers(name: str, first: int, count: int, most: int) -> None:
    if first < 0 or count < 1 or first + count > most:
        message = (
            f"The {name} are numbered 0 to {most - 1}; got {first} to {first + count - 1}: lower --first or --count."
        )
        raise InputError(message)


def _portions(first: int, count: int, per_page: int) -> list[tuple[int, int]]:
    """First number and how many, page by page."""
    end = first + count
    return [(start, min(per_page, end - start)) for start in range(first, end, per_page)]


def _numbered(out: Path, count: int) -> list[Path]:
    return [out.with_name(f"{out.stem}-{i}{out.suffix}") for i in range(1, count + 1)]


def _contents(ending: str, pages: Sequence[Page]) -> list[bytes]:
    if ending == ".pdf":
        from capture.printing.pdf import pdf_bytes

        return [pdf_bytes(pages)]
    if ending == ".svg":
        from capture.printing.svg import svg_bytes

        return [svg_bytes(page) for page in pages]
    from capture.printing.png import png_bytes

    return [png_bytes(page) for page in pages]


def _check_free(path: Path, replace: bool) -> None:
    """Refuse early where writing would fail or would destroy something that is not a printed target."""
    if path.is_dir():
        message = f"'{path}' is a folder; give a file name after -o."
        raise OutputError(message)
    if path.exists() and not replace and b"edgewright" not in path.read_bytes():
        message = f"'{path}' exists and is not a printed target; choose another name or add --replace."
        raise OutputError(message)


def _write_whole(path: Path, content: bytes) -> None:
    half = path.with_name(f".{path.name}.{os.getpid()}.half")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half.write_bytes(content)
        os.replace(half, path)
    except OSError as error:
        with suppress(OSError):
            half.unlink()
        told = "its folder is a file" if isinstance(error, FileExistsError) else error.strerror or error
        message = f"Cannot write '{path}': {told}; choose another place."
        raise OutputError(message) from error
