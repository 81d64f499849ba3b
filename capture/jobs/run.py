"""Run a job: stages kept or worked out, joined, written as one result folder."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.jobs.compose import Composed, compose
from capture.jobs.plan import photo_names
from capture.jobs.probes import measured_probes, probe_key, probe_stage
from capture.jobs.read import JobFile, read_job
from capture.jobs.sheets import picture_files, sketch_of, table_drawings, title_of
from capture.jobs.shots import photo_key, photo_stage
from capture.jobs.stage import Stage, Store, fingerprint, software
from capture.jobs.tables import HEADS, table_files
from capture.jobs.words import as_keys
from fit.errors import CannotDetermine, InputError
from fit.folders import check_folder
from fit.resultfile import record_text
from fit.results import Notice, Results, Source, results_to_dict

if TYPE_CHECKING:
    from capture.jobs.calculators import Calculated

__all__ = ["Done", "Step", "calculated", "default_folder", "run_job"]

_NOTE = "run.json"

Progress = Callable[[Sequence["Step"]], Iterable["Step"]]


@dataclass(frozen=True, eq=False, slots=True)
class Step:
    """One stage of a run: what to call it, and how to get it."""

    name: str
    work: Callable[[], Stage]


@dataclass(frozen=True, eq=False, slots=True)
class _Stages:
    """What every photo and probe gave, by name; left_out tells of those that could give nothing."""

    photos: Mapping[str, Stage]
    probes: Mapping[str, Stage]
    left_out: Sequence[Notice] = ()

    @property
    def all(self) -> list[Stage]:
        return [*self.photos.values(), *self.probes.values()]


@dataclass(frozen=True, eq=False, slots=True)
class Done:
    """What a run left.

    met : whether every demanded tolerance is met. lines : what the calculators tell on a terminal. fresh : False where
    the earlier result stands.
    """

    record: dict[str, Any]
    results: Results
    met: bool
    unit_out: str
    lines: Sequence[str] = ()
    fresh: bool = True


def default_folder(job: Path) -> Path:
    """Folder of a job's results: named after the job file, beside it."""
    return job.with_suffix("") if job.suffix else job.with_name(job.name + "-result")


def run_job(
    path: Path,
    out: Path | None = None,
    *,
    replace: bool = False,
    unit_out: str | None = None,
    progress: Progress = iter,
) -> Done:
    """Everything that a job file names.

    Stage files lie in a hidden folder beside the result; where nothing changed and the result is whole, it stays as it
    is. Raises InputError, CannotDetermine, OutputError.
    """
    out = out or default_folder(path)
    check_folder(out, replace)
    file = read_job(path)
    unit = unit_out or file.job.job.unit_out
    store = Store(out.resolve().with_name(f".{out.resolve().name}.stages"))
    keys = _keys(file)
    whole = fingerprint(software(), repr(file.job), keys, unit, _table_hashes(file))
    if (kept := _kept(store, out, whole, unit)) is not None:
        return kept
    stages = _stages(file, store, keys, progress)
    if file.job.feature and not any(stage.features for stage in stages.all):
        raise _nothing(file, stages.all)
    done = _finished(file, out, stages, unit, replace)
    store.keep_note(
        _NOTE, {"key": whole, "met": done.met, "lines": list(done.lines), "files": _hashes(out, done.record["files"])}
    )
    store.sweep()
    return done


def _keys(file: JobFile) -> dict[str, str]:
    """Key of every stage by its kind and name."""
    photos = {f"photo {name}": photo_key(file, i) for i, name in enumerate(photo_names(file.job))}
    return photos | {f"probe {name}": probe_key(file, i) for i, name in measured_probes(file)}


def _table_hashes(file: JobFile) -> list[str]:
    """Hashes of the files that calculators' tables name."""
    return [Source.of(file.folder / name).sha256 for name in table_files(file)]


def _stages(file: JobFile, store: Store, keys: dict[str, str], progress: Progress) -> _Stages:
    """All stages by the names of their photos and probes."""

    def step(kind: str, name: str, index: int, work: Callable[[JobFile, int], Stage]) -> Step:
        label = f"{kind} {name}"
        return Step(label, lambda: store.stage(label, keys[label], lambda: _named_fault(label, work, file, index)))

    photos = [step("photo", name, i, photo_stage) for i, name in enumerate(photo_names(file.job))]
    probes = [step("probe", name, i, probe_stage) for i, name in measured_probes(file)]
    found, failed = _worked(progress([*photos, *probes]))
    return _Stages(
        {item.name.removeprefix("photo "): found[item.name] for item in photos if item.name in found},
        {item.name.removeprefix("probe "): found[item.name] for item in probes if item.name in found},
        [Notice("source-left-out", str(error).removeprefix(f"{file.path}: ")) for error in failed],
    )


