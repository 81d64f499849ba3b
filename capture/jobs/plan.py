"""Which feature comes from which source of a job: names given or taken from files, and who measures by itself."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys, Job

__all__ = ["base_name", "features_of_photo", "features_of_probe", "photo_names", "photos_of", "probe_names", "probe_of"]


def photo_names(job: Job) -> list[str]:
    """Names of the photos in the order of the file."""
    return [photo.name or PurePath(photo.file).stem for photo in job.photo]


def probe_names(job: Job) -> list[str]:
    """Names of the probes in the order of the file."""
    return [probe.name or PurePath(probe.file[0]).stem for probe in job.probe]


def photos_of(job: Job, feature: FeatureKeys) -> Sequence[str]:
    """Photos that a feature is measured in: those named, or the only source there is."""
    if feature.photo is not None:
        return feature.photo
    only = len(job.photo) == 1 and not job.probe and feature.probe is None and not feature.of
    return photo_names(job) if only else ()


def probe_of(job: Job, feature: FeatureKeys) -> str | None:
    """Probe that a feature is measured by: the one named, or the only source there is."""
    if feature.probe is not None:
        return feature.probe
    only = len(job.probe) == 1 and not job.photo and feature.photo is None and not feature.of
    return probe_names(job)[0] if only else None


def features_of_photo(job: Job, name: str) -> list[FeatureKeys]:
    """Features to be measured in one photo; none: the part is measured by itself."""
    return [feature for feature in job.feature if name in photos_of(job, feature)]


def features_of_probe(job: Job, name: str) -> list[FeatureKeys]:
    """Features to be measured from one probe; none: all that its lists hold."""
    return [feature for feature in job.feature if probe_of(job, feature) == name]


def base_name(reference: str) -> tuple[str, int | None]:
    """``outline.3`` as the feature's name and its piece, from 1; a plain name has no piece."""
    name, dot, number = reference.rpartition(".")
    return (name, int(number)) if dot and name and number.isdigit() else (reference, None)
