"""A bent part as results.json holds it and as people read it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.bend.blank import bend_words
from fit.bend.checks import relief_of
from fit.bend.coupon import Coupon
from fit.bend.flat import FlatBlank
from fit.units import format_angle, format_length

if TYPE_CHECKING:
    from fit.report.parts import ReportPart

__all__ = ["CAUTIONS", "bend_lines", "bend_parts", "bend_record", "coupon_lines", "coupon_record"]

CAUTIONS = (
    "Fresh-cut edges and coupons cut: deburr, gloves. Welding zinc, grinding resin or glass: mask, extraction.",
    "This is a measurement, not an approval. Brakes, steering, seat and belt anchorages, towing, battery mounting and "
    "body cutting need a qualified person and your local vehicle rules.",
    "Spring steel, hardened and safety parts are not to be bent cold by these tables.",
)
_FORMULA = "flat length = Σ straight pieces + Σ A (R + K T); set-back = (R + T) tan(A/2); deduction = legs less flat"


def bend_record(blank: FlatBlank, rule: str, springback: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The table under ``bend``: mm and degrees; the blank's length and the angles as {"value", "u95"}."""
    part = blank.part
    record: dict[str, Any] = {
        "flat_length": {"value": blank.length, "u95": blank.u95},
        "budget": blank.budget,
        "thickness": _input(part.thickness),
        "legs": [_input(leg) for leg in part.legs],
        "legs_to": part.legs_to,
        "flats": blank.flats.tolist(),
        "bends": [_bend(blank, i, springback) for i in range(len(part.angles))],
        "rule": rule,
        "formula": _FORMULA,
        "relief": _relief(blank),
    }
    if springback:
        record["springback"] = {key: springback[key] for key in ("words", "factor") if key in springback}
    return {**record, "cautions": list(CAUTIONS)}


def _input(item: Any) -> dict[str, float]:
    """A typed or measured number; u95 is that of its standard uncertainty."""
    return {"value": item.value, "u95": 1.96 * item.standard}


def _bend(blank: FlatBlank, i: int, springback: Mapping[str, Any] | None) -> dict[str, Any]:
    angle = blank.part.angles[i]
    radius = blank.part.radius[i if len(blank.part.radius) > 1 else 0]
    start, middle, end = blank.lines[i].tolist()
    record: dict[str, Any] = {
        "angle": {"value": math.degrees(angle.value), "u95": math.degrees(1.96 * angle.standard)},
        "direction": "up" if angle.value > 0 else "down",
        "radius": _input(radius),
        "k": float(blank.k[i]),
        "allowance": float(blank.allowance[i]),
        "setback": float(blank.setback[i]),
        "deduction": float(blank.deduction[i]),
        "line": {"start": start, "middle": middle, "end": end},
    }
    if springback:
        record["tool_angle"] = {"value": math.degrees(springback["angles"][i])}
    return record


def _relief(blank: FlatBlank) -> dict[str, float]:
    relief = relief_of(max(item.value for item in blank.part.radius), blank.part.thickness.value)
    return {"width": relief.width, "depth": relief.depth, "corner_hole": relief.corner_hole}


def _cells(blank: FlatBlank, springback: Mapping[str, Any] | None, unit_out: str) -> tuple[list[str], list[list[str]]]:
    head = ["bend", "what", "K", "allowance", "set-back", "deduction", "line at"]
    rows = []
    for i in range(len(blank.part.angles)):
        figures = (blank.allowance[i], blank.setback[i], blank.deduction[i], blank.lines[i, 1])
        cells = [str(i + 1), bend_words(blank, i), f"{blank.k[i]:.3f}"]
        cells += [format_length(float(figure), None, unit_out) for figure in figures]
        rows.append(cells + ([format_angle(springback["angles"][i])] if springback else []))
    return (head + (["bend to"] if springback else [])), rows


def bend_lines(blank: FlatBlank, rule: str, springback: Mapping[str, Any] | None, unit_out: str) -> list[str]:
    """The table as lines for the terminal."""
    head, rows = _cells(blank, springback, unit_out)
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in [head, *rows]]
    return [*lines, f"flat length {format_length(blank.length, blank.u95 or None, unit_out)}", rule]


def bend_parts(blank: FlatBlank, rule: str, springback: Mapping[str, Any] | None, unit_out: str) -> list[ReportPart]:
    """Sections of the report: blank, where its ± comes from, cautions."""
    from fit.report.parts import ReportPart

    head, rows = _cells(blank, springback, unit_out)
    told = format_length(blank.length, blank.u95 or None, unit_out)
    text = f"Flat length {told} ({unit_out}, ± is U95). {rule}. {_FORMULA}."
    if springback:
        text += f" Bend to: {springback['words']}."
    shares = [[name, format_length(share, None, unit_out)] for name, share in blank.budget.items()]
    parts = [ReportPart("Flat blank", text, head, rows, where="before")]
    if shares:
        parts.append(ReportPart("Where the ± of the flat length comes from", "", ["input", "part of U95"], shares))
    return [*parts, ReportPart("Caution", caution=" ".join(CAUTIONS))]


def coupon_record(coupon: Coupon) -> dict[str, Any]:
    """A coupon under ``bend``: mm and degrees."""
    record: dict[str, Any] = {
        "coupon": coupon.name,
        "k": {"value": coupon.k, "u95": 1.96 * coupon.u_k},
        "deduction": {"value": coupon.deduction},
        "angle": {"value": math.degrees(coupon.angle)},
        "radius": {"value": coupon.radius},
        "thickness": {"value": coupon.thickness},
        "formula": "K = ((blank − flats)/A − R)/T; flats = outside legs less set-backs (R + T) tan(A/2)",
        "cautions": list(CAUTIONS),
    }
    if coupon.springback is not None:
        record["springback_factor"] = {"value": coupon.springback}
    return record


def coupon_lines(coupon: Coupon) -> list[str]:
    """A coupon for the terminal."""
    lines = [
        f"coupon '{coupon.name}': K {coupon.k:.3f} ±{1.96 * coupon.u_k:.3f}",
        f"deduction {coupon.deduction:.3f} mm at {np.degrees(coupon.angle):.4g}°",
    ]
    if coupon.springback is not None:
        lines.append(f"springback: {coupon.springback:.4f} of the tool angle stays")
    return lines
