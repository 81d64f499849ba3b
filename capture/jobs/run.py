"""Run a job: stages kept or worked out, joined, written as one result folder."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.jobs.compose import Composed, compose
from capture.jobs.plan import photo_names, probe_names
from capture.jobs.probes import helpers_of, probe_key, probe_stage
from capture.jobs.read import JobFile, read_job
from capture.jobs.shots import photo_key, photo_stage
from capture.jobs.stage import Stage, Store, fingerprint, software
from fit.errors import CannotDetermine
from fit.folders import check_folder
from fit.results import Results, Source

if TYPE_CHECKING:
    from capture.jobs.calculators import Calculated

__all__ = ["Done", "Step", "default_folder", "run_job"]

_NOTE = "run.json"

Progress = Callable[[Sequence["Step"]], Iterable["Step"]]


@dataclass(frozen=True, eq=False, slots=True)
class Step:
    """One stage of a run: what to call it, and how to get it."""

    name: str
    work: Callable[[], Stage]


@dataclass(frozen=True, eq=False, slots=True)
class Done:
    """What a run left: the record of results.json, the results, and whether every demanded tolerance is met."""

    record: dict[str, Any]
    results: Results
    met: bool
    unit_out: str
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
    photos, probes = _stages(file, store, keys, progress)
    if file.job.feature and not any(stage.features for stage in (*photos.values(), *probes.values())):
        raise _nothing(file, [*photos.values(), *probes.values()])
    done = _finished(file, out, (photos, probes), unit, replace)
    store.keep_note(_NOTE, {"key": whole, "met": done.met, "files": _hashes(out, done.record["files"])})
    store.sweep()
    return done


def _keys(file: JobFile) -> dict[str, str]:
    """Key of every stage by its kind and name."""
    photos = {f"photo {name}": photo_key(file, i) for i, name in enumerate(photo_names(file.job))}
    helpers = helpers_of(file)
    probes = {
        f"probe {name}": probe_key(file, i) for i, name in enumerate(probe_names(file.job)) if name not in helpers
    }
    return photos | probes


def _table_hashes(file: JobFile) -> list[str]:
    """Hashes of the files that calculators' tables name."""
    from capture.jobs.tables import table_files

    return [Source.of(file.folder / name).sha256 for name in table_files(file)]


def _stages(
    file: JobFile, store: Store, keys: dict[str, str], progress: Progress
) -> tuple[dict[str, Stage], dict[str, Stage]]:
    """All stages by the names of their photos and probes."""

    def step(kind: str, name: str, index: int, work: Callable[[JobFile, int], Stage]) -> Step:
        label = f"{kind} {name}"
        return Step(label, lambda: store.stage(label, keys[label], lambda: _named_fault(label, work, file, index)))

    photos = [step("photo", name, i, photo_stage) for i, name in enumerate(photo_names(file.job))]
    helpers = helpers_of(file)
    probes = [
        step("probe", name, i, probe_stage) for i, name in enumerate(probe_names(file.job)) if name not in helpers
    ]
    found = {item.name: item.work() for item in progress([*photos, *probes])}
    return (
        {item.name.removeprefix("photo "): found[item.name] for item in photos},
        {item.name.removeprefix("probe "): found[item.name] for item in probes},
    )


def _named_fault(label: str, work: Callable[[JobFile, int], Stage], file: JobFile, index: int) -> Stage:
    """A stage's refusal with the name of its photo or probe in front."""
    try:
        return work(file, index)
    except CannotDetermine as error:
        message = f"{file.path}: {label}: {error}"
        raise CannotDetermine(message) from error


def _nothing(file: JobFile, stages: Sequence[Stage]) -> CannotDetermine:
    notices = [n for stage in stages for n in stage.notices if n.code == "not-measured"]
    why = f" '{notices[0].feature}': {notices[0].text}" if notices else ""
    return CannotDetermine(f"{file.path}: no feature of the job could be measured.{why}")


def _finished(
    file: JobFile, out: Path, stages: tuple[dict[str, Stage], dict[str, Stage]], unit: str, replace: bool
) -> Done:
    from capture.jobs.calculators import calculate
    from capture.jobs.report import job_parts
    from fit.drawing.model import TitleBlock
    from fit.outputs import write_result

    photos, probes = stages
    composed = compose(file, photos, probes)
    head = file.job.job
    done = calculate(file, composed, unit)
    results = _results(file, [*photos.values(), *probes.values()], composed, done)
    general = f"ISO 2768-{head.general_tolerance}" if head.general_tolerance else ""
    title = TitleBlock(
        head.name or file.path.stem, head.side, head.face, head.front, head.material, general,
        head.date or date.today().isoformat(), head.creator, head.number,
    )  # fmt: skip
    record = write_result(
        out, results, composed.points, replace=replace, unit_out=unit, title=title, paper=head.paper,
        files=_files(photos) | done.files,
        report_parts=[*job_parts(composed, photos), *done.parts],
        drawing=done.drawing if not composed.features else None,
    )  # fmt: skip
    return Done(record, results, _all_met(file, composed, done), unit)


def _results(file: JobFile, stages: Sequence[Stage], composed: Composed, done: Calculated) -> Results:
    from capture.jobs.report import details_of

    sources = [source for stage in stages for source in stage.sources]
    return Results(
        frame=composed.frame,
        sources=tuple(dict.fromkeys([*sources, *done.sources, Source(file.path.name, file.sha256)])),
        features=tuple(composed.features.values()),
        dimensions=tuple(composed.dimensions),
        warnings=tuple(dict.fromkeys([*composed.notices, *done.notices])),
        tables=done.tables,
        details=details_of(composed, stages, photo_names(file.job)),
    )


def _files(photos: dict[str, Stage]) -> dict[str, bytes]:
    """Pictures by name: overlay.png of one photo, overlay-NAME.png of more."""
    if len(photos) == 1:
        return dict(next(iter(photos.values())).files)
    files = {}
    for name, stage in photos.items():
        word = "".join(c if c.isalnum() or c in "-_." else "_" for c in name)
        files |= {f"{Path(key).stem}-{word}{Path(key).suffix}": content for key, content in stage.files.items()}
    return files


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
    return Done(record, results_from_dict(record), bool(note["met"]), unit, fresh=False)
