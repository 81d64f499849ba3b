"""From a measured outline and typed flanges to the blank that is written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.bend.checks import relief_of
from fit.bend.flat import BendPart, FlatBlank, Input, develop
from fit.bend.outline import Flange, FlangedBlank, Fold, flanged_outline, straight_edges
from fit.bend.record import CAUTIONS
from fit.bend.rule import KRule
from fit.bend.tables import limit
from fit.bend.typed import parse_angles, parse_inputs
from fit.drawing.model import Circle, Drawing, Label, Note, OverAll, Polyline, bounds_of
from fit.errors import CannotDetermine, InputError
from fit.results import Notice, Results
from fit.units import format_length

if TYPE_CHECKING:
    from fit.report.parts import ReportPart

__all__ = ["FlangeInput", "flanged_blank", "outline_drawing", "parse_flange"]


@dataclass(frozen=True, slots=True)
class FlangeInput:
    """A typed flange: edge from 1, outside height mm and turn rad, both with their ±."""

    edge: int
    height: Input
    angle: Input


def parse_flange(text: str, unit: str = "mm") -> FlangeInput:
    """A flange from ``EDGE:HEIGHT:ANGLE``, such as ``3:20:90`` or ``3:20±0.2:-90``."""
    parts = text.split(":")
    if len(parts) != 3 or not parts[0].isdigit():
        message = (
            f"--flange '{text}': write EDGE:HEIGHT:ANGLE, like 3:20:90; run with --outline alone to see the edges."
        )
        raise InputError(message)
    height = parse_inputs(parts[1], f"--flange '{text}'", unit)[0]
    if height.value <= 0:
        message = f"--flange '{text}': the height must be above 0 mm."
        raise InputError(message)
    return FlangeInput(int(parts[0]), height, parse_angles(parts[2])[0])


def outline_drawing(results: Results, unit_out: str) -> tuple[Drawing, Polyline]:
    """The sketch of a result, and its largest closed outline with numbered straight edges."""
    from fit.drawing.from_features import drawing_of

    drawing = drawing_of(results, unit_out=unit_out)
    closed = [item for item in drawing.entities if isinstance(item, Polyline) and item.closed and item.layer == "cut"]
    if not closed:
        message = "The result holds no closed outline; measure the part's edge as a closed path first."
        raise CannotDetermine(message)
    outline = max(closed, key=_box)
    labels = [_edge_label(outline, number) for number in straight_edges(outline)]
    return replace(drawing, entities=[*drawing.entities, *labels]), outline


def _box(outline: Polyline) -> float:
    x0, y0, x1, y1 = bounds_of([outline])
    return (x1 - x0) * (y1 - y0)


def _edge_label(outline: Polyline, number: int) -> Label:
    a, b = outline.vertices[number - 1], outline.vertices[number % len(outline.vertices)]
    return Label((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, f"edge {number}", 2.5)


@dataclass(frozen=True, eq=False, slots=True)
class _Made:
    """What a flanged blank gives: its table, notices and drawing."""

    table: dict[str, Any]
    notices: Sequence[Notice]
    drawing: Drawing
    parts: Sequence[ReportPart]
    lines: Sequence[str]


def flanged_blank(
    results: Results, flanges: Sequence[FlangeInput], sheet: tuple[Input, Input], rule: KRule | None, unit_out: str
) -> _Made:
    """Blank with flanges along the outline's straight edges; its holes and cut-outs stay.

    sheet = inside radius and thickness, mm. Without flanges only the numbered edges are drawn.
    """
    drawing, outline = outline_drawing(results, unit_out)
    edges = [{"edge": n, "length": _length(outline, n)} for n in straight_edges(outline)]
    if not flanges or rule is None:
        told = [f"edge {edge['edge']}: {format_length(edge['length'], None, unit_out)}" for edge in edges]
        return _Made({"edges": edges, "cautions": list(CAUTIONS)}, [], drawing, [], told)
    radius, thickness = sheet
    fold = Fold(radius.value, thickness.value, rule.k[0])
    made = flanged_outline(outline, [Flange(f.edge, f.height.value, f.angle.value) for f in flanges], fold)
    blanks = [_developed(flange, sheet, rule) for flange in flanges]
    rows = [_row(*item) for item in zip(flanges, made.reach, blanks, strict=True)]
    relief = relief_of(fold.radius, fold.thickness)
    table: dict[str, Any] = {"edges": edges, "flanges": rows, "rule": rule.words, "cautions": list(CAUTIONS)}
    table |= {"relief": {"width": relief.width, "depth": relief.depth, "corner_hole": relief.corner_hole}}
    new = _redrawn(drawing, outline, made, flanges, fold)
    notices = [*rule.notices, *_holes(drawing, outline, flanges, fold)]
    return _Made(table, notices, new, _parts(rows, rule, unit_out), _lines(rows, rule, unit_out))


def _length(outline: Polyline, number: int) -> float:
    a, b = outline.vertices[number - 1], outline.vertices[number % len(outline.vertices)]
    return math.dist(a[:2], b[:2])


def _developed(flange: FlangeInput, sheet: tuple[Input, Input], rule: KRule) -> FlatBlank:
    """A long leg and the flange: its U95 is that of the flange's reach past the edge."""
    long = Input(10 * (sheet[0].value + sheet[1].value) * 20)
    return develop(BendPart([long, flange.height], [flange.angle], [sheet[0]], sheet[1], rule.k[:1], rule.error))


