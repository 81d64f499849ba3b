"""From what a user gives for a bent part to everything that is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fit.bend.blank import blank_drawing, coupon_drawing, hole_place
from fit.bend.checks import check_holes, check_legs, check_radius, curved_flange
from fit.bend.coupon import coupon_of_measures, store_coupon
from fit.bend.faces import MeasuredFaces, measure_faces
from fit.bend.flat import BendPart, FlatBlank, Input, develop
from fit.bend.joggle import joggle
from fit.bend.overbend import over_bend
from fit.bend.record import bend_lines, bend_parts, bend_record, coupon_lines, coupon_record
from fit.bend.rule import KRule, Setting, rule_of
from fit.bend.typed import WIDEST, parse_angles, parse_hole, parse_inputs, parse_joggle, parse_thickness
from fit.errors import InputError
from fit.results import Notice, Results, Source

if TYPE_CHECKING:
    from fit.drawing.model import Drawing
    from fit.report.parts import ReportPart

__all__ = ["BendDone", "BendOptions", "finish"]

_STRIP = 50.0
"""Width of the blank where none is given, mm."""


@dataclass(frozen=True, slots=True)
class BendOptions:
    """What the command line or a job's [bend] table may say, as typed."""

    legs: str | None = None
    angles: str | None = None
    radius: str | None = None
    thickness: str | None = None
    k: str | None = None
    legs_to: str = "sharp"
    unit: str = "mm"
    material: str | None = None
    grain: str = "unknown"
    width: float | None = None
    holes: tuple[str, ...] = ()
    faces: str | None = None
    results: str | None = None
    springback: str | None = None
    outline: bool = False
    flanges: tuple[str, ...] = ()
    joggle: str | None = None
    curved: str | None = None
    coupons: str | None = None
    coupon: str | None = None
    blank: str | None = None
    tool_angle: str | None = None
    store: str | None = None
    coupon_sheet: bool = False
    unit_out: str = "mm"


@dataclass(frozen=True, eq=False, slots=True)
class BendDone:
    """Everything that is written: results, drawing, report parts, and lines for the terminal."""

    results: Results
    lines: Sequence[str]
    drawing: Drawing | None = None
    parts: Sequence[ReportPart] = ()
    notices: Sequence[Notice] = field(default=())


def finish(options: BendOptions) -> BendDone:
    """Do what the options ask: a coupon sheet, a coupon's sums, or the blank of a part.

    Raises InputError, CannotDetermine with one line that says what to mend.
    """
    if options.coupon_sheet:
        return BendDone(Results(frame="coupon to print"), ["coupon sheet drawn"], coupon_drawing())
    if options.coupon:
        return _coupon(options)
    if options.outline or options.flanges:
        return _flanged(options)
    _refuse_unused(options)
    return _part(options)


def _refuse_unused(options: BendOptions) -> None:
    """A file that is named but not read would look as if it had been."""
    measured = (options.radius or "").partition(":")[0] in ("inside", "outside")
    if options.results and not (options.faces or measured):
        message = (
            f"{options.results} is given, but nothing is taken from it; add --faces, --radius inside:NAME or --outline."
        )
        raise InputError(message)
    if options.coupons and not (options.k or "").startswith("coupon"):
        message = f"--coupons {options.coupons} is given, but no coupon is named; add --k coupon:NAME."
        raise InputError(message)


def _need(value: str | None, option: str) -> str:
    if not value:
        message = f"{option} is missing; see 'edgewright bend --help'."
        raise InputError(message)
    return value


def _coupon(options: BendOptions) -> BendDone:
    legs = parse_inputs(_need(options.legs, "--legs"), "--legs", options.unit)
    if len(legs) != 2:
        message = f"--legs '{options.legs}': a coupon has two outside legs."
        raise InputError(message)
    angle = parse_angles(options.angles)[0] if options.angles else None
    coupon = coupon_of_measures(
        options.coupon or "",
        parse_inputs(_need(options.blank, "--blank"), "--blank", options.unit)[0],
        (legs[0], legs[1]),
        parse_inputs(_need(options.radius, "--radius"), "--radius", options.unit)[0],
        parse_thickness(_need(options.thickness, "--thickness"), options.unit),
        angle,
        parse_angles(options.tool_angle)[0].value if options.tool_angle else None,
    )
    if options.store:
        store_coupon(options.store, coupon)
    results = Results(frame="as typed", tables={"bend": coupon_record(coupon)})
    return BendDone(results, coupon_lines(coupon), coupon_drawing())


