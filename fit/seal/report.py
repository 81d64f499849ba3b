"""What people read of a seal: the lines on the terminal and the parts of the report page."""

from __future__ import annotations

import math

from fit.report.parts import ReportPart
from fit.seal.corners import Corner
from fit.seal.demands import demand_words, demands_met
from fit.seal.picture import compression_chart, part_picture
from fit.seal.profile import FLEX, JOINT_STEP, SET_SHARE
from fit.seal.seal import SealPlan
from fit.seal.squeeze import fitting_heights
from fit.uncertain import Value
from fit.units import format_length, in_unit

__all__ = ["seal_lines", "seal_parts"]

_CAUTION = (
    "Test-fit by hand with soft blocks, never by latch force. A seal that keeps fumes or water from cells or "
    "people needs "
    "its own proof."
)


def seal_lines(plan: SealPlan, unit_out: str) -> list[str]:
    """The short table on the terminal."""
    return [f"{name:<13} {words}" for name, words in _rows(plan, unit_out)] + [
        *(f"{notice.code}: {in_unit(notice.text, unit_out)}" for notice in plan.notices),
        "",
        _CAUTION,
    ]


def _rows(plan: SealPlan, unit_out: str) -> list[tuple[str, str]]:
    line = plan.line
    aside = f"{_told(abs(line.offset), unit_out)} {line.lies} of the edge"
    rows = [
        (
            "cut",
            f"{_size(plan.cut, unit_out)} with {_told(plan.allowance, unit_out)} allowance ({plan.rule.source})",
        ),
        ("seal's line", f"{_size(line.length, unit_out)}, {aside}"),
        ("edge", _size(line.edge.feature.value("length"), unit_out)),
        ("change", _change(plan, unit_out)),
    ]
    if plan.tolerance is not None:
        rows.append(("cut limits", f"±{_told(plan.tolerance.limit, unit_out)} ({plan.tolerance.source})"))
    rows += [(f"corner {corner.direction}", _corner(corner, unit_out)) for corner in plan.corners]
    if plan.joint is not None:
        step = f"its step under {_told(JOINT_STEP, unit_out)} (scope of a vehicle maker's seal standard)"
        rows.append(("joint", f"{_told(plan.joint.at, unit_out)} along, piece {plan.joint.segment}; {step}"))
    rows += _squeeze_rows(plan, unit_out)
    if words := demand_words(plan):
        rows.append(("demanded", f"{words}: {'all met' if demands_met(plan) else 'exit code 3'}"))
    return rows


def _size(value: Value, unit_out: str) -> str:
    return format_length(value.value, value.u95, unit_out, with_unit=True)


def _told(mm: float, unit_out: str) -> str:
    return format_length(mm, None, unit_out, with_unit=True)


def _change(plan: SealPlan, unit_out: str) -> str:
    line = plan.line
    moved = line.length.value - line.edge.feature["length"]
    gives = f"gives {'+' if moved >= 0 else ''}{_told(moved, unit_out)}"
    if line.edge.closed:
        return f"closed loop: d sideways changes the length by 2π·d; {_told(abs(line.offset), unit_out)} {gives}"
    turn = math.degrees(line.edge.turn.value)
    return f"{_told(abs(line.offset), unit_out)} sideways over a turn of {turn:.1f}° {gives}"


def _corner(corner: Corner, unit_out: str) -> str:
    own = _told(corner.line_radius, unit_out)
    words = f"edge R {_size(corner.edge_radius, unit_out)}, seal's line R {own}"
    words += (
        f", turn {math.degrees(abs(corner.turn)):.0f}°, at {_told(corner.at, unit_out)}, bulb on the {corner.direction}"
    )
    if corner.strain is not None:
        words += f", strain {100 * corner.strain:.0f} % (offset / R)"
    if corner.limit is not None and corner.limit_known:
        words += f"; needs {_told(corner.limit, unit_out)} (profile's sheet): {corner.verdict}"
    elif corner.limit is not None:
        words += f"; advice: {_told(corner.limit, unit_out)} by common practice (no source), {corner.advice}"
    return words


def _squeeze_rows(plan: SealPlan, unit_out: str) -> list[tuple[str, str]]:
    if plan.gaps is None:
        return []
    wanted, gaps = plan.profile.wanted, plan.gaps.gap.tolist()
    low, high = fitting_heights(gaps, wanted)
    heights = _told(low, unit_out), _told(high, unit_out)
    fits = f"{heights[0]} to {heights[1]}" if low <= high else f"none (at least {heights[0]}, at most {heights[1]})"
    spread = f"{_told(min(gaps), unit_out)} to {_told(max(gaps), unit_out)}"
    rows = [
        ("gap", f"{spread} at {len(gaps)} places ({plan.gaps.source})"),
        ("free height", f"{fits} would keep every place within {100 * wanted.least:g} to {100 * wanted.most:g} %"),
    ]
    if plan.squeezes:
        shares = [100 * squeeze.share for squeeze in plan.squeezes]
        range_words = f"wanted {100 * wanted.least:g} to {100 * wanted.most:g} % ({wanted.source})"
        if min(shares) <= 0:
            open_places = sum(share <= 0 for share in shares)
            rows.append(("no contact", f"at {open_places} of {len(shares)} places the gap is wider than the seal"))
        if max(shares) > 0:
            span = f"{max(min(shares), 0):.0f} to {max(shares):.0f} %"
            rows.append(("compression", f"{span} = (free - gap) / free, {range_words}"))
        if min(shares) > 0:
            set_words = f"{100 * SET_SHARE:g} % of the squeeze has set (common practice, no source)"
            rows.append(("after set", f"least {(1 - SET_SHARE) * min(shares):.0f} % once {set_words}"))
            flexed = max(0.0, min(shares) - 100 * FLEX / (plan.profile.free or math.inf))
            flex_words = f"a panel that gives {_told(FLEX, unit_out)} (common practice, no source)"
            rows.append(("with flex", f"least {flexed:.0f} % under {flex_words}; take off hinge and latch play too"))
    return rows


def seal_parts(plan: SealPlan, unit_out: str) -> list[ReportPart]:
    """Sections of the report page."""
    parts = [
        ReportPart(
            "Seal", rows=[list(row) for row in _rows(plan, unit_out)], head=("", ""), caution=_CAUTION, where="before"
        )
    ]
    if plan.squeezes:
        text = "Green lies in the range, blue is too loose, red too tight, orange not proven; figures are percent."
        text += " The cross is the joint." if plan.joint is not None else ""
        parts.append(ReportPart("Compression on the part", text, svg=part_picture(plan), where="before"))
        rows = [
            [
                format_length(s.at, None, unit_out),
                format_length(s.gap, s.gap_u95, unit_out),
                f"{100 * s.share:.1f}" + ("" if s.u95 is None else f" ±{100 * s.u95:.1f}"),
                s.verdict,
            ]
            for s in plan.squeezes
        ]
        head = ("along", "gap", "compression, %", "verdict")
        parts.append(
            ReportPart("Compression along the path", "(free - gap) / free", head, rows, compression_chart(plan))
        )
    return parts
