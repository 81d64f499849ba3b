"""The calculators' tables of a job, worked with the job's own features."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.jobs.plan import probe_names
from capture.jobs.tables import HEADS, table_files, with_files
from capture.jobs.words import as_keys
from fit.errors import CannotDetermine, InputError
from fit.results import Notice, Results, Source

if TYPE_CHECKING:
    from capture.jobs.read import JobFile
    from fit.drawing.model import Drawing
    from fit.report.parts import ReportPart

__all__ = ["Calculated", "calculate"]


@dataclass(frozen=True, eq=False, slots=True)
class Calculated:
    """What calculators gave: tables by name, report parts, drawings by name, files, warnings, lines for a terminal.

    met : whether what was demanded of them is met.
    """

    tables: Mapping[str, Any] = field(default_factory=dict)
    parts: Sequence[ReportPart] = ()
    drawings: Mapping[str, Drawing] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    notices: Sequence[Notice] = ()
    sources: Sequence[Source] = ()
    lines: Sequence[str] = ()
    met: bool = True


@dataclass(frozen=True, slots=True)
class _Setting:
    """What a calculator works with: the job, what was measured (also as a file), and the reader's unit."""

    file: JobFile
    measured: Results
    record: Path
    unit_out: str


def calculate(file: JobFile, measured: Results, record: Path, unit_out: str) -> Calculated:
    """Work every calculator's table of a job.

    record : results.json of what was measured, for calculators that read one.
    Raises InputError or CannotDetermine with the table's line.
    """
    work: dict[str, Callable[[Mapping[str, Any], _Setting], Calculated]]
    work = {"bend": _bend, "rod": _rod, "seal": _seal, "clear": _clear}
    setting = _Setting(file, measured, record, unit_out)
    found = []
    for head in HEADS:
        if (table := getattr(file.job, head)) is None:
            continue
        try:
            found.append(work[head](with_files(table, file.folder, record), setting))
        except (InputError, CannotDetermine) as error:
            text = _told(str(error), head)
            raise type(error)(str(file.fault(_place(text, head, table), text))) from error
    sources = [replace(Source.of(file.folder / name), path=name) for name in table_files(file)]
    return _joined(found, sources)


def _told(text: str, head: str) -> str:
    """A calculator's message without the words of its command line."""
    return as_keys(text.replace(f"[{head}]: ", "").replace(f"; see 'edgewright {head} --help'", ""))


def _place(text: str, head: str, table: Mapping[str, Any]) -> tuple[str, ...]:
    """The key that a message is about, where one of its first words is one."""
    key = next((word for word in re.findall(r"[a-z_]+", text)[:3] if word in table), None)
    return (head,) if key is None else (head, key)


def _joined(found: Sequence[Calculated], sources: Sequence[Source]) -> Calculated:
    return Calculated(
        tables={key: table for one in found for key, table in one.tables.items()},
        parts=[part for one in found for part in one.parts],
        drawings={key: drawing for one in found for key, drawing in one.drawings.items()},
        files={name: content for one in found for name, content in one.files.items()},
        notices=[replace(notice, text=as_keys(notice.text)) for one in found for notice in one.notices],
        sources=sources,
        lines=[line for one in found for line in (*_without_warnings(one), "")],
        met=all(one.met for one in found),
    )


def _without_warnings(one: Calculated) -> list[str]:
    """Lines for the terminal but for the warnings, which the job tells with all others."""
    return [line for line in one.lines if not any(line.startswith(f"{notice.code}: ") for notice in one.notices)]


def _bend(table: Mapping[str, Any], setting: _Setting) -> Calculated:
    from fit.bend.command import BendOptions, finish
    from fit.bend.jobtable import options_of_table

    options = options_of_table(BendOptions, table, "[bend]")
    if options.faces or options.outline or options.flanges:
        options = replace(options, results=str(setting.record))
    done = finish(replace(options, unit_out=setting.unit_out))
    drawings = {} if done.drawing is None else {"bend": done.drawing}
    own = [notice for notice in done.results.warnings if notice not in setting.measured.warnings]
    return Calculated(done.results.tables, done.parts, drawings, notices=own, lines=done.lines)


def _rod(table: Mapping[str, Any], setting: _Setting) -> Calculated:
    from fit.bend.jobtable import options_of_table
    from fit.lists import read_list
    from fit.points import Points
    from fit.rod.command import RodOptions, finish
    from fit.rod.record import rod_lines

    given = dict(table)
    name, listed = given.pop("probe", None), None
    if name is not None:
        probe = setting.file.job.probe[probe_names(setting.file.job).index(name)]
        own = {"unit": probe.unit, "tip": probe.tip, "tip_u": probe.tip_u, "points": probe.points}
        given = {**{key: value for key, value in own.items() if value is not None}, **given}
        found = read_list(setting.file.folder / probe.file[0], probe.unit or setting.file.job.job.unit)
        points = Points(xyz=found.xyz, label=found.names, frame="as the arm's list has it", source=found.path)
        listed = (points, list(found.notices))
    options = options_of_table(RodOptions, given, "[rod]")
    done = finish(replace(options, unit_out=setting.unit_out), listed)
    lines = rod_lines(done.figures, done.factor, setting.unit_out)
    return Calculated(
        done.results.tables, done.parts, {"rod": done.drawing}, done.files, done.results.warnings, lines=lines
    )


def _seal(table: Mapping[str, Any], setting: _Setting) -> Calculated:
    from fit.seal.demands import demands_met
    from fit.seal.job import plan_seal
    from fit.seal.picture import seal_drawing
    from fit.seal.report import seal_lines, seal_parts
    from fit.seal.table import seal_table

    plan = plan_seal(setting.measured, table, "the job")
    drawing, parts = seal_drawing(plan, setting.unit_out), seal_parts(plan, setting.unit_out)
    lines = seal_lines(plan, setting.unit_out)
    table_out = {"seal": seal_table(plan)}
    return Calculated(table_out, parts, {"seal": drawing}, notices=plan.notices, lines=lines, met=demands_met(plan))


def _clear(table: Mapping[str, Any], setting: _Setting) -> Calculated:
    from fit.clearance.clearance import clear_table
    from fit.clearance.job import check_clear
    from fit.clearance.picture import coloured_ply, tightest_drawing
    from fit.clearance.report import clear_lines, clear_parts

    found = check_clear(table)
    return Calculated(
        {"clear": clear_table(found)},
        clear_parts(found, setting.unit_out),
        {"clear": tightest_drawing(found, setting.unit_out)},
        {"clear_cloud.ply": coloured_ply(found)},
        found.notices,
        lines=clear_lines(found, setting.unit_out),
        met=found.margin.verdict in (None, "inside"),
    )
