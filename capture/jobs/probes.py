"""One probe of a job as a stage: point lists read, joined, corrected and fitted, or one edge walked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from capture.jobs.plan import features_of_probe, probe_names
from capture.jobs.stage import Stage, fingerprint, software
from fit.results import Notice, Source

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys, ProbeKeys
    from capture.jobs.read import JobFile
    from fit.feature import Feature
    from fit.points import Points

__all__ = ["measured_probes", "probe_key", "probe_stage"]


def measured_probes(file: JobFile) -> list[tuple[int, str]]:
    """Number and name of the probes that give features: not those that only touch a path's face or a rod."""
    job = file.job
    helping = {feature.on for feature in job.feature if feature.kind == "path" and feature.on}
    helping |= {str(job.rod["probe"])} if job.rod and "probe" in job.rod else set()
    named = enumerate(probe_names(job))
    return [(i, name) for i, name in named if name not in helping or features_of_probe(job, name)]


def probe_key(file: JobFile, index: int) -> str:
    """Hash of all that goes into a probe's stage."""
    job, probe = file.job, file.job.probe[index]
    wanted = features_of_probe(job, probe_names(job)[index])
    files = [*probe.file, *(name for feature in wanted for name in _face_files(file, feature))]
    hashes = [Source.of(file.folder / name).sha256 for name in files]
    return fingerprint(software(), repr(probe), job.job.unit, repr(wanted), files, hashes)


def probe_stage(file: JobFile, index: int) -> Stage:
    """Fit everything that a job wants from one probe; without a wish, everything its lists hold.

    Raises InputError, CannotDetermine.
    """
    job, probe = file.job, file.job.probe[index]
    wanted = features_of_probe(job, probe_names(job)[index])
    walks = [feature for feature in wanted if feature.kind == "path"]
    touched = [feature for feature in wanted if feature.kind != "path"]
    stages = [_walk(file, probe, feature) for feature in walks]
    if touched or not wanted:
        stages.append(_touches(file, probe, touched))
    return stages[0] if len(stages) == 1 else _joined(stages)


def _joined(stages: Sequence[Stage]) -> Stage:
    from fit.points import join_points

    frame = stages[0].frame
    points = [replace(stage.points, frame=frame) for stage in stages if stage.points is not None]
    return Stage(
        frame,
        tuple(feature for stage in stages for feature in stage.features),
        join_points(points) if points else None,
        tuple(dict.fromkeys(notice for stage in stages for notice in stage.notices)),
        tuple(dict.fromkeys(source for stage in stages for source in stage.sources)),
        {key: value for stage in stages for key, value in stage.details.items()},
    )


def _face_files(file: JobFile, feature: FeatureKeys) -> Sequence[str]:
    """List that touched the face of a walked path."""
    names = probe_names(file.job)
    return file.job.probe[names.index(feature.on)].file[:1] if feature.kind == "path" and feature.on else ()


def _walk(file: JobFile, probe: ProbeKeys, keys: FeatureKeys) -> Stage:
    from capture.arm.walked import WalkOptions, measure_walk, walk_details

    face = _face_files(file, keys)
    options = WalkOptions(
        unit=probe.unit or file.job.job.unit,
        tip=probe.tip,
        tip_u=probe.tip_u,
        points=probe.points,
        plane=file.folder / face[0] if face else None,
        side=probe.side,
        closed=keys.closed,
    )
    walked = measure_walk(file.folder / probe.file[0], options)
    feature = replace(walked.path.feature, name=keys.name, source=probe.file[0], on=keys.on)
    planes = tuple(replace(plane, name=str(keys.on), source=face[0]) for plane in walked.planes)
    notices = tuple(replace(n, feature=keys.name if n.feature == "path" else n.feature) for n in walked.notices)
    return Stage(
        walked.frame,
        (feature, *planes),
        replace(walked.path.points.named(keys.name), source=probe.file[0], frame=walked.frame),
        notices,
        _sources(file, [*probe.file, *face]),
        {"path": walk_details(walked.path, None)},
    )


def _touches(file: JobFile, probe: ProbeKeys, wanted: Sequence[FeatureKeys]) -> Stage:
    from capture.arm.probing import ProbeOptions, measure

    touches = {f.name: f.touches or f.name for f in wanted}
    fits = [f"{touches[f.name]}={f.kind}{f'@{touches.get(f.on, f.on)}' if f.on else ''}" for f in wanted]
    options = ProbeOptions(
        unit=probe.unit or file.job.job.unit,
        tip=probe.tip,
        tip_u=probe.tip_u,
        points=probe.points,
        fits=tuple(fits),
        ties=probe.tie,
        closing=probe.closing,
        tip_ball=probe.tip_ball,
        sides=(probe.side,) if probe.side else (),
    )
    found = measure([file.folder / name for name in probe.file], options)
    features, points = _named(found.results.features, found.points, wanted)
    told = dict(zip((str(file.folder / n) for n in probe.file), probe.file, strict=True))
    return Stage(
        found.results.frame,
        tuple(replace(f, source=_short(f.source, told)) for f in features),
        replace(points, source=", ".join(probe.file)),
        tuple(replace(n, text=_short(n.text, told)) for n in _notices(found.results.warnings, wanted, features)),
        _sources(file, probe.file),
        _plain(found.results.details, told),
    )


def _named(features: Sequence[Feature], points: Points, wanted: Sequence[FeatureKeys]) -> tuple[list[Feature], Points]:
    """The features a job wants under its own names, and the planes that they lie on; all where it names none."""
    import numpy as np

    if not wanted:
        return list(features), points
    names = {f.touches or f.name: f.name for f in wanted}
    known = {feature.name: feature for feature in features}
    planes = [known[on] for name in names if name in known and (on := known[name].on) in known and on not in names]
    kept = [known[name].renamed(names[name]) for name in names if name in known]
    kept = [replace(f, on=names.get(f.on, f.on)) if f.on else f for f in kept]
    kept += list(dict.fromkeys(planes))
    chosen = np.isin(points.label, [*names, *(plane.name for plane in planes)])
    cloud = points.select(chosen)
    label = np.array([names.get(name, name) for name in cloud.label.tolist()], dtype=str)
    return kept, replace(cloud, label=label)


def _notices(notices: Sequence[Notice], wanted: Sequence[FeatureKeys], features: Sequence[Feature]) -> Iterator[Notice]:
    """Warnings on what is kept, under the job's names; where the job says the kinds, none were chosen."""
    names = {f.touches or f.name: f.name for f in wanted} | {feature.name: feature.name for feature in features}
    for notice in notices:
        if not wanted or (notice.code != "kind-chosen" and (not notice.feature or notice.feature in names)):
            yield replace(notice, feature=names.get(notice.feature, notice.feature))


def _sources(file: JobFile, names: Sequence[str]) -> tuple[Source, ...]:
    return tuple(replace(Source.of(file.folder / name), path=name) for name in names)


def _short(text: str, told: dict[str, str]) -> str:
    for path, name in told.items():
        text = text.replace(path, name)
    return text


def _plain(item: Any, told: dict[str, str]) -> Any:
    """Details with paths as the job has them."""
    if isinstance(item, dict):
        return {key: _plain(value, told) for key, value in item.items()}
    if isinstance(item, list):
        return [_plain(value, told) for value in item]
    return _short(item, told) if isinstance(item, str) else item