def _worked(steps: Iterable[Step]) -> tuple[dict[str, Stage], list[CannotDetermine]]:
    """Stages by name, and why others gave nothing; raises where none gave anything."""
    found: dict[str, Stage] = {}
    failed: list[CannotDetermine] = []
    for step in steps:
        try:
            found[step.name] = step.work()
        except CannotDetermine as error:
            failed.append(error)
    if failed and not found:
        raise failed[0]
    return found, failed


def _named_fault(label: str, work: Callable[[JobFile, int], Stage], file: JobFile, index: int) -> Stage:
    """A stage with its warnings in the words of a job; its refusal with the name of its photo or probe in front."""
    try:
        stage = work(file, index)
    except (CannotDetermine, InputError) as error:
        message = f"{file.path}: {label}: {as_keys(str(error))}"
        raise type(error)(message) from error
    told = (dataclasses.replace(notice, text=as_keys(notice.text)) for notice in stage.notices)
    return dataclasses.replace(stage, notices=tuple(told))


def _nothing(file: JobFile, stages: Sequence[Stage]) -> CannotDetermine:
    notices = [n for stage in stages for n in stage.notices if n.code == "not-measured"]
    why = f" '{notices[0].feature}': {notices[0].text}" if notices else ""
    return CannotDetermine(f"{file.path}: no feature of the job could be measured.{why}")


def _finished(file: JobFile, out: Path, stages: _Stages, unit: str, replace: bool) -> Done:
    from capture.jobs.report import job_parts
    from fit.outputs import write_result

    composed = compose(file, stages.photos, stages.probes)
    measured = _measured(file, stages, composed)
    done = calculated(file, measured, unit)
    results = dataclasses.replace(
        measured,
        sources=tuple(dict.fromkeys([*measured.sources, *done.sources, Source(file.path.name, file.sha256)])),
        warnings=tuple(dict.fromkeys([*measured.warnings, *done.notices])),
        tables=done.tables,
    )
    title, paper = title_of(file), file.job.job.paper
    main = None if composed.features else next(iter(done.drawings), None)
    record = write_result(
        out,
        results,
        composed.points,
        replace=replace,
        unit_out=unit,
        title=title,
        paper=paper,
        files={**picture_files(stages.photos), **done.files, **table_drawings(done.drawings, main, paper, title)},
        report_parts=[*job_parts(composed, stages.photos, unit), *done.parts],
        drawing=done.drawings[main] if main else sketch_of(file, results, title, unit),
    )
    return Done(record, results, _all_met(file, composed, done), unit, done.lines)


def _measured(file: JobFile, stages: _Stages, composed: Composed) -> Results:
    """The result before calculators."""
    from capture.jobs.report import details_of

    sources = [source for stage in stages.all for source in stage.sources]
    return Results(
        frame=composed.frame,
        sources=tuple(dict.fromkeys(sources)),
        features=tuple(composed.features.values()),
        dimensions=tuple(composed.dimensions),
        warnings=tuple(dict.fromkeys([*stages.left_out, *composed.notices])),
        details=details_of(composed, stages.photos, stages.probes),
    )


def calculated(file: JobFile, measured: Results, unit: str) -> Calculated:
    """The calculators' tables; those that read a result get one in a folder of its own while they work.

    Raises InputError or CannotDetermine with the table's line.
    """
    from capture.jobs.calculators import Calculated, calculate

    if not any(getattr(file.job, head) is not None for head in HEADS):
        return Calculated()
    with tempfile.TemporaryDirectory(prefix="edgewright-") as folder:
        record = Path(folder) / "results.json"
        record.write_text(record_text(results_to_dict(measured)), encoding="utf-8")
        return calculate(file, measured, record, unit)


def _all_met(file: JobFile, composed: Composed, done: Calculated) -> bool:
    """Whether every tolerance that was demanded is proven to be met, those of sizes that could not be told included."""
    demanded = [keys for keys in file.job.dimension if keys.limits is not None or keys.tolerance is not None]
    judged = [item for item in composed.dimensions if item.verdict is not None]
    return done.met and len(judged) >= len(demanded) and all(item.verdict == "inside" for item in judged)


def _hashes(out: Path, names: Iterable[str]) -> dict[str, str]:
    return {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in names}


def _kept(store: Store, out: Path, key: str, unit: str) -> Done | None:
    """The earlier result, if it was made from the same and is whole; its stage files stay."""
    from fit.resultfile import results_from_dict

    note = store.note(_NOTE)
    if note.get("key") != key:
        return None
    try:
        if _hashes(out, note["files"]) != note["files"]:
            return None
        record = json.loads((out / "results.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Done(record, results_from_dict(record), bool(note["met"]), unit, note["lines"], fresh=False)
