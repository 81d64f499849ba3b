"""What people read of a clearance check: the lines on the terminal and the parts of the report page."""

from __future__ import annotations

from fit.clearance.clearance import Clearance
from fit.clearance.motion import position_words
from fit.clearance.picture import gap_plot
from fit.points import FloatArray
from fit.report.parts import ReportPart
from fit.units import MM_PER_INCH, format_length, in_unit

__all__ = ["clear_lines", "clear_parts"]

_MEANING = (
    "The gap is the smallest distance between points of the two clouds. Its ± holds the smallest distance between "
    "the true places of "
    "those points: noise makes the closest of many pairs look too close, and the ± allows for that."
)
_CAUTION = (
    "Test-fit with soft blocks and by hand, never by latch force or engine start. High voltage kills: isolate, "
    "lock, wait, prove dead "
    "before hands or tools go near orange cables; a gap shown here says nothing about insulation."
)


def clear_lines(found: Clearance, unit_out: str) -> list[str]:
    """The short table on the terminal."""
    swept, at = found.swept, found.swept.tightest
    unit = {"mm": " mm", "inch": " in"}.get(unit_out, "")
    f, m = (_place(point, unit_out) for point in (swept.fixed_point[at], swept.moving_point[at]))
    axes = "mm" if unit_out == "mm" else "in"
    lines = [
        f"smallest gap  {_gap(found, at, unit_out)}{unit} at {_at(found, at, unit_out)}",
        f"between       {_parts(found)} at ({f}) and ({m}) {axes}, in the fixed part's axes",
        f"left over     {found.margin.sum_words(unit_out)}, at {_at(found, found.margin.at, unit_out)}{_elsewhere(found)}",
    ]
    if found.margin.wanted is not None:
        lines += [
            f"asked for     {format_length(found.margin.wanted, None, unit_out)}{unit} ({in_unit(found.margin.why, unit_out)})",
            f"verdict       {found.margin.verdict_words(unit_out)}",
        ]
    lines += [f"{notice.code}: {in_unit(notice.text, unit_out)}" for notice in found.notices]
    return [*lines, "", _CAUTION]


def _place(point: FloatArray, unit_out: str) -> str:
    """Coordinates in mm, or in inches for whoever reads inches."""
    return ", ".join(f"{x:.2f}" if unit_out == "mm" else f"{x / MM_PER_INCH:.3f}" for x in point)


def _parts(found: Clearance) -> str:
    """The closest pieces of both parts by name."""
    swept, scene = found.swept, found.scene
    pair = swept.pairs[swept.tightest]
    fixed = scene.fixed.parts[scene.fixed.part[scene.fixed_tree.order[pair.fixed]]]
    moving = scene.moving.parts[scene.moving.part[scene.moving_tree.order[pair.moving]]]
    return f"fixed '{fixed}' and moving '{moving}'"


def _gap(found: Clearance, i: int, unit_out: str) -> str:
    error = found.swept.errors[i]
    return format_length(float(found.swept.gap[i]), None if error is None else error.u95, unit_out)


def _elsewhere(found: Clearance) -> str:
    """Words for a sum that stands for another position than the smallest gap."""
    if found.margin.at == found.swept.tightest:
        return ""
    return " (not where the gap is smallest: here movement brings the parts nearer)"


def _at(found: Clearance, i: int, unit_out: str) -> str:
    return in_unit(position_words(found.swept.motion, i), unit_out)


def clear_parts(found: Clearance, unit_out: str) -> list[ReportPart]:
    """Sections of the report page: plot with its caution, regions, the sum."""
    regions = [
        [
            region.name,
            ", ".join(f"{x:.0f}" for x in region.middle),
            format_length(region.gap, None, unit_out),
            _at(found, region.at, unit_out),
            region.nearest,
        ]
        for region in found.regions
    ]
    margin = found.margin
    asked = ""
    if margin.wanted is not None:
        why = in_unit(margin.why, unit_out)
        asked = f"\nAsked for: {format_length(margin.wanted, None, unit_out, with_unit=True)} ({why})."
        asked += f"\nVerdict: {margin.verdict_words(unit_out)}."
    return [
        ReportPart("Gap over the travel", _MEANING, svg=gap_plot(found, unit_out), where="before"),
        ReportPart(
            "What is left",
            f"{margin.sum_words(unit_out)}, at {_at(found, margin.at, unit_out)}.{asked}",
            caution=_CAUTION,
            where="before",
        ),
        ReportPart(
            "Regions of the moving part",
            "Smallest gap of each region over the whole travel; cloud.ply shows the tightest position in colours.",
            ("region", "middle, mm as given", "smallest gap", "at", "nearest fixed piece"),
            regions,
        ),
    ]
