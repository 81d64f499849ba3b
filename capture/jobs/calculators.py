"""The calculators' tables of a job, worked with the job's own features."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from fit.results import Notice, Source

if TYPE_CHECKING:
    from capture.jobs.compose import Composed
    from capture.jobs.read import JobFile
    from fit.drawing.model import Drawing
    from fit.report.parts import ReportPart

__all__ = ["Calculated", "calculate"]


@dataclass(frozen=True, eq=False, slots=True)
class Calculated:
    """What the calculators gave: tables by name, report parts, drawings as files, warnings.

    met : whether what was demanded of them is met. drawing : that of the first, for a job without features.
    """

    tables: Mapping[str, Any] = field(default_factory=dict)
    parts: Sequence[ReportPart] = ()
    files: Mapping[str, bytes] = field(default_factory=dict)
    notices: Sequence[Notice] = ()
    sources: Sequence[Source] = ()
    met: bool = True
    drawing: Drawing | None = None


def calculate(file: JobFile, composed: Composed, unit_out: str) -> Calculated:
    return Calculated()
