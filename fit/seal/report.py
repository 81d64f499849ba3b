"""What people read of a seal: the lines on the terminal and the parts of the report page."""

from __future__ import annotations

import math

from fit.report.parts import ReportPart
from fit.seal.corners import Corner
from fit.seal.picture import compression_chart, part_picture
from fit.seal.seal import SealPlan
from fit.seal.squeeze import fitting_heights
from fit.uncertain import Value
from fit.units import format_length

__all__ = ["seal_lines", "seal_parts"]

_CAUTION = (
    "Test-fit by hand with soft blocks, never by latch force. A seal that keeps fumes or water from cells or "
    "people needs "
    "its own proof."
)


def seal_lines(plan: SealPlan, unit_out: str) -> list[str]:
    """The short table on the terminal."""
    return [f"{name:<13} {words}" for name, words in _rows(plan, unit_out)] + [
        *(f"{notice.code}: {notice.text}" for notice in plan.notices),
        "",
        _CAUTION,
    ]


def _rows(plan: SealPlan, unit_out: str) -> list[tuple[str, str]]:
    line = plan.line
    unit = {"mm": " mm", "inch": " in"}.get(unit_out, "")
    rows = [
        ("edge", f"{_size(line.edge.feature.value('length'), unit_out)}{unit}"),
        (
            "seal's line",
            f"{_size(line.length, unit_out)}{unit}, {format_length(line.offset, None, unit_out)} {line.side} of "
            "the edge",
        ),
        ("change", _change(plan)),
        ("cut", f"{_size(plan.cut, unit_out)}{unit} with {plan.allowance:.1f} mm allowance ({plan.rule.source})"),
    ]
    if plan.tolerance is not None:
        rows.append(("cut limits", f"±{plan.tolerance.limit:g} mm ({plan.tolerance.source})"))
    rows += [(f"corner {corner.direction}", _corner(corner, unit_out)) for corner in plan.corners]
    if plan.joint is not None:
        rows.append(("joint", f"{plan.joint.at:.0f} mm along, piece {plan.joint.segment}"))
    return rows + _squeeze_rows(plan)


def _size(value: Value, unit_out: str) -> str:
    return format_length(value.value, value.u95, unit_out)


def _change(plan: SealPlan) -> str:
    line = plan.line
    moved = line.length.value - line.edge.feature["length"]
    if line.edge.closed:
        return f"closed loop: d sideways changes the length by 2π·d; {abs(line.offset):g} mm gives {moved:+.2f} mm"
    turn = math.degrees(line.edge.turn.value)
    return f"{abs(line.offset):g} mm sideways over a turn of {turn:.1f}° gives {moved:+.2f} mm"


def _corner(corner: Corner, unit_out: str) -> str:
    own = format_length(corner.line_radius, None, unit_out)
    words = f"edge R {_size(corner.edge_radius, unit_out)}, seal's line R {own}"
    words += f", turn {math.degrees(abs(corner.turn)):.0f}°, at {corner.at:.0f} mm, bulb on the {corner.direction}"
    if corner.strain is not None:
        words += f", strain {100 * corner.strain:.0f} %"
    if corner.limit is not None:
        source = "profile's sheet" if corner.limit_known else "common practice, no source"
        words += f"; needs {corner.limit:g} mm ({source}): {corner.verdict}"
    return words


def _squeeze_rows(plan: SealPlan) -> list[tuple[str, str]]:
    if plan.gaps is None:
        return []
    wanted, gaps = plan.profile.wanted, plan.gaps.gap.tolist()
    low, high = fitting_heights(gaps, wanted)
    fits = f"{low:.1f} to {high:.1f} mm" if low <= high else f"none (from {low:.1f} up to {high:.1f} mm)"
    rows = [
        ("gap", f"{min(gaps):.2f} to {max(gaps):.2f} mm at {len(gaps)} places ({plan.gaps.source})"),
        ("free height", f"{fits} would keep every place within {100 * wanted.least:g} to {100 * wanted.most:g} %"),
    ]
    if plan.squeezes:
        shares = [100 * squeeze.share for squeeze in plan.squeezes]
        rows.append(
            (
                "compression",
                f"{min(shares):.0f} to {max(shares):.0f} %, wanted {100 * wanted.least:g} to {100 * wanted.most:g} "
                f"% ({wanted.source})",
            )
        )
        rows.append(
            (
                "after set",
                f"least {0.8 * min(shares):.0f} % once 20 % of the squeeze has set (common practice, no source)",
            )
        )
    return rows


def seal_parts(plan: SealPlan, unit_out: str) -> list[ReportPart]:
    """Sections of the report page."""
    parts = [
        ReportPart(
            "Seal", rows=[list(row) for row in _rows(plan, unit_out)], head=("", ""), caution=_CAUTION, where="before"
        )
    ]
    if plan.squeezes:
        text = "Green lies in the range, blue is too loose, red too tight, orange not proven. The cross is the joint."
        parts.append(ReportPart("Compression on the part", text, svg=part_picture(plan), where="before"))
        rows = [
            [
                f"{s.at:.0f}",
                format_length(s.gap, s.gap_u95, unit_out),
                f"{100 * s.share:.1f}" + ("" if s.u95 is None else f" ±{100 * s.u95:.1f}"),
                s.verdict,
            ]
            for s in plan.squeezes
        ]
        head = ("along, mm", "gap", "compression, %", "verdict")
        parts.append(
            ReportPart("Compression along the path", "(free - gap) / free", head, rows, compression_chart(plan))
        )
    return parts
