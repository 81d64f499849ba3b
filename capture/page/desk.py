"""An open job: its photos at hand, its features measured by the very calls that `edgewright run` makes."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.jobs.plan import features_of_photo, photo_names, probe_names
from capture.jobs.read import JobFile, read_job
from capture.jobs.tables import table_files
from capture.page.book import Book
from capture.page.groups import listed_groups
from capture.page.held import HeldPhoto, held_key
from capture.page.wording import on_page
from capture.page.workings import Working, heads_of, work_out, working_key
from fit.errors import CannotDetermine, InputError
from fit.points import Points
from fit.results import Results

if TYPE_CHECKING:
    from capture.edges.candidates import Lead
    from capture.jobs.keys import FeatureKeys
    from capture.jobs.shots import Picked
    from capture.jobs.stage import Stage

__all__ = ["Desk", "Measured", "adopted"]

_KEPT_STAGES = 8


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """All results of a job at one revision; faults are sources that could not be measured at all, by name.

    leads : the close edges that each mark was chosen from, by photo and feature. groups : touches of each name, by probe.
    """

    revision: str
    file: JobFile
    results: Results
    points: Points | None
    stages: Mapping[str, Stage]
    faults: Mapping[str, str]
    leads: Mapping[str, Mapping[str, Lead]] = field(default_factory=dict)
    groups: Mapping[str, Mapping[str, int]] = field(default_factory=dict)


class Desk:
    """One job with everything that is kept in memory for it."""

    def __init__(self, path: Path, first: str = "") -> None:
        self.book = Book(path, first)
        self._held: dict[str, HeldPhoto] = {}
        self._stages: dict[str, Stage] = {}
        self._leads: dict[str, Mapping[str, Lead]] = {}
        self._workings: dict[str, tuple[str, Working]] = {}
        self._listed: dict[str, dict[str, int]] = {}
        self._read: tuple[str, JobFile] | None = None
        self._unit = "mm"
        self._hold = threading.RLock()
        self._work = threading.RLock()
        self._reckon = threading.RLock()
        self._measured: Measured | None = None

    def job(self) -> JobFile:
        """The job as read now.

        Raises InputError where it has a mistake, or names a file outside its own folder.
        """
        revision = self.book.revision
        if self._read is not None and self._read[0] == revision:
            return self._read[1]
        if self.book.exists:
            file = self.book.checked(revision) or read_job(self.book.path)
        else:
            part = self.book.scratch()
            try:
                file = replace(read_job(part), path=self.book.path)
            finally:
                part.unlink(missing_ok=True)
        for name in named_files(file):
            self._inside(file, name)
        self._unit = file.job.job.unit_out
        self._read = (file.sha256[:20], file)
        return file

    def _inside(self, file: JobFile, name: str) -> None:
        folder = file.folder.resolve()
        if folder not in (folder / name).resolve().parents:
            message = f"{file.path.name}: '{name}' lies outside the job's folder; move it beside the job."
            raise InputError(message)

    def held(self, file: JobFile, index: int) -> HeldPhoto:
        """A photo by its number, decoded and solved once for all windows."""
        if not 0 <= index < len(file.job.photo):
            message = f"The job has no photo {index + 1}."
            raise InputError(message)
        photo = file.job.photo[index]
        key = held_key(file, photo)
        with self._hold:
            found = self._held.get(key)
            if found is None or found.photo.height != photo.height:
                found = found.at(photo) if found else HeldPhoto(file, photo, key)
                self._held = {k: v for k, v in self._held.items() if v.photo.file != photo.file} | {key: found}
            return found

    def measured(self) -> Measured:
        """Everything measured for the job as it is now; what has not changed is not measured again."""
        with self._work:
            revision, file = self.book.revision, self.job()
            if self._measured is None or self._measured.revision != revision:
                self._measured = self._measure(revision, file)
            return self._measured

    def workings(self) -> tuple[Measured, Sequence[Working]]:
        """What the job's calculators give for the sizes as measured now; what has not changed is kept."""
        measured = self.measured()
        with self._reckon:
            heads = heads_of(measured.file)
            for head in heads:
                key = working_key(measured, head)
                if self._workings.get(head, ("",))[0] != key:
                    self._workings[head] = (key, work_out(measured, head))
            return measured, [self._workings[head][1] for head in heads]

    def working(self, head: str) -> Working | None:
        """What a calculator gave last."""
        return self._workings.get(head, ("", None))[1]

    def _measure(self, revision: str, file: JobFile) -> Measured:
        from capture.jobs.compose import compose
        from capture.jobs.probes import measured_probes

        photos: dict[str, Stage] = {}
        probes: dict[str, Stage] = {}
        faults: dict[str, str] = {}
        named = [(name, i, photos) for i, name in enumerate(photo_names(file.job))]
        named += [(name, i, probes) for i, name in measured_probes(file)]
        for name, i, found in named:
            try:
                found[name] = self._photo(file, i) if found is photos else self._probe(file, i)
            except (CannotDetermine, InputError) as error:
                faults[name] = self.plain(str(error))
        stages = {**photos, **probes}
        try:
            composed = compose(file, photos, probes)
        except (CannotDetermine, InputError) as error:
            composed = compose(replace(file, job=file.job.model_copy(update={"datum": None})), photos, probes)
            faults["datum"] = self.plain(str(error))
        results = Results(
            frame=composed.frame,
            sources=tuple(dict.fromkeys(source for stage in stages.values() for source in stage.sources)),
            features=tuple(composed.features.values()),
            dimensions=tuple(composed.dimensions),
            warnings=tuple(dict.fromkeys(composed.notices)),
        )
        leads = {name: self._leads.get(key, {}) for name, key in self._photo_keys(file, photos)}
        return Measured(revision, file, results, composed.points, stages, faults, leads, self._groups(file))

    def _groups(self, file: JobFile) -> dict[str, dict[str, int]]:
        """Touches of each name in the lists of every probe; a list that cannot be read is told as a fault elsewhere."""
        from capture.jobs.probes import probe_key

        found = {}
        for index, name in enumerate(probe_names(file.job)):
            with suppress(InputError):
                key = probe_key(file, index)
                if key not in self._listed:
                    self._listed = {**self._listed, key: listed_groups(file, index)}
                found[name] = self._listed[key]
        return found

    @staticmethod
    def _photo_keys(file: JobFile, photos: Mapping[str, Stage]) -> list[tuple[str, str]]:
        from capture.jobs.shots import photo_key

        return [(name, photo_key(file, i)) for i, name in enumerate(photo_names(file.job)) if name in photos]

    def _photo(self, file: JobFile, index: int) -> Stage:
        from capture.jobs.shots import photo_key, photo_stage
        from capture.jobs.stage import Stage

        key = photo_key(file, index)
        if key not in self._stages:
            name = photo_names(file.job)[index]
            if features_of_photo(file.job, name):
                held, picked = self.held(file, index), self._picks(file, index)
                self._leads[key] = picked.leads
                stage = Stage(held.solved.bench.frame, picked.features, picked.points, picked.notices)
            else:
                stage = replace(photo_stage(file, index), files={})
            self._keep(key, stage)
        return self._stages[key]

    def _picks(self, file: JobFile, index: int) -> Picked:
        from capture.jobs.shots import measured_picks

        name = photo_names(file.job)[index]
        held, wanted = self.held(file, index), features_of_photo(file.job, name)
        return measured_picks(file.job.photo[index], name, wanted, held.solved, held.lit, held.leads.lead)

    def _probe(self, file: JobFile, index: int) -> Stage:
        from capture.jobs.probes import probe_key, probe_stage

        key = probe_key(file, index)
        if key not in self._stages:
            self._keep(key, probe_stage(file, index))
        return self._stages[key]

    def _keep(self, key: str, stage: Stage) -> None:
        """Keep a stage with its warnings in the words of a job, and forget the oldest."""
        from capture.jobs.words import as_keys

        told = tuple(replace(notice, text=as_keys(notice.text)) for notice in stage.notices)
        self._stages[key] = replace(stage, notices=told)
        while len(self._stages) > _KEPT_STAGES:
            gone = next(iter(self._stages))
            self._stages.pop(gone)
            self._leads.pop(gone, None)

    def tried(self, file: JobFile, index: int, feature: FeatureKeys) -> Picked:
        """One feature measured by itself at once, before it is saved.

        Raises CannotDetermine where the photo does not show it, InputError for way-points that cannot be meant.
        """
        from capture.jobs.shots import measured_picks

        held, name = self.held(file, index), photo_names(file.job)[index]
        found = measured_picks(file.job.photo[index], name, [feature], held.solved, held.lit, held.leads.lead)
        if not found.features:
            why = next((n.text for n in found.notices if n.code == "not-measured"), "No edge was found there.")
            raise CannotDetermine(why)
        return found

    def plain(self, text: str) -> str:
        """A message without the folders of this machine, in the words of the page and the reader's unit."""
        here = text.replace("use 'edgewright page' or 'edgewright run'.", "tap its edges and holes here.")
        folder = str(self.book.path.parent)
        return on_page(here.replace(f"{folder}/", "").replace(folder, "the job's folder"), self._unit)


