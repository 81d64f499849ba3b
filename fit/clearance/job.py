"""From the options of `edgewright clear` to its result folder."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from fit.clearance.body import read_body
from fit.clearance.clearance import Clearance, Demand, clear, clear_table
from fit.clearance.hinge import fit_hinge, read_marks
from fit.clearance.margin import SITUATIONS, Tolerance
from fit.clearance.motion import Motion, hinge_motion, parse_axis, parse_range, parse_vector, read_poses, slide_motion
from fit.errors import InputError
from fit.results import Results, Source
from fit.units import parse_length

__all__ = ["DEFAULTS", "check_clear", "clear_files", "motion_of", "run_clear"]

Options = Mapping[str, Any]
Progress = Callable[[Iterable[int]], Iterable[int]]


DEFAULTS: Mapping[str, Any] = MappingProxyType(
    {
        "fixed": (),
        "moving": (),
        "hinge": None,
        "hinge_marks": None,
        "angles": None,
        "slide": None,
        "travel": None,
        "poses": None,
        "unit": None,
        "cloud_u": None,
        "section": None,
        "play": 0.0,
        "rock": "0,0,0",
        "wanted": None,
        "situation": None,
    }
)
"""Options of the command, which are also the keys of a job's clear table, and what they are when left out."""


def run_clear(
    out: Path, replace: bool, unit_out: str, options: Options, progress: Progress = iter
) -> tuple[Clearance, Results, dict[str, Any]]:
    """Read both parts, sweep, write the result folder; returns the finding, the results and their record."""
    from fit.clearance.picture import coloured_ply, tightest_drawing
    from fit.clearance.report import clear_parts
    from fit.outputs import write_result

    found = check_clear(options, progress)
    results = Results(
        frame="axes of the fixed part's file",
        sources=[Source.of(path) for path in clear_files(options)],
        warnings=found.notices,
        tables={"clear": clear_table(found)},
    )
    record = write_result(
        out,
        results,
        replace=replace,
        unit_out=unit_out,
        files={"cloud.ply": coloured_ply(found)},
        drawing=tightest_drawing(found, unit_out),
        report_parts=clear_parts(found, unit_out),
    )
    return found, results, record


def check_clear(options: Options, progress: Progress = iter) -> Clearance:
    """The clearance that options (keys of `DEFAULTS`, lengths as text or mm) ask for; nothing is written.

    Raises InputError for options that make no sense and for files that cannot be read.
    """
    asked = _settled(options)
    motion = motion_of(asked)
    tolerance = Tolerance(asked["play"], _three(str(asked["rock"])))
    demand = Demand(asked["wanted"], asked["situation"])
    read = (asked["unit"], asked["cloud_u"], asked["section"])
    fixed, moving = read_body(asked["fixed"], *read), read_body(asked["moving"], *read)
    return clear(fixed, moving, motion, tolerance, demand, progress=progress)


def _settled(options: Options) -> dict[str, Any]:
    """Options with defaults, files as paths, lengths in mm."""
    asked = {**DEFAULTS, **options}
    for key in ("fixed", "moving"):
        named = [asked[key]] if isinstance(asked[key], (str, Path)) else asked[key]
        asked[key] = [Path(name) for name in named]
    for key in ("cloud_u", "section", "play", "wanted"):
        if isinstance(asked[key], str):
            asked[key] = parse_length(asked[key]).value
    _check(asked)
    return asked


def clear_files(options: Options) -> list[Path]:
    """Every file that is read, without the feature names behind @."""
    options = _settled(options)
    named: Sequence[Path] = [
        *options["fixed"],
        *options["moving"],
        *(Path(options[key]) for key in ("hinge_marks", "poses") if options[key]),
    ]
    files = [path if path.exists() else Path(str(path).partition("@")[0]) for path in named]
    return [path / "results.json" if path.is_dir() else path for path in dict.fromkeys(files)]


def _check(options: Options) -> None:
    for key, what in (("cloud_u", "--cloud-u"), ("section", "--section")):
        value = options[key]
        if value is not None and not (math.isfinite(value) and value > 0):
            message = f"{what} must be above 0, in mm; got {value:g}."
            raise InputError(message)
    if (wanted := options["wanted"]) is not None and not (math.isfinite(wanted) and wanted >= 0):
        message = f"--wanted must be 0 or more, in mm; got {wanted:g}."
        raise InputError(message)
    situation = options["situation"]
    if situation is not None and situation not in SITUATIONS:
        message = (
            "--situation must be one of "
            + ", ".join(f"{name} ({known.wanted:g} mm)" for name, known in SITUATIONS.items())
            + f"; got '{situation}'."
        )
        raise InputError(message)


def _three(text: str) -> tuple[float, float, float]:
    x, y, z = parse_vector(text, "--rock").tolist()
    return x, y, z


def motion_of(options: Options) -> Motion:
    """The one motion that the options ask for.

    Raises InputError where there is none, more than one, or half of one.
    """
    kinds = [key for key in ("hinge", "hinge_marks", "slide", "poses") if options[key]]
    if len(kinds) != 1:
        message = (
            "Give one motion: --hinge with --angles, --hinge-marks with --angles, --slide with --travel, or "
            f"--poses; got {', '.join('--' + k.replace('_', '-') for k in kinds) or 'none'}."
        )
        raise InputError(message)
    kind = kinds[0]
    partner = {"hinge": "angles", "hinge_marks": "angles", "slide": "travel"}.get(kind)
    for key in ("angles", "travel"):
        if (options[key] is not None) != (key == partner):
            message = f"--{kind.replace('_', '-')} {'needs' if key == partner else 'does not go with'} --{key}."
            raise InputError(message)
    if kind == "poses":
        return read_poses(options["poses"])
    positions = parse_range(options[str(partner)], f"--{partner}")
    if kind == "slide":
        return slide_motion(parse_vector(options["slide"], "--slide"), positions)
    if kind == "hinge":
        return hinge_motion(parse_axis(options["hinge"]), positions)
    hinge = fit_hinge(read_marks(options["hinge_marks"], options["unit"]))
    return hinge_motion((hinge.point, hinge.direction), positions, hinge.cov)
