"""What people read of a clearance check: the lines on the terminal and the parts of the report page."""

from __future__ import annotations

from fit.clearance.clearance import Clearance
from fit.clearance.motion import position_words
from fit.clearance.picture import gap_plot
from fit.report.parts import ReportPart
from fit.units import format_length

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
    f, m = (", ".join(f"{value:.2f}" for value in point) for point in (swept.fixed_point[at], swept.moving_point[at]))
    lines = [
        f"smallest gap  {_gap(found, at, unit_out)}{unit} at {_at(found, at)}",
        f"between       fixed ({f}) and moving ({m}) mm, in the fixed part's axes",
        f"left over     {found.margin.sum_words()}, at {_at(found, found.margin.at)}{_elsewhere(found)}",
    ]
    if found.margin.wanted is not None:
        lines.append(
            f"asked for     {format_length(found.margin.wanted, None, unit_out)}{unit} ({found.margin.why}): "
            f"{found.margin.verdict}"
        )
    lines += [f"{notice.code}: {notice.text}" for notice in found.notices]
    return [*lines, "", _CAUTION]


def _gap(found: Clearance, i: int, unit_out: str) -> str:
    error = found.swept.errors[i]
    return format_length(float(found.swept.gap[i]), None if error is None else error.u95, unit_out)


def _elsewhere(found: Clearance) -> str:
    """Words for a sum that stands for another position than the smallest gap."""
    if found.margin.at == found.swept.tightest:
        return ""
    return " (not where the gap is smallest: here movement brings the parts nearer)"


def _at(found: Clearance, i: int) -> str:
    return position_words(found.swept.motion, i)


def clear_parts(found: Clearance, unit_out: str) -> list[ReportPart]:
    """Sections of the report page: plot with its caution, regions, the sum."""
    regions = [
        [
            region.name,
            ", ".join(f"{x:.0f}" for x in region.middle),
            format_length(region.gap, None, unit_out),
            _at(found, region.at),
            region.nearest,
        ]
        for region in found.regions
    ]
    margin = found.margin
    asked = (
        ""
        if margin.wanted is None
        else f"\nAsked for: {format_length(margin.wanted, None, unit_out)} ({margin.why}). Verdict: {margin.verdict}."
    )
    return [
        ReportPart("Gap over the travel", _MEANING, svg=gap_plot(found, unit_out), where="before"),
        ReportPart("What is left", f"{margin.sum_words()}, at {_at(found, margin.at)}.{asked}", where="before"),
        ReportPart(
            "Regions of the moving part",
            "Smallest gap of each region over the whole travel; cloud.ply shows the tightest position in colours.",
            ("region", "middle, mm as given", "smallest gap", "at", "nearest fixed piece"),
            regions,
            caution=_CAUTION,
        ),
    ]
