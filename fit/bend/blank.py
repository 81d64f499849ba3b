"""The flat blank as a drawing, and the coupon sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fit.bend.checks import relief_of
from fit.bend.flat import FlatBlank
from fit.drawing.model import Circle, Drawing, Entity, Label, Line, Note, OverAll, Place, Polyline, TitleBlock
from fit.units import format_length

__all__ = ["Hole", "bend_words", "blank_drawing", "coupon_drawing"]


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole of the blank: leg from 1, distance of its centre from the leg's first end, height across, diameter, mm."""

    name: str
    leg: int
    along: float
    across: float
    diameter: float


def bend_words(blank: FlatBlank, bend: int) -> str:
    """What to do at a bend, seen from the marked face."""
    angle = blank.part.angles[bend].value
    radius = blank.part.radius[bend if len(blank.part.radius) > 1 else 0].value
    return f"{'up' if angle > 0 else 'down'} {math.degrees(abs(angle)):.4g}° R{radius:g}"


def blank_drawing(
    blank: FlatBlank, width: float, holes: Sequence[Hole] = (), title: TitleBlock | None = None, unit_out: str = "mm"
) -> Drawing:
    """Outline, bend lines with up or down, angles and radii, holes; bend lines are the middles of the bends."""
    length = blank.length
    corners = ((0.0, 0.0, 0.0), (length, 0.0, 0.0), (length, width, 0.0), (0.0, width, 0.0))
    entities: list[Entity] = [Polyline(corners, closed=True, layer="cut")]
    places = []
    for i, (_, middle, _) in enumerate(blank.lines.tolist()):
        entities.append(Line(middle, 0.0, middle, width, "bend"))
        entities.append(Label(middle + 1.0, width * (0.85 - 0.2 * (i % 4)), f"{i + 1} {bend_words(blank, i)}", 2.5))
        places.append(Place("x", middle, 0.0, format_length(middle, None, unit_out)))
    entities += [Circle(hole_place(blank, hole), hole.across, hole.diameter / 2) for hole in holes]
    told = format_length(length, blank.u95, unit_out)
    over = (OverAll("x", 0.0, length, told), OverAll("y", 0.0, width, format_length(width, None, unit_out)))
    return Drawing(
        entities=entities,
        over_all=over,
        places=places,
        notes=_notes(blank),
        title=title or TitleBlock(name="flat blank", face="marked face"),
        unit_out=unit_out,
    )


def hole_place(blank: FlatBlank, hole: Hole) -> float:
    """Distance of a hole's centre from the first edge of the blank, mm."""
    if hole.leg == 1:
        return hole.along
    start = float(blank.lines[hole.leg - 2, 2])
    return start + hole.along - float(blank.setback[hole.leg - 2])


def _notes(blank: FlatBlank) -> list[Note]:
    relief = relief_of(max(item.value for item in blank.part.radius), blank.part.thickness.value)
    notes = [Note("Bend lines lie in the middle of the bends; up and down as seen from this, the marked face.")]
    for i, (start, middle, end) in enumerate(blank.lines.tolist(), 1):
        place = f"bend {i}: {bend_words(blank, i - 1)}, line {middle:.2f}, bend from {start:.2f} to {end:.2f}"
        notes.append(Note(place))
    notes.append(
        Note(
            f"Where a bend ends inside the sheet: relief {relief.width:.2f} wide, {relief.depth:.2f} deep past the bend; "
            f"corner hole {relief.corner_hole:.2f}."
        )
    )
    return [*notes, Note("Fresh-cut edges cut: deburr, gloves.", strong=True)]


def coupon_drawing(length: float = 100.0, width: float = 25.0) -> Drawing:
    """Strip to cut from the job's own sheet, with its bend line and the sizes to measure."""
    corners = ((0.0, 0.0, 0.0), (length, 0.0, 0.0), (length, width, 0.0), (0.0, width, 0.0))
    notes = [
        Note("Cut this strip from the job's own sheet, across the grain as the part will be; deburr.", strong=True),
        Note("1  Measure the strip's length as cut (blank) and the thickness, paint off: ______ mm   ______ mm"),
        Note("2  Bend it on the line with the job's tool. Angle set on the tool: ______°"),
        Note("3  Measure the angle after release: ______°   both outside legs: ______ mm   ______ mm"),
        Note("4  Inside radius with a gauge: ______ mm.   Tool and sheet: ______________________"),
        Note("5  Type them: edgewright bend --coupon NAME --blank … --legs …,… --radius … --thickness … --store FILE"),
    ]
    entities: list[Entity] = [
        Polyline(corners, closed=True, layer="cut"),
        Line(length / 2, 0.0, length / 2, width, "bend"),
    ]
    over = (OverAll("x", 0.0, length, f"{length:g}"), OverAll("y", 0.0, width, f"{width:g}"))
    return Drawing(entities=entities, over_all=over, notes=notes, title=TitleBlock(name="bend coupon"))
