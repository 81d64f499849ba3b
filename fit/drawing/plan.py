"""Which size is said how: holes by leaders or in a table, places in rows or in a table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from fit.drawing.lettering import clean, text_width
from fit.drawing.marks import SMALL
from fit.drawing.model import Along, Drawing, Note, Place, Spot, bounds_of
from fit.drawing.rows import Mark, Rows
from fit.drawing.tables import Table

__all__ = ["Plan", "marks_of", "note_lines", "plan_of"]

_MOST_PLACES = 12
_MOST_UNASKED = 6
_NOTE_WIDTH = 172.0
"""Length of a line of notes that fits A4 and Letter upright, mm."""
_NEAR = 1.0
"""A datum further than this outside the part, mm, is not drawn beside it."""


@dataclass(frozen=True, eq=False, slots=True)
class Plan:
    """What goes where: which spots get leaders, which a table row, which places a dimension; box is the part's, mm."""

    drawing: Drawing
    led: Sequence[Spot]
    tagged: Sequence[Spot]
    tags: Sequence[str]
    places: Sequence[Place]
    tables: Sequence[Table]
    lengths: Sequence[Along]
    box: tuple[float, float, float, float]


def plan_of(drawing: Drawing, holes: Sequence[Spot], arcs: Sequence[Spot], lengths: Sequence[Along] = ()) -> Plan:
    """The plan with these holes, arcs and lengths of straight pieces in tables, and tags at their places."""
    tabled = [*holes, *arcs]
    tags = [str(i + 1) for i in range(len(holes))] + [f"R{i + 1}" for i in range(len(arcs))]
    led = [spot for spot in drawing.spots if spot not in tabled]
    places = [*drawing.places, *(place for spot in led if spot.x_text for place in _spot_places(spot))]
    crowded = {axis for axis in "xy" if sum(place.axis == axis for place in places) > _MOST_PLACES}
    rows = tuple((tag, *_row(spot)) for tag, spot in zip(tags, tabled, strict=True))
    heading = " and ".join(word for word, found in (("Holes", holes), ("radii", arcs)) if found).capitalize()
    tables = [Table(heading, ("no.", "name", "x", "y", "size"), rows).lean()] if rows else []
    if crowded:
        extra = tuple((place.axis, place.text) for place in places if place.axis in crowded)
        tables.append(Table("Places from the datum", ("along", "distance"), extra))
        places = [place for place in places if place.axis not in crowded]
    if lengths:
        tables.append(Table("Straight pieces", ("no.", "length"), _numbered(lengths)))
    if asked := _asked(drawing):
        heading = "Sizes asked for" if any(any(row[2:]) for row in asked) else "Sizes"
        tables.append(Table(heading, ("size", "measured", "wanted", "verdict"), asked).lean())
    beside = [replace(item, text=tag, must=True) for item, (tag, _) in zip(lengths, _numbered(lengths), strict=True)]
    beside += [item for item in drawing.lengths if item not in lengths]
    return Plan(drawing, led, tabled, tags, places, tables, beside, bounds_of(drawing.entities))


def _numbered(lengths: Sequence[Along]) -> tuple[tuple[str, str], ...]:
    return tuple((f"L{i + 1}", item.text) for i, item in enumerate(lengths))


def _asked(drawing: Drawing) -> tuple[tuple[str, ...], ...]:
    """Sizes that have limits; where none has, all of them if they are few. The report page holds them all."""
    rows = [tuple(clean(cell) for cell in row) for row in drawing.sizes]
    wanted = [row for row in rows if any(row[2:])]
    return tuple(wanted or (rows if len(rows) <= _MOST_UNASKED else []))


def _spot_places(spot: Spot) -> list[Place]:
    return [Place("x", spot.x, spot.y, spot.x_text), Place("y", spot.x, spot.y, spot.y_text)]


def _row(spot: Spot) -> tuple[str, str, str, str]:
    return clean(spot.name), spot.x_text, spot.y_text, spot.text.replace("\n", " ")


def marks_of(plan: Plan, axis: str, scale: float, left: float, bottom: float) -> tuple[Rows, list[Mark]]:
    x0, y0, x1, y1 = plan.box
    shift, side = (left, bottom) if axis == "x" else (bottom, left)
    low, high, near = (x0, x1, y0) if axis == "x" else (y0, y1, x0)
    datum = plan.drawing.datum
    zero = (datum.x if axis == "x" else datum.y) if datum else math.nan
    seen = zero * scale + shift if low - _NEAR <= zero <= high + _NEAR else None
    rows = Rows(axis, seen, near * scale + side, low * scale + shift - 10, high * scale + shift + 10)
    marks = []
    for place in plan.places:
        along, across = (place.x, place.y) if axis == "x" else (place.y, place.x)
        if place.axis == axis and place.text != "0":
            marks.append(Mark(along * scale + shift, across * scale + side, place.text))
    return rows, marks


def note_lines(plan: Plan) -> list[Note]:
    """The notes in lines that fit the narrowest sheet."""
    return [Note(line, note.strong) for note in plan.drawing.notes for line in _wrapped(clean(note.text), note.strong)]


def _wrapped(text: str, bold: bool) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width(longer, SMALL, bold=bold) > _NOTE_WIDTH:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
