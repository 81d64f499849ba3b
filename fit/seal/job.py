"""From the options of `edgewright seal` to its result folder."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from fit.errors import InputError
from fit.feature import Feature
from fit.resultfile import read_results
from fit.results import Results, Source
from fit.seal.corners import BendLimits
from fit.seal.gapmap import gap_map
from fit.seal.line import edge_of
from fit.seal.profile import Allowance, Profile
from fit.seal.seal import SealPlan, seal
from fit.seal.squeeze import RANGES, Range, section_tolerance
from fit.seal.typed import typed_path
from fit.units import named_length

__all__ = ["DEFAULTS", "plan_seal", "run_seal"]

Options = Mapping[str, Any]


DEFAULTS: Mapping[str, Any] = MappingProxyType(
    {
        "path": None,
        "pieces": None,
        "offset": "0",
        "side": None,
        "gap": None,
        "gap_u": None,
        "unit": None,
        "free": None,
        "section_grade": None,
        "kind": "bulb",
        "range": None,
        "bend_inside": None,
        "bend_outside": None,
        "allowance": None,
        "joint": None,
        "grade": None,
    }
)
"""Options of the command, which are also the keys of a job's seal table, and what they are when left out."""


def run_seal(
    out: Path, replace_folder: bool, unit_out: str, options: Options
) -> tuple[SealPlan, Results, dict[str, Any]]:
    """Read the path, plan the seal, write the result folder; returns the plan, the results and their record."""
    from fit.outputs import write_result
    from fit.seal.picture import seal_drawing
    from fit.seal.report import seal_parts
    from fit.seal.table import seal_table

    measured = _measured(options)
    plan = plan_seal(measured, options, str(options["results"]))
    results = Results(
        frame=measured.frame,
        sources=_sources(options),
        features=[plan.line.edge.feature],
        warnings=plan.notices,
        tables={"seal": seal_table(plan)},
    )
    drawing, parts = seal_drawing(plan, unit_out), seal_parts(plan, unit_out)
    record = write_result(out, results, replace=replace_folder, unit_out=unit_out, drawing=drawing, report_parts=parts)
    return plan, results, record


def plan_seal(measured: Results, options: Options, where: str = "the results") -> SealPlan:
    """The seal that options (keys of `DEFAULTS`, lengths as text or mm) ask for, on a path of measured results.

    Raises InputError for options that make no sense; `where` names the results in messages.
    """
    asked = {**DEFAULTS, **options}
    typed = asked["pieces"]
    if typed is not None and asked["path"] is not None:
        message = f"--path names a path of RESULTS; leave it out where the path is typed with --pieces; got '{asked['path']}'."
        raise InputError(message)
    path = _path(measured, asked["path"], where) if typed is None else typed_path(str(typed))
    gap_u = _size(asked["gap_u"], "--gap-u")
    if gap_u == 0:
        message = "--gap-u must be above 0, in mm; got 0."
        raise InputError(message)
    source = None if asked["gap"] is None else str(asked["gap"])
    gaps = None if source is None else gap_map(edge_of(path), source, asked["unit"], gap_u)
    return seal(
        path,
        _length(str(asked["offset"]), "--offset", signed=True),
        asked["side"],
        _profile(asked),
        gaps,
        allowance=_allowance(None if asked["allowance"] is None else str(asked["allowance"])),
        joint=_size(asked["joint"], "--joint"),
        grade=asked["grade"],
    )


def _measured(options: Options) -> Results:
    """The results that hold the path; empty where the path is typed."""
    if (options["results"] is None) == (options["pieces"] is None):
        message = "Give the RESULTS that hold the path, or type it with --pieces, such as '400, R60:90, 220, R60:90'."
        raise InputError(message)
    if options["results"] is None:
        return Results(frame="the typed path's own: it starts at 0, 0 along x")
    return read_results(options["results"])


def _size(value: Any, what: str) -> float | None:
    return None if value is None else _length(str(value), what)


def _sources(options: Options) -> list[Source]:
    files = []
    if options["results"] is not None:
        named = Path(options["results"])
        files = [named / "results.json" if named.is_dir() else named]
    gap = Path(str(options["gap"]).partition("@")[0])
    gap = gap / "results.json" if gap.is_dir() else gap
    return [Source.of(file) for file in [*files, *([gap] if options["gap"] is not None and gap.is_file() else [])]]


def _path(measured: Results, name: str | None, where: str | Path) -> Feature:
    """The path asked for, or the only one."""
    paths = [feature for feature in measured.features if feature.kind == "path"]
    chosen = [feature for feature in measured.features if feature.name == name] if name else paths
    if len(chosen) != 1:
        held = ", ".join(f"'{feature.name}'" for feature in paths) or "none"
        message = f"{where}: name one path with --path; it holds {held}" + (f", not '{name}'." if name else ".")
        if not paths:
            message += (
                " An edge walked with an arm becomes one by 'edgewright path', a photo's by a feature of kind path."
            )
        raise InputError(message)
    return chosen[0]


def _length(text: str, what: str, signed: bool = False) -> float:
    minus = signed and str(text).strip().startswith("-")
    value = named_length(text.strip().lstrip("-") if minus else text, what).value
    if value < 0 or not math.isfinite(value):
        message = f"{what} must be a length of 0 or more; got '{text}'."
        raise InputError(message)
    return -value if minus else value


def _profile(options: Options) -> Profile:
    free = None if options["free"] is None else named_length(str(options["free"]), "--free")
    limits = BendLimits(
        *(
            None if options[key] is None else _length(str(options[key]), "--" + key.replace("_", "-"))
            for key in ("bend_inside", "bend_outside")
        )
    )
    wanted = RANGES[options["kind"]]
    if options["range"] is not None:
        wanted = _range(str(options["range"]), wanted)
    u = 0.0 if free is None or free.u is None else free.u
    if free is not None and free.u is None and options["section_grade"] is not None:
        u = section_tolerance(free.value, options["section_grade"]) / math.sqrt(3.0)
    return Profile(None if free is None else free.value, u, wanted, limits)


def _range(text: str, wanted: Range) -> Range:
    """Compression ``least:most`` or ``least:aim:most`` in percent."""
    try:
        figures = [float(word) / 100 for word in text.replace("%", "").split(":")]
    except ValueError:
        figures = []
    if len(figures) not in (2, 3):
        message = f"--range must be least:most or least:aim:most in percent, such as 20:35:50; got '{text}'."
        raise InputError(message)
    least, most = figures[0], figures[-1]
    aim = figures[1] if len(figures) == 3 else 0.5 * (least + most)
    return replace(wanted, least=least, aim=aim, most=most, source="typed, from the profile's sheet or a coupon")


def _allowance(text: str | None) -> Allowance:
    """``0.5%`` of the length, or a length."""
    if text is None:
        return Allowance()
    if share := re.fullmatch(r"\s*\+?\s*(\d+(?:[.,]\d+)?)\s*%\s*", text):
        return Allowance(float(share.group(1).replace(",", ".")) / 100, 1000.0, "the shop's own")
    return Allowance(0.0, _length(text, "--allowance"), "the shop's own")
