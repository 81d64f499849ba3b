"""From the stages of a job to one result: features joined and averaged, made ones added, datum applied, sizes judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from capture.jobs.check_sizes import TWO
from capture.jobs.frames import datum_frame, datum_names
from capture.jobs.made import add_made
from capture.jobs.plan import base_name, features_of_photo, photo_names, photos_of
from capture.jobs.several import Average, average
from capture.jobs.shared import feature_with_names, photo_names_of_errors, points_with_names
from capture.jobs.sizes import size_of
from fit.feature import Feature
from fit.points import Points, join_points
from fit.results import Dimension, Notice

if TYPE_CHECKING:
    from capture.jobs.keys import PhotoKeys
    from capture.jobs.read import JobFile
    from capture.jobs.stage import Stage

__all__ = ["Composed", "compose"]


@dataclass(frozen=True, eq=False, slots=True)
class Composed:
    """A job's result before calculators and files.

    averages : features measured in several photos, by name.
    """

    frame: str
    features: Mapping[str, Feature]
    points: Points | None
    dimensions: Sequence[Dimension]
    notices: Sequence[Notice]
    averages: Mapping[str, Average] = field(default_factory=dict)


def compose(file: JobFile, photos: Mapping[str, Stage], probes: Mapping[str, Stage]) -> Composed:
    """Join all stages.

    Raises InputError or CannotDetermine where the datum cannot be had.
    """
    photos = _told_apart(file, photos)
    features, averages, frames = _collected(file, photos, probes)
    notices = [notice for stage in (*photos.values(), *probes.values()) for notice in stage.notices]
    notices += [notice for found in averages.values() for notice in found.notices]
    notices += add_made([keys for keys in file.job.feature if keys.offset or keys.kind == "symmetry"], features)
    _inherit_frames(file, features, frames)
    points = [stage.points for stage in (*photos.values(), *probes.values()) if stage.points is not None]
    cloud, told = _cloud(points)
    notices += told
    frame = " | ".join(dict.fromkeys(stage.frame for stage in (*photos.values(), *probes.values()))) or "as typed"
    if file.job.datum is not None and features:
        features, cloud, frame = _in_datum(file, features, cloud, frames)
    dimensions, more = _dimensions(file, features, frames)
    return Composed(frame, _in_order(file, features), cloud, dimensions, [*notices, *more], averages)


def _told_apart(file: JobFile, photos: Mapping[str, Stage]) -> dict[str, Stage]:
    """Of several photos: errors that are each photo's own, and features that name themselves, get the photo's name."""
    if len(photos) < 2:
        return dict(photos)
    keys = dict(zip(photo_names(file.job), file.job.photo, strict=True))
    first = next(iter(keys.values()))
    auto = [name for name in photos if not features_of_photo(file.job, name)]
    result = {}
    for name, stage in photos.items():
        renamed = photo_names_of_errors(name, _own_sources(keys[name], first))
        features = tuple(feature_with_names(feature, renamed) for feature in stage.features)
        notices = tuple(replace(n, text=f"In photo '{name}': {n.text}") for n in stage.notices)
        points = stage.points and points_with_names(stage.points, renamed)
        stage = replace(stage, features=features, points=points, notices=notices)
        result[name] = _prefixed(stage, name) if name in auto and len(photos) > 1 else stage
    return result


def _own_sources(photo: PhotoKeys, first: PhotoKeys) -> frozenset[str]:
    """Words of error sources in which a photo differs from the first: typed anew, so they err anew."""
    groups = {
        ("lens", "focal"): ("camera",),
        ("caliper", "print"): ("print_x", "print_y", "print_u"),
        ("height",): ("height", "height_u"),
    }
    differ = [words for words, keys in groups.items() if any(getattr(photo, k) != getattr(first, k) for k in keys)]
    return frozenset(word for words in differ for word in words)


def _prefixed(stage: Stage, photo: str) -> Stage:
    """Features that named themselves, such as ``hole 1``, as ``square: hole 1``."""
    import numpy as np

    points = stage.points
    if points is not None:
        points = replace(points, label=np.array([f"{photo}: {name}" for name in points.label.tolist()], dtype=str))
    notices = tuple(replace(n, feature=f"{photo}: {n.feature}") if n.feature else n for n in stage.notices)
    features = tuple(f.renamed(f"{photo}: {f.name}") for f in stage.features)
    return replace(stage, features=features, points=points, notices=notices)


def _collected(
    file: JobFile, photos: Mapping[str, Stage], probes: Mapping[str, Stage]
) -> tuple[dict[str, Feature], dict[str, Average], dict[str, str]]:
    """Features by name, averages over photos, and the frame that each feature is told in."""
    features: dict[str, Feature] = {}
    frames: dict[str, str] = {}
    found: dict[str, dict[str, Feature]] = {}
    for name, stage in (*photos.items(), *probes.items()):
        for feature in stage.features:
            found.setdefault(feature.name, {})[name] = feature
            frames.setdefault(feature.name, stage.frame)
    keys = {feature.name: feature for feature in file.job.feature}
    averages: dict[str, Average] = {}
    for name, by_source in found.items():
        if len(by_source) == 1:
            features[name] = next(iter(by_source.values()))
            continue
        same = "" in (keys[name].near or {}) and len({photos[photo].frame for photo in by_source}) == 1
        averages[name] = average(by_source, same)
        source = ", ".join(dict.fromkeys(f.source for f in by_source.values()))
        features[name] = replace(averages[name].feature, source=source)
    return features, averages, frames


def _inherit_frames(file: JobFile, features: Mapping[str, Feature], frames: dict[str, str]) -> None:
    for keys in file.job.feature:
        if keys.of and keys.name in features:
            frames[keys.name] = frames.get(base_name(keys.of[0])[0], frames.get(keys.of[0], ""))


def _cloud(points: Sequence[Points]) -> tuple[Points | None, list[Notice]]:
    """All points of the first frame; points told in other axes cannot lie in the same cloud."""
    if not points:
        return None, []
    same = [cloud for cloud in points if cloud.frame == points[0].frame]
    if len(same) == len(points):
        return join_points(points), []
    apart = ", ".join(dict.fromkeys(cloud.source for cloud in points if cloud.frame != points[0].frame))
    text = f"The sources have axes of their own; the cloud holds only those of {points[0].source}, not {apart}."
    return join_points(same), [Notice("frames-apart", text)]


def _in_datum(
    file: JobFile, features: Mapping[str, Feature], cloud: Points | None, frames: dict[str, str]
) -> tuple[dict[str, Feature], Points | None, str]:
    """Everything of the datum's own axes told in the datum frame; the rest stays as it is."""
    from capture.arm.datum import feature_in, points_in

    datum = datum_frame(file, features)
    assert file.job.datum is not None
    base = frames.get(base_name(datum_names(file.job.datum)[0])[0], "")
    moved = {name: feature_in(datum, f) if frames.get(name) == base else f for name, f in features.items()}
    if cloud is not None and cloud.frame == base:
        cloud = points_in(datum, cloud)
    others = [frame for frame in dict.fromkeys(frames.values()) if frame != base]
    for name, frame in list(frames.items()):
        frames[name] = datum.frame if frame == base else frame
    return moved, cloud, " | ".join([datum.frame, *others])


