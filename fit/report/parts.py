"""Pieces that a command may add to the report page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

from fit.units import in_unit

__all__ = ["ReportPart", "part_html", "part_in_unit", "picture_html"]


@dataclass(frozen=True, slots=True)
class ReportPart:
    """One section of the page: words, a table, a picture and a caution, each left out where empty.

    text, head and rows are plain text and are escaped; svg is trusted SVG text of our own; picture holds the bytes of
    a PNG or JPEG. where is ``before`` or ``after`` the table of sizes. A part with a picture that stands before the
    sizes takes the place of overlay.png.
    """

    title: str
    text: str = ""
    head: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    svg: str = ""
    picture: bytes = b""
    caution: str = ""
    where: str = "after"


def part_in_unit(part: ReportPart, unit_out: str) -> ReportPart:
    """The section with its lengths in the reader's unit; columns whose head ends in ``, mm`` hold plain figures."""
    if unit_out == "mm":
        return part
    plain = [str(word).endswith(", mm") for word in part.head]
    head = [
        f"{word[:-2]}in" if is_mm else in_unit(word, unit_out) for word, is_mm in zip(part.head, plain, strict=True)
    ]
    rows = [
        [_cell(str(cell), unit_out, i < len(plain) and plain[i]) for i, cell in enumerate(row)] for row in part.rows
    ]
    return replace(part, text=in_unit(part.text, unit_out), head=head, rows=rows)


def _cell(cell: str, unit_out: str, is_plain: bool) -> str:
    return (
        in_unit(f"{cell} mm", unit_out).removesuffix(" mm").removesuffix(" in") if is_plain else in_unit(cell, unit_out)
    )


def part_html(part: ReportPart) -> str:
    """The section as HTML."""
    pieces = [f"<h2>{escape(part.title)}</h2>"]
    pieces += [f"<p>{escape(paragraph)}</p>" for paragraph in part.text.split("\n") if paragraph.strip()]
    if part.picture:
        pieces.append(picture_html(part.picture, part.title))
    if part.svg:
        pieces.append(f"<figure>{part.svg[part.svg.find('<svg') :]}</figure>")
    if part.rows:
        pieces.append(table_html(part.head, part.rows))
    if part.caution:
        pieces.append(f'<p class="caution">{escape(part.caution)}</p>')
    return f"<section>{''.join(pieces)}</section>"


def table_html(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of plain text."""
    top = "".join(f"<th>{escape(str(cell))}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def picture_html(content: bytes, words: str) -> str:
    """A PNG or JPEG inside the page itself."""
    kind = "jpeg" if content[:2] == b"\xff\xd8" else "png"
    data = base64.b64encode(content).decode()
    return f'<figure><img alt="{escape(words)}" src="data:image/{kind};base64,{data}"></figure>'