def _flanged(options: BendOptions) -> BendDone:
    """Flanges along straight edges of a measured outline; without any, its edges with their numbers."""
    from fit.bend.flanged import flanged_blank, parse_flange
    from fit.resultfile import read_results

    found = read_results(_need(options.results, "RESULTS"))
    flanges = [parse_flange(text, options.unit) for text in options.flanges]
    sheet, rule = (Input(0.0), Input(1.0)), None
    if flanges:
        radius = parse_inputs(_need(options.radius, "--radius"), "--radius", options.unit)[0]
        thickness = parse_thickness(_need(options.thickness, "--thickness"), options.unit)
        sheet = (radius, thickness)
        angles = [flange.angle.value for flange in flanges]
        rule = rule_of(options.k, Setting(angles, [radius.value], thickness.value, options.material, options.coupons))
    made = flanged_blank(found, flanges, sheet, rule, options.unit_out)
    results = replace(
        found,
        sources=[_source(options)],
        features=found.features,
        warnings=[*made.notices],
        tables={"bend": made.table},
        details={},
    )
    return BendDone(results, made.lines, made.drawing, made.parts)


def _part(options: BendOptions) -> BendDone:
    thickness = parse_thickness(_need(options.thickness, "--thickness"), options.unit)
    radius = _radius(options, thickness)
    measured = _faces(options) if options.faces else None
    angles = _angles(options, measured)
    legs = _legs(options, measured)
    typed = tuple(angle.value for angle in angles)
    setting = Setting(typed, [r.value for r in radius], thickness.value, options.material, options.coupons)
    part = BendPart(legs, angles, radius, thickness, (0.0,), legs_to="marked" if measured else options.legs_to)
    develop(part)  # refuses impossible sizes before the choice of K is asked for
    rule = rule_of(options.k, setting)
    blank = develop(replace(part, k=rule.k, k_error=rule.error))
    return _done(options, blank, rule)


def _radius(options: BendOptions, thickness: Input) -> tuple[Input, ...]:
    """Inside radius as typed, or of a measured cylinder: ``inside:NAME``, or ``outside:NAME`` less the thickness."""
    text = _need(options.radius, "--radius")
    side, _, name = text.partition(":")
    if side not in ("inside", "outside"):
        return parse_inputs(text, "--radius", options.unit)
    from fit.resultfile import read_results

    found = [f for f in read_results(_need(options.results, "RESULTS")).features if f.name == name]
    if not found or found[0].kind != "cylinder":
        message = f"--radius {text}: '{name}' is not a measured cylinder of {options.results}."
        raise InputError(message)
    diameter = found[0].value("diameter")
    less = thickness.value if side == "outside" else 0.0
    return (Input(diameter.value / 2 - less, u=diameter.u95 / 1.96 / 2),)


def _faces(options: BendOptions) -> MeasuredFaces:
    from fit.resultfile import read_results

    known = {feature.name: feature for feature in read_results(_need(options.results, "RESULTS")).features}
    names = [name.strip() for name in (options.faces or "").split(",")]
    missing = [name for name in names if name not in known]
    if missing:
        message = f"--faces: '{missing[0]}' is not in {options.results}; it has {', '.join(known)}."
        raise InputError(message)
    return measure_faces([known[name] for name in names])


def _source(options: BendOptions) -> Source:
    """The result that was read, by its file."""
    path = Path(options.results or "")
    return Source.of(path / "results.json" if path.is_dir() else path)


def _angles(options: BendOptions, measured: MeasuredFaces | None) -> tuple[Input, ...]:
    if measured is None:
        return parse_angles(_need(options.angles, "--angles"))
    if options.angles:
        message = "Give --angles or --faces, not both."
        raise InputError(message)
    return tuple(Input(value.value, u=value.u95 / 1.96) for value in measured.angles)


def _legs(options: BendOptions, measured: MeasuredFaces | None) -> tuple[Input, ...]:
    """Typed legs; with faces, '?' stands for a leg between two measured corners."""
    text = _need(options.legs, "--legs")
    parts = [part.strip() for part in text.split(",")]
    if "?" not in parts:
        return parse_inputs(text, "--legs", options.unit)
    legs: list[Input] = []
    for i, part in enumerate(parts):
        if part != "?":
            legs += parse_inputs(part, "--legs", options.unit)
        elif measured is None or not 1 <= i <= len(measured.legs):
            message = f"--legs '{text}': leg {i + 1} has no measured corner at both ends; type its length."
            raise InputError(message)
        else:
            legs.append(Input(measured.legs[i - 1].value, u=measured.legs[i - 1].u95 / 1.96))
    return tuple(legs)


