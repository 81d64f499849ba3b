"""What a job's calculators give for the sizes as they are measured now, one by one, so that a fault of one stops no other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from capture.jobs.run import calculated
from capture.jobs.stage import fingerprint
from capture.jobs.tables import HEADS, table_files
from fit.errors import CannotDetermine, InputError
from fit.report.parts import part_in_unit
from fit.report.words import CAUTIONS
from fit.resultfile import record_text
from fit.results import Notice, Source, results_to_dict

if TYPE_CHECKING:
    from capture.jobs.read import JobFile
    from capture.page.desk import Measured
    from fit.report.parts import ReportPart

__all__ = ["Working", "heads_of", "told_working", "work_out", "working_key"]

Picture = tuple[bytes, str]


@dataclass(frozen=True, eq=False, slots=True)
class Working:
    """One calculator: its table of results.json, sections and pictures for people; or the fault that it ended with.

    pictures : content and file ending, in the order shown.
    """

    head: str
    table: Any = None
    parts: Sequence[ReportPart] = ()
    pictures: Sequence[Picture] = ()
    notices: Sequence[Notice] = ()
    met: bool = True
    fault: str = ""
    picture_of: Mapping[int, int] = field(default_factory=dict)


def working_key(measured: Measured, head: str) -> str:
    """A word that changes with everything a calculator's figures depend on."""
    file = _alone(measured.file, head)
    table = getattr(file.job, head)
    hashes = [Source.of(file.folder / name).sha256 for name in table_files(file)]
    own = head != "clear" or any(str(value).startswith("@") for value in table.values())
    record = record_text(results_to_dict(measured.results)) if own else ""
    return fingerprint(head, repr(table), file.job.job.unit_out, file.job.job.paper, hashes, record)


def heads_of(file: JobFile) -> list[str]:
    """Calculators that a job asks for."""
    return [head for head in HEADS if getattr(file.job, head) is not None]


def _alone(file: JobFile, head: str) -> JobFile:
    """The job with one calculator only."""
    others = {other: None for other in HEADS if other != head}
    return replace(file, job=file.job.model_copy(update=others))


def work_out(measured: Measured, head: str) -> Working:
    """Work one calculator out by the very call that `edgewright run` makes."""
    file = _alone(measured.file, head)
    unit = file.job.job.unit_out
    try:
        found = calculated(file, measured.results, unit)
    except (InputError, CannotDetermine) as error:
        return Working(head, fault=str(error))
    parts = [part_in_unit(part, unit) for part in found.parts]
    pictures = [(_svg(drawing, file.job.job.paper), ".svg") for drawing in found.drawings.values()]
    picture_of = {}
    for i, part in enumerate(parts):
        if part.svg or part.picture:
            picture_of[i] = len(pictures)
            pictures.append(_picture(part))
    table = found.tables.get(head)
    return Working(head, table, parts, pictures, found.notices, found.met, picture_of=picture_of)


def _svg(drawing: Any, paper: str) -> bytes:
    from fit.drawing.layout import sketch_sheets
    from fit.drawing.svg import svg_text

    return svg_text(sketch_sheets(drawing, paper), drawing.title.name).encode()


def _picture(part: ReportPart) -> Picture:
    if part.svg:
        return part.svg[part.svg.find("<svg") :].encode(), ".svg"
    return part.picture, ".jpg" if part.picture[:2] == b"\xff\xd8" else ".png"


_WORDS = {"bend": "Flat blank", "rod": "Bent rod", "seal": "Rubber seal", "clear": "Clearance"}


def told_working(working: Working, notice: Any) -> dict[str, Any]:
    """A calculator's outcome as the page shows it; `notice` tells one warning."""
    own = [i for i in range(len(working.pictures)) if i not in working.picture_of.values()]
    parts = [
        {
            "title": part.title,
            "lines": [line for line in part.text.split("\n") if line.strip()],
            "head": list(part.head),
            "rows": [[str(cell) for cell in row] for row in part.rows],
            "picture": _name(working, working.picture_of[i]) if i in working.picture_of else None,
            "caution": part.caution,
        }
        for i, part in enumerate(working.parts)
    ]
    said = any(part.caution for part in working.parts)
    return {
        "head": working.head,
        "word": _WORDS[working.head],
        "fault": working.fault,
        "met": working.met,
        "pictures": [_name(working, i) for i in own],
        "parts": parts,
        "warnings": [notice(item) for item in working.notices],
        "caution": "" if said or working.fault else CAUTIONS[working.head],
    }


def _name(working: Working, index: int) -> str:
    return f"{working.head}/{index}{working.pictures[index][1]}"
