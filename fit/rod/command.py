"""From what a user gives for a rod to everything that is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray, Points
from fit.results import Notice, Results, Source
from fit.rod.die import LEAST_RADIUS, Die, DieCheck, check_die, parse_coupon
from fit.rod.inputs import RodInputs
from fit.rod.measured import MeasuredRod, measure_rod
from fit.rod.record import RodFigures, exact_figures, failed_notices, rod_drawing, rod_parts, rod_record
from fit.rod.schedule import corners_of_schedule, schedule_of_corners
from fit.rod.shapes import features_of, surface_points
from fit.rod.strip import strip_pdf
from fit.rod.typed import parse_corners, parse_radius, parse_schedule, read_schedule
from fit.units import Length, named_length, parse_length

if TYPE_CHECKING:
    from fit.drawing.model import Drawing
    from fit.report.parts import ReportPart

__all__ = ["RodDone", "RodOptions", "finish"]


@dataclass(frozen=True, slots=True)
class RodOptions:
    """What the command line may say, as typed; lengths in numbers are mm."""

    rod_diameter: str
    radius: str | None = None
    unit: str | None = None
    tip: float | None = None
    tip_u: float = 0.003
    points: str | None = None
    corners: str | None = None
    schedule: str | None = None
    coupon: str | None = None
    grip: float = 0.0
    die_height: float = 0.0
    tight: bool = False
    paper: str = "a4"
    unit_out: str = "mm"


@dataclass(frozen=True, eq=False, slots=True)
class RodDone:
    """Everything that is written for a rod."""

    figures: RodFigures
    factor: float | None
    results: Results
    points: Points | None
    drawing: Drawing
    parts: Sequence[ReportPart]
    files: Mapping[str, bytes]


@dataclass(frozen=True, eq=False, slots=True)
class _Solved:
    """A rod from any kind of input, before checks."""

    figures: RodFigures
    corners: FloatArray
    measured: MeasuredRod | None = None
    notices: Sequence[Notice] = field(default=())


def finish(
    options: RodOptions, listed: tuple[Points, Sequence[Notice]] | None = None, corners: FloatArray | None = None
) -> RodDone:
    """Schedule, checks, marks and drawings of one rod.

    Parameters
    ----------
    listed : touches with what reading them told. corners : (n, 3) mm, of a file. Without either the options' texts
    are read. Raises InputError, CannotDetermine.
    """
    given = [listed is not None, options.corners is not None, options.schedule is not None]
    if sum(given) != 1:
        message = "Give one of: a point list FILE, --corners or --schedule."
        raise InputError(message)
    diameter = named_length(options.rod_diameter, "--rod-diameter")
    die = Die(_above_zero(diameter.value, "--rod-diameter"), options.grip, options.die_height)
    solved = _measured(options, diameter, listed) if listed else _typed(options, corners)
    factor = parse_coupon(options.coupon) if options.coupon else None
    checks = check_die(solved.figures.schedule, die)
    _refuse_tight(checks, options)
    return _done(options, solved, checks, factor)


def _above_zero(value: float, what: str) -> float:
    if not (math.isfinite(value) and value > 0):
        message = f"{what} must be above 0 mm; got {value:g}."
        raise InputError(message)
    return value


def _measured(options: RodOptions, diameter: Length, listed: tuple[Points, Sequence[Notice]]) -> _Solved:
    radius, radius_u = parse_radius(options.radius) if options.radius else ((), 0.0)
    tip = 0.0 if options.tip is None else _above_zero(options.tip, "--tip")
    inputs = RodInputs(
        diameter.value, (diameter.limit or 0.0) / math.sqrt(3), radius, radius_u, tip, options.tip_u, options.points
    )
    points, told = listed
    rod = measure_rod(points, inputs)
    figures = RodFigures(rod.schedule, rod.straight, rod.rotation, rod.bend, rod.radius, rod.cut_length)
    return _Solved(figures, rod.corners, rod, (*told, *rod.notices))


def _typed(options: RodOptions, corners: FloatArray | None) -> _Solved:
    unit = options.unit or "mm"
    radius, radius_u = parse_radius(options.radius) if options.radius else ((), 0.0)
    if options.schedule is not None:
        is_file = ";" not in options.schedule and Path(options.schedule).is_file()
        schedule = read_schedule(options.schedule) if is_file else parse_schedule(options.schedule, radius, unit)
        return _Solved(exact_figures(schedule, radius_u), corners_of_schedule(schedule))
    if not radius:
        message = "The bend radius is not known; give --radius MM (to the centre line)."
        raise CannotDetermine(message)
    points = parse_corners(options.corners or "", unit) if corners is None else corners
    schedule = schedule_of_corners(points, radius if len(radius) > 1 else radius[0])
    return _Solved(exact_figures(schedule, radius_u), points)


def _refuse_tight(checks: Sequence[DieCheck], options: RodOptions) -> None:
    failed = [check for check in checks if check.what == "radius" and not check.passed]
    if failed and not options.tight:
        message = (
            f"Bend {failed[0].place}: the radius {failed[0].value:.2f} mm is below {LEAST_RADIUS:g} rod diameters "
            f"({failed[0].limit:.2f} mm), where cold bar cracks or kinks; take a larger die, or --tight to go on."
        )
        raise CannotDetermine(message)


def _done(options: RodOptions, solved: _Solved, checks: Sequence[DieCheck], factor: float | None) -> RodDone:
    figures, rod = solved.figures, solved.measured
    source = rod.touches.points.source if rod else ""
    name = Path(source).stem if source else "bent rod"
    table = rod_record(figures, checks, factor)
    table["corners"] = _corners(solved)
    whole = all(value is not None for value in figures.straight)
    files = {}
    if whole:
        files["marks.pdf"] = strip_pdf(figures.schedule, parse_length(options.rod_diameter).value, name, options.paper)
    results = Results(
        frame=rod.touches.points.frame if rod else "as typed",
        sources=[Source.of(source)] if source else [],
        features=features_of(rod) if rod else [],
        warnings=[*solved.notices, *failed_notices(checks)],
        tables={"rod": table},
    )
    return RodDone(
        figures,
        factor,
        results,
        surface_points(rod) if rod else None,
        rod_drawing(figures, solved.corners, name),
        rod_parts(figures, checks, factor, options.unit_out),
        files,
    )


def _corners(solved: _Solved) -> list[dict[str, Any]]:
    """Corner points of the centre line with U95 where they were measured."""
    spread = np.zeros(solved.corners.shape)
    if solved.measured:
        spread = solved.measured.corner_u95()
    return [
        {axis: {"value": float(v), "u95": float(u)} for axis, v, u in zip("xyz", at, by, strict=True)}
        for at, by in zip(solved.corners, spread, strict=True)
    ]