def _done(options: BendOptions, blank: FlatBlank, rule: KRule) -> BendDone:
    holes = [parse_hole(text) for text in options.holes]
    for hole in holes:
        if not 1 <= hole.leg <= len(blank.flats):
            message = f"--hole '{hole.name}': leg {hole.leg} does not exist; the part has {len(blank.flats)}."
            raise InputError(message)
    if options.width is not None and not 0 < options.width <= WIDEST:
        message = f"--width must be above 0 and at most {WIDEST:g} mm; got {options.width:g}."
        raise InputError(message)
    edges = [
        (hole.name, hole_place(blank, hole) - hole.diameter / 2, hole_place(blank, hole) + hole.diameter / 2, "hole")
        for hole in holes
    ]
    back = over_bend(options.springback, blank, rule)
    notices = [*rule.notices, *_warned(options, blank), *check_holes(blank, edges)]
    table = bend_record(blank, rule.words, back) | _extras(options, blank)
    drawing = blank_drawing(blank, options.width or _STRIP, holes, unit_out=options.unit_out)
    results = Results(
        frame="blank: along its length from the first edge, across from the lower edge",
        sources=[_source(options)] if options.results else [],
        warnings=notices,
        tables={"bend": table},
    )
    lines = [*bend_lines(blank, rule.words, back, options.unit_out), *_extra_lines(table)]
    return BendDone(results, lines, drawing, bend_parts(blank, rule.words, back, options.unit_out), notices)


def _warned(options: BendOptions, blank: FlatBlank) -> list[Notice]:
    notices = check_legs(blank)
    if options.material:
        notices += check_radius(blank, options.material, options.grain)
    else:
        text = "The material is not given, so no minimum radius was checked; give --material and --grain."
        notices.append(Notice("material-unknown", text))
    if options.width is None:
        text = f"The blank is drawn {_STRIP:g} mm wide; give --width."
        notices.append(Notice("width-assumed", text))
    if options.legs_to == "sharp" and any(abs(angle.value) > math.radians(90.1) for angle in blank.part.angles):
        text = "Past 90° the sharp corner lies outside the part; for over-all sizes give --legs-to tangent."
        notices.append(Notice("sharp-corner", text))
    return notices


def _extras(options: BendOptions, blank: FlatBlank) -> dict[str, Any]:
    extras: dict[str, Any] = {}
    radius, thickness = blank.part.radius[0].value, blank.part.thickness.value
    if options.joggle:
        depth, angle, run = parse_joggle(options.joggle)
        made = joggle(depth, radius, thickness, float(blank.k[0]), angle, run)
        extras["joggle"] = {"depth": made.depth, "angle": math.degrees(made.angle), "straight": made.straight}
        extras["joggle"] |= {"run": made.run, "developed": made.developed, "gained": made.gained}
    if options.curved:
        extras["curved_flange"] = _curved(options, thickness)
    return extras


def _curved(options: BendOptions, thickness: float) -> dict[str, Any]:
    parts = (options.curved or "").split(":")
    if len(parts) != 3 or parts[2] not in ("in", "out"):
        message = f"--curved '{options.curved}': write RADIUS:WIDTH:in for a hole's edge or RADIUS:WIDTH:out for an outer one."
        raise InputError(message)
    radius, width = (parse_inputs(part, "--curved")[0].value for part in parts[:2])
    made = curved_flange(radius, width, parts[2] == "out", options.material or "steel", thickness)
    return {"strain": made.strain, "text": made.words}


def _extra_lines(table: Mapping[str, Any]) -> list[str]:
    lines = []
    if "joggle" in table:
        made = table["joggle"]
        lines.append(
            f"joggle {made['depth']:g} deep: two bends of {made['angle']:.2f}°, straight {made['straight']:.2f}, "
            f"run {made['run']:.2f}, developed {made['developed']:.2f} mm"
        )
    if "curved_flange" in table:
        lines.append(table["curved_flange"]["text"])
    return lines