def named_files(file: JobFile) -> list[str]:
    """Every file that a job names, relative to its folder."""
    job = file.job
    lenses = [item.file for item in (job.camera,) if item] + [photo.camera for photo in job.photo if photo.camera]
    lists = [name for probe in job.probe for name in probe.file]
    return [*(photo.file for photo in job.photo), *lenses, *lists, *table_files(file)]


def adopted(stage: Stage) -> Sequence[dict[str, Any]]:
    """Features that named themselves, as marks of the job that lead to the same edges."""
    marks = []
    for feature in stage.features:
        if feature.kind in ("circle", "slot"):
            about = feature["diameter"] if feature.kind == "circle" else feature["width"]
            near = [[round(feature["x"], 2), round(feature["y"], 2)]]
            marks.append({"name": feature.name, "kind": feature.kind, "near": near, "about": round(about, 2)})
        elif feature.kind == "path" and stage.points is not None:
            way = _way(stage.points.labelled(feature.name).xyz[:, :2])
            marks.append({"name": feature.name, "kind": "path", "near": way, "closed": bool(feature.closed)})
    return marks


_WAY_MM, _MOST_WAY = 8.0, 150


def _way(xy: np.ndarray) -> list[list[float]]:
    """Way-points about 8 mm apart along ordered points."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]
    count = int(np.clip(along[-1] / _WAY_MM, 3, _MOST_WAY))
    index = np.searchsorted(along, np.linspace(0, along[-1], count, endpoint=False))
    return [[round(float(x), 2), round(float(y), 2)] for x, y in xy[np.unique(index)]]
