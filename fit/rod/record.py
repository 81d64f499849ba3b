"""A bent rod's schedule as results.json holds it and as people read it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.points import FloatArray
from fit.results import Notice, value_to_dict
from fit.rod.die import DieCheck, die_angles
from fit.rod.schedule import Schedule, corners_of_schedule, reversed_schedule
from fit.uncertain import Value
from fit.units import format_angle, format_length

if TYPE_CHECKING:
    from fit.drawing.model import Drawing
    from fit.report.parts import ReportPart

__all__ = [
    "CAUTIONS",
    "FORMULA",
    "RodFigures",
    "exact_figures",
    "failed_notices",
    "rod_drawing",
    "rod_lines",
    "rod_parts",
    "rod_record",
]

_FLAT = 0.5
"""A rod whose corners stray less than this from one plane, mm, shows its true shape in that plane."""
FORMULA = (
    "bend = angle between run directions; straight = corner distance − R·tan(bend/2) at each end; rotation = angle "
    "between bend planes, right-hand about the feed; cut length = Σ straights + Σ R·bend on the centre line (geometry)"
)
CAUTIONS = (
    "Spring steel, hardened and safety parts are not to be bent cold by these tables.",
    "This is a measurement, not an approval. Brakes, steering, seat and belt anchorages, towing, battery mounting and "
    "body cutting need a qualified person and your local vehicle rules.",
    "Fresh-cut ends cut: deburr, gloves.",
)


@dataclass(frozen=True, eq=False, slots=True)
class RodFigures:
    """A schedule with its Values (mm, radians); None where the data cannot carry the figure."""

    schedule: Schedule
    straight: Sequence[Value | None]
    rotation: Sequence[Value | None]
    bend: Sequence[Value]
    radius: Sequence[Value]
    cut_length: Value | None


def exact_figures(schedule: Schedule, radius_u: float = 0.0) -> RodFigures:
    """Figures of typed corners or a typed schedule, which are exact but for the radius."""
    tangent_rate = np.tan(schedule.bend / 2)
    beside = np.concatenate([[0.0], tangent_rate]) + np.concatenate([tangent_rate, [0.0]])
    total = float(np.sum(schedule.bend - 2 * tangent_rate))

    def value(figure: float, rate: float = 0.0) -> Value:
        names = ("bend:radius",) if radius_u else ()
        return Value(float(figure), 0.0, np.array([rate * radius_u] if radius_u else []), names)

    return RodFigures(
        schedule,
        [value(s, -b) for s, b in zip(schedule.straight, beside, strict=True)],
        [None, *(value(r) for r in schedule.rotation[1:])],
        [value(b) for b in schedule.bend],
        [value(r, 1.0) for r in schedule.radius],
        value(schedule.cut_length, total),
    )


def rod_record(figures: RodFigures, checks: Sequence[DieCheck], factor: float | None) -> dict[str, Any]:
    """The table under ``rod``: mm and degrees, every figure as {"value", "u95"}."""
    schedule = figures.schedule
    record: dict[str, Any] = {"schedule": _rows(figures, factor), "feed": "from end_a"}
    if figures.cut_length:
        record["cut_length"] = value_to_dict(figures.cut_length)
        record["budget"] = figures.cut_length.budget()
    record["radius"] = [value_to_dict(value) for value in figures.radius]
    record["marks"] = {"from_end_a": _marks(schedule), "from_end_b": _marks(reversed_schedule(schedule))}
    if factor:
        record["springback_factor"] = factor
    record["checks"] = [
        {"what": c.what, "place": c.place, "value": c.value, "limit": c.limit, "passed": c.passed, "text": c.words}
        | {"source": c.source}
        for c in checks
    ]
    return {**record, "formula": FORMULA, "cautions": list(CAUTIONS)}


def _rows(figures: RodFigures, factor: float | None) -> list[dict[str, Any]]:
    angles = die_angles(figures.schedule.bend, factor) if factor else None
    rows: list[dict[str, Any]] = []
    for i, straight in enumerate(figures.straight):
        row: dict[str, Any] = {"straight": value_to_dict(straight)} if straight else {}
        if i < len(figures.bend):
            if (turn := figures.rotation[i]) is not None:
                row["rotation"] = value_to_dict(turn, angle=True)
            row["bend"] = value_to_dict(figures.bend[i], angle=True)
            if angles is not None:
                row["die_angle"] = {"value": math.degrees(angles[i])}
        rows.append(row)
    return rows


def _marks(schedule: Schedule) -> list[dict[str, float]]:
    """Places along the straight bar, mm: start, middle and end of each bend."""
    return [dict(zip(("start", "middle", "end"), map(float, row), strict=True)) for row in schedule.marks]


def table_cells(figures: RodFigures, factor: float | None, unit_out: str) -> tuple[list[str], list[list[str]]]:
    """Head and rows of the schedule for people."""
    head = ["step", "straight", "rotation", "bend", "marks from end a"]
    rows = []
    angles = die_angles(figures.schedule.bend, factor) if factor else None
    for i, straight in enumerate(figures.straight):
        cells = [str(i + 1), _length(straight, unit_out), "", "", ""]
        if i < len(figures.bend):
            cells[2] = _angle(figures.rotation[i]) if i else "—"
            cells[3] = _angle(figures.bend[i])
            marks = figures.schedule.marks[i]
            cells[4] = " / ".join(format_length(float(m), None, unit_out) for m in marks[[0, 2]])
        if angles is not None:
            cells.append(format_angle(float(angles[i])) if i < len(angles) else "")
        rows.append(cells)
    return (head if angles is None else [*head, "set on die"]), rows


def _length(value: Value | None, unit_out: str) -> str:
    return "not touched" if value is None else format_length(value.value, value.u95 or None, unit_out)


def _angle(value: Value | None) -> str:
    return "" if value is None else format_angle(value.value, value.u95 or None)


def rod_lines(figures: RodFigures, factor: float | None, unit_out: str) -> list[str]:
    """The schedule as lines for the terminal."""
    head, rows = table_cells(figures, factor, unit_out)
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in [head, *rows]]
    if figures.cut_length:
        lines.append(f"cut length {_length(figures.cut_length, unit_out)}")
    return lines


def rod_parts(figures: RodFigures, checks: Sequence[DieCheck], factor: float | None, unit_out: str) -> list[ReportPart]:
    """Sections of the report: schedule, checks, cautions."""
    from fit.report.parts import ReportPart

    head, rows = table_cells(figures, factor, unit_out)
    cut = f"Cut length {_length(figures.cut_length, unit_out)}. " if figures.cut_length else ""
    text = f"{cut}Lengths in {unit_out}, ± is U95. {FORMULA}."
    done = [[check.words, "ok" if check.passed else "no", check.source] for check in checks]
    parts = [ReportPart("Bending schedule, fed from end a", text, head, rows, where="before")]
    parts.append(ReportPart("Bender checks", "", ["check", "", "source of the limit"], done))
    return [*parts, ReportPart("Caution", caution=" ".join(CAUTIONS))]


def failed_notices(checks: Sequence[DieCheck]) -> list[Notice]:
    """Warnings for the checks that failed."""
    codes = {"radius": "die-radius", "grip": "short-straight", "clash": "die-clash"}
    return [Notice(codes[c.what], c.words[0].upper() + c.words[1:] + ".", f"{c.place}") for c in checks if not c.passed]


def rod_drawing(figures: RodFigures, corners: FloatArray | None = None, name: str = "bent rod") -> Drawing:
    """Centre line seen square to the plane it fills best, with bends numbered and the schedule as notes.

    Only a flat rod shows its true shape there; another gets no 1:1 print to be laid on.
    """
    from fit.drawing.model import Drawing, Label, Line, Note, TitleBlock
    from fit.rod.die import centre_lines

    points = corners_of_schedule(figures.schedule) if corners is None else corners
    spread, ways = np.linalg.svd(points - points.mean(axis=0))[1:]
    axes, is_flat = ways[:2], len(spread) < 3 or bool(spread[2] < _FLAT)
    pieces = [piece @ axes.T for piece in centre_lines(points, figures.schedule)]
    entities: list[Any] = []
    for piece in pieces:
        entities += [Line(a, b, c, d, "mark") for a, b, c, d in np.hstack([piece[:-1], piece[1:]]).tolist()]
    flat = points @ axes.T
    for text, at in (("end a", flat[0]), ("end b", flat[-1])):
        entities.append(Label(float(at[0]), float(at[1]), text))
    entities += [Label(float(x), float(y), f"bend {i}") for i, (x, y) in enumerate(flat[1:-1].tolist(), 1)]
    _, rows = table_cells(figures, None, "mm")
    notes = [Note("View square to the plane the rod fills best; lengths in the table are true.")]
    notes += [Note(f"{r[0]}: straight {r[1]}" + (f", rotation {r[2]}, bend {r[3]}" if r[3] else "")) for r in rows]
    if figures.cut_length:
        notes.append(Note(f"cut length {_length(figures.cut_length, 'mm')} mm", strong=True))
    return Drawing(entities=entities, notes=notes, title=TitleBlock(name=name), is_true=is_flat)
