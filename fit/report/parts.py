"""Pieces that a command may add to the report page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["ReportPart"]


@dataclass(frozen=True, slots=True)
class ReportPart:
    """One section of the page: words, a table, a drawing (SVG text), and a caution, each left out where empty.

    where is ``before`` or ``after`` the table of sizes; text and table cells are plain text and are escaped.
    """

    title: str
    text: str = ""
    head: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    svg: str = ""
    caution: str = ""
    where: str = "after"