def _dimensions(
    file: JobFile, features: Mapping[str, Feature], frames: Mapping[str, str]
) -> tuple[list[Dimension], list[Notice]]:
    found, notices = [], []
    asked = [feature.name for feature in file.job.feature]
    for keys in file.job.dimension:
        apart = _apart(keys, frames)
        if apart:
            title = keys.name or f"{keys.kind} of {apart}"
            text = f"{apart} were measured in different axes, so '{title}' is left out; measure both in one source."
            notices.append(Notice("dimension-left-out", text, title))
            continue
        sized = size_of(keys, features, file.job.job.general_tolerance, asked)
        found += [sized.dimension] if sized.dimension else []
        notices += [*sized.notices, *_two_photos(file, keys)]
    return found, notices


def _of(keys: Any) -> list[str]:
    return [name for name in (keys.first, keys.to, *(keys.of or ())) if name]


def _apart(keys: Any, frames: Mapping[str, str]) -> str:
    """The names of features told in different axes, '' where all are in the same."""
    names = _of(keys)
    told = {frames.get(name) or frames.get(base_name(name)[0]) for name in names} - {None}
    return " and ".join(f"'{name}'" for name in names) if len(told) > 1 else ""


def _two_photos(file: JobFile, keys: Any) -> list[Notice]:
    """A distance between features of different photos holds only if the part did not move against the print."""
    by_name = {feature.name: feature for feature in file.job.feature}
    sources = [
        set(photos_of(file.job, by_name[base_name(name)[0]])) for name in _of(keys) if base_name(name)[0] in by_name
    ]
    if keys.kind not in TWO or len(sources) < 2 or not all(sources) or set.intersection(*sources):
        return []
    text = "Its features come from different photos; it holds only if the part did not move against the print."
    return [Notice("different-photos", text, keys.name or " to ".join(_of(keys)))]


def _in_order(file: JobFile, features: Mapping[str, Feature]) -> dict[str, Feature]:
    """Features as the job lists them, then those that named themselves."""
    listed = [keys.name for keys in file.job.feature if keys.name in features]
    return {name: features[name] for name in dict.fromkeys([*listed, *features])}