def _row(flange: FlangeInput, reach: float, blank: FlatBlank) -> dict[str, Any]:
    return {
        "edge": flange.edge,
        "height": {"value": flange.height.value, "u95": 1.96 * flange.height.standard},
        "angle": {"value": math.degrees(flange.angle.value), "u95": math.degrees(1.96 * flange.angle.standard)},
        "direction": "up" if flange.angle.value > 0 else "down",
        "reach": {"value": reach, "u95": blank.u95},
        "allowance": float(blank.allowance[0]),
        "setback": float(blank.setback[0]),
        "deduction": float(blank.deduction[0]),
    }


def _redrawn(
    drawing: Drawing, outline: Polyline, made: FlangedBlank, flanges: Sequence[FlangeInput], fold: Fold
) -> Drawing:
    """The sketch with the new outline, bend lines and words on them."""
    kept = [item for item in drawing.entities if item is not outline and not isinstance(item, Label)]
    words = [
        f"edge {f.edge}: {'up' if f.angle.value > 0 else 'down'} {math.degrees(abs(f.angle.value)):.4g}° R{fold.radius:g}"
        for f in flanges
    ]
    labels = [
        Label(
            (line.x1 + line.x2) / 2, (line.y1 + line.y2) / 2, f"{f.edge} {'up' if f.angle.value > 0 else 'down'}", 2.5
        )
        for line, f in zip(made.lines, flanges, strict=True)
    ]
    x0, y0, x1, y1 = bounds_of([made.outline])
    over = (
        OverAll("x", x0, x1, format_length(x1 - x0, None, drawing.unit_out)),
        OverAll("y", y0, y1, format_length(y1 - y0, None, drawing.unit_out)),
    )
    notes = [*drawing.notes, Note("Bend lines lie in the middle of the bends; up and down as seen from this side.")]
    notes += [*(Note(text) for text in words), Note("Fresh-cut edges cut: deburr, gloves.", strong=True)]
    entities = [*kept, made.outline, *made.lines, *labels]
    return replace(drawing, entities=entities, over_all=over, places=(), notes=notes)


def _holes(drawing: Drawing, outline: Polyline, flanges: Sequence[FlangeInput], fold: Fold) -> list[Notice]:
    """Warnings for round holes nearer than 2 T + R to a bend's start (common practice, no source)."""
    times, source = limit("hole_to_bend")
    least = times * fold.thickness + fold.radius
    notices = []
    for flange in flanges:
        a, b = (np.array(outline.vertices[i % len(outline.vertices)][:2]) for i in (flange.edge - 1, flange.edge))
        along = (b - a) / np.linalg.norm(b - a)
        setback = (fold.radius + fold.thickness) * math.tan(abs(flange.angle.value) / 2)
        for hole in (item for item in drawing.entities if isinstance(item, Circle) and item.layer == "cut"):
            from_edge = abs(along[0] * (hole.y - a[1]) - along[1] * (hole.x - a[0]))
            gap = from_edge - hole.radius - setback
            if gap < least and 0 <= float((np.array([hole.x, hole.y]) - a) @ along) <= np.linalg.norm(b - a):
                text = (
                    f"The hole at {hole.x:.1f}, {hole.y:.1f} lies {gap:.2f} mm from the bend on edge {flange.edge}; "
                    f"below {times:g} T + R = {least:.2f} mm it is pulled out of round ({source})."
                )
                notices.append(Notice("hole-near-bend", text, f"edge {flange.edge}"))
    return notices


def _cells(rows: Sequence[dict[str, Any]], unit_out: str) -> list[list[str]]:
    return [
        [
            f"edge {row['edge']}",
            f"{row['direction']} {abs(row['angle']['value']):.4g}°",
            format_length(row["height"]["value"], None, unit_out),
            format_length(row["reach"]["value"], row["reach"]["u95"] or None, unit_out),
        ]
        for row in rows
    ]


def _lines(rows: Sequence[dict[str, Any]], rule: KRule, unit_out: str) -> list[str]:
    return [
        f"{cells[0]}: {cells[1]}, {cells[2]} high, blank reaches {cells[3]} past the edge"
        for cells in _cells(rows, unit_out)
    ] + [rule.words]


def _parts(rows: Sequence[dict[str, Any]], rule: KRule, unit_out: str) -> list[ReportPart]:
    from fit.report.parts import ReportPart

    head = ["flange", "bend", "outside height", "blank reaches past the edge"]
    text = f"{rule.words}. Reach = H − 2 (R + T) tan(A/2) + A (R + K T); ± is U95 of the folding alone."
    table = ReportPart("Flanges", text, head, _cells(rows, unit_out), where="before")
    return [table, ReportPart("Caution", caution=" ".join(CAUTIONS))]
