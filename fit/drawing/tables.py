"""Tables on a sheet: holes by tag, and the sizes that were asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fit.drawing.lettering import fitted, text_width
from fit.drawing.marks import SMALL, line
from fit.drawing.sheet import Item, Written

__all__ = ["Table", "paged", "table_items", "table_size"]

_ROW = 4.6
_PAD = 1.2
_WIDEST = 90.0


@dataclass(frozen=True, slots=True)
class Table:
    """A heading, column heads and rows of words."""

    heading: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def part(self, first: int, last: int) -> Table:
        """The same table with only the rows first to last."""
        return Table(self.heading, self.head, self.rows[first:last])

    def lean(self) -> Table:
        """The same table without columns that hold nothing."""
        kept = [i for i in range(len(self.head)) if any(row[i] for row in self.rows)]
        rows = tuple(tuple(row[i] for i in kept) for row in self.rows)
        return Table(self.heading, tuple(self.head[i] for i in kept), rows)


def _columns(table: Table) -> list[float]:
    return [
        min(_WIDEST, max(text_width(row[i], SMALL, bold=row is table.head) for row in (table.head, *table.rows)))
        + 2 * _PAD
        for i in range(len(table.head))
    ]


def table_size(table: Table) -> tuple[float, float]:
    """Width and height on the sheet, mm."""
    return sum(_columns(table)), _ROW * (len(table.rows) + 2)


def table_items(table: Table, left: float, top: float) -> list[Item]:
    """The table with its upper left corner at (left, top)."""
    widths = _columns(table)
    right = left + sum(widths)
    items: list[Item] = [Written(left, top - _ROW + 1.1, table.heading, SMALL, bold=True)]
    for k, row in enumerate((table.head, *table.rows)):
        base = top - (k + 2) * _ROW
        x = left
        for text, width in zip(row, widths, strict=True):
            items.append(Written(x + _PAD, base + 1.1, fitted(text, SMALL, width - 2 * _PAD), SMALL, bold=k == 0))
            x += width
        items.append(line(left, base, right, base))
    upper, lower = top - _ROW, top - (len(table.rows) + 2) * _ROW
    items.append(line(left, upper, right, upper))
    x = left
    for width in (0.0, *widths):
        x += width
        items.append(line(x, upper, x, lower))
    return items


def paged(tables: Sequence[Table], space: tuple[float, float, float, float]) -> list[list[Item]]:
    """Tables on sheets of their own, in columns; a long one is cut and goes on in the next column."""
    left, low, right, top = space[0] + 4, space[1] + 4, space[2] - 2, space[3] - 4
    sheets: list[list[Item]] = [[]] if tables else []
    x, y, column = left, top, 0.0
    for piece in _pieces(tables, top - low):
        width, height = table_size(piece)
        if y - height < low:
            x, y, column = x + column + 6, top, 0.0
        if x + width > right and sheets[-1]:
            sheets.append([])
            x, y, column = left, top, 0.0
        sheets[-1] += table_items(piece, x, y)
        y, column = y - height - 5, max(column, width)
    return sheets


def _pieces(tables: Sequence[Table], height: float) -> list[Table]:
    """The tables cut into pieces that are no taller than height."""
    most = max(1, int(height / _ROW) - 2)
    return [table.part(i, i + most) for table in tables for i in range(0, len(table.rows), most)]
