"""What must hold between the keys of a job: names that exist, sources that fit the kind, limits that can be met."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from capture.jobs.faults import nearest
from capture.jobs.keys import MADE_KINDS, PHOTO_KINDS, PROBE_KINDS
from capture.jobs.plan import base_name, photo_names, photos_of, probe_names, probe_of
from capture.jobs.tilted import STEEP
from fit.errors import InputError

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys, Job, PhotoKeys
    from capture.jobs.read import JobFile

__all__ = ["check_job"]

LEAST_POINTS = {"line": 2, "arc": 3, "path": 2, "circle": 1, "slot": 1}
_PHOTO_KEYS = ("near", "about", "edge", "metal", "height", "height_u", "heights", "thickness")
_PROBE_KEYS = ("touches", "on")
_MADE_KEYS = ("of", "offset", "side", "layer")
_HIGHEST = 500.0


def check_job(file: JobFile) -> None:
    """Check what single keys cannot tell.

    Raises InputError at the first key that does not fit the others.
    """
    _check_names(file)
    _check_files(file)
    for i, photo in enumerate(file.job.photo):
        _check_face(file, ("photo", i), photo)
    for i, probe in enumerate(file.job.probe):
        _check_probe(file, i, probe)
    for i, feature in enumerate(file.job.feature):
        _check_feature(file, i, feature)
    from capture.jobs.check_sizes import check_datum, check_dimensions, check_tables

    known = known_features(file.job)
    check_datum(file, known)
    check_dimensions(file, known)
    check_tables(file)


def known_features(job: Job) -> list[str] | None:
    """Names of all features to come, None where a source is measured by itself and names its own."""
    used = {name for feature in job.feature for name in (*photos_of(job, feature), probe_of(job, feature))}
    free = [name for name in (*photo_names(job), *probe_names(job)) if name not in used]
    planes = {feature.on for feature in job.feature if feature.on}
    return None if [name for name in free if name not in planes] else [feature.name for feature in job.feature]


def _check_names(file: JobFile) -> None:
    job = file.job
    if not (job.photo or job.probe or job.bend or job.rod or job.clear):
        raise file.fault((), "the job names no source; add a [[photo]] or a [[probe]].")
    named: tuple[tuple[str, Sequence[str]], ...] = (
        ("photo", photo_names(job)),
        ("probe", probe_names(job)),
        ("feature", [feature.name for feature in job.feature]),
        ("dimension", [item.name or "" for item in job.dimension]),
    )
    for kind, names in named:
        for i, name in enumerate(names):
            if name and name in names[:i]:
                text = f"the name '{name}' is taken by an earlier {kind}; give each its own name."
                raise file.fault((kind, i, "name"), text)
    for i, name in enumerate(probe_names(job)):
        if name in photo_names(job):
            raise file.fault(("probe", i, "name"), f"the name '{name}' is taken by a photo; give each its own name.")


def _check_files(file: JobFile) -> None:
    job = file.job
    wanted: list[tuple[tuple[str | int, ...], str]] = []
    if job.camera:
        wanted.append((("camera", "file"), job.camera.file))
    for i, photo in enumerate(job.photo):
        wanted.append((("photo", i, "file"), photo.file))
        wanted += [(("photo", i, "camera"), photo.camera)] if photo.camera else []
    for i, probe in enumerate(job.probe):
        wanted += [(("probe", i, "file"), name) for name in probe.file]
    for where, name in wanted:
        if not (file.folder / name).is_file():
            text = f"there is no file '{name}' beside the job; correct the path, which starts from the job's folder."
            raise file.fault(where, text)


def _check_face(file: JobFile, where: tuple[str | int, ...], keys: PhotoKeys | FeatureKeys) -> None:
    """Height and thickness of a photo or feature."""
    height, height_u, thickness = (getattr(keys, key) for key in ("height", "height_u", "thickness"))
    if height is not None and not 0 <= height.value <= _HIGHEST:
        text = f"height must be 0 to {_HIGHEST:g} mm above the print; got {height.value:g}."
        raise file.fault((*where, "height"), text)
    if keys.heights is not None:
        _check_tilt(file, where, keys)
        return
    if height_u is not None and (height is None or height.limit is not None):
        text = "height_u goes with a height that has no ± of its own; give one of the two."
        raise file.fault((*where, "height_u"), text)
    if height is not None and thickness is not None and thickness > max(height.value, 0.1) + 0.5:
        text = f"thickness must be no more than the height {height.value:g}; got {thickness:g}."
        raise file.fault((*where, "thickness"), text)


def _check_tilt(file: JobFile, where: tuple[str | int, ...], keys: PhotoKeys | FeatureKeys) -> None:
    """Three heights that make a face, not too steep."""
    from capture.camera.face import Face

    if keys.height is not None:
        raise file.fault((*where, "heights"), "give height or heights, not both.")
    try:
        face = Face.through("heights", keys.heights or (), 1.0)
    except InputError as error:
        text = str(error).removeprefix("Face 'heights': ")
        raise file.fault((*where, "heights"), f"heights: {text}") from error
    if float(np.hypot(*face.coefficients[1:])) > STEEP:
        text = "heights: the face leans by more than 19°; lay the part flatter, or touch it with an arm."
        raise file.fault((*where, "heights"), text)


def _check_probe(file: JobFile, i: int, probe: object) -> None:
    tip, points, ball = (getattr(probe, key) for key in ("tip", "points", "tip_ball"))
    if points == "centre" and tip is None and ball is None:
        raise file.fault(("probe", i, "points"), "points = 'centre' needs the tip's diameter; add tip, or tip_ball.")
    if tip is not None and points is None:
        text = "tip is given, but not what the list holds; add points = 'centre' or 'surface'."
        raise file.fault(("probe", i, "tip"), text)


def _check_feature(file: JobFile, i: int, feature: FeatureKeys) -> None:
    where = ("feature", i)
    if feature.kind in MADE_KINDS:
        _check_made(file, i, feature)
        return
    if feature.photo and feature.probe:
        raise file.fault((*where, "probe"), "a feature comes from a photo or from a probe; leave one of them out.")
    for key, given, names in (
        ("photo", feature.photo or (), photo_names(file.job)),
        ("probe", [feature.probe] if feature.probe else [], probe_names(file.job)),
    ):
        _refuse_unknown(given, names, functools.partial(file.fault, (*where, key)), key)
    if photos_of(file.job, feature):
        _refuse_keys(file, i, (*_PROBE_KEYS, *_MADE_KEYS), "a photo")
        _check_photo_feature(file, i, feature)
    elif probe_of(file.job, feature):
        _refuse_keys(file, i, (*_PHOTO_KEYS, *_MADE_KEYS), "a probe")
        _check_probe_feature(file, i, feature)
    else:
        named = [*photo_names(file.job), *probe_names(file.job)]
        raise file.fault(where, f"say where it comes from: photo = or probe =; there are {', '.join(named)}.")


def _refuse_keys(file: JobFile, i: int, keys: Sequence[str], source: str) -> None:
    given = file.job.feature[i].model_fields_set
    for key in keys:
        if key in given:
            text = f"the key '{key}' does not go with {source}; remove it."
            raise file.fault(("feature", i, key), text)


def _check_photo_feature(file: JobFile, i: int, feature: FeatureKeys) -> None:
    where = ("feature", i)
    if len(set(feature.photo or ())) < len(feature.photo or ()):
        raise file.fault((*where, "photo"), "a photo is named twice; name each once.")
    if feature.kind not in PHOTO_KINDS:
        text = f"kind = '{feature.kind}' cannot be seen in a photo; known are {', '.join(PHOTO_KINDS)}."
        raise file.fault((*where, "kind"), text)
    if feature.near is None:
        raise file.fault(where, "the key 'near' is missing; add way-points [[x, y], …] in mm along the edge.")
    if feature.closed and feature.kind != "path":
        raise file.fault((*where, "closed"), "closed goes with kind = 'path' only; remove it.")
    _check_metal(file, i, feature)
    _check_near(file, i, feature)
    _check_face(file, where, feature)


def _check_metal(file: JobFile, i: int, feature: FeatureKeys) -> None:
    if feature.metal is None:
        return
    if feature.kind in ("circle", "slot"):
        text = f"metal does not go with kind = '{feature.kind}': it lies round the hole; remove it."
        raise file.fault(("feature", i, "metal"), text)
    sides = ("in", "out") if feature.closed else ("left", "right")
    if feature.metal not in sides:
        what = "a closed path" if feature.closed else "an open edge"
        raise file.fault(("feature", i, "metal"), f"metal of {what} is '{sides[0]}' or '{sides[1]}'; change it.")


def _check_near(file: JobFile, i: int, feature: FeatureKeys) -> None:
    near, where = feature.near or {}, ("feature", i, "near")
    photos = photos_of(file.job, feature)
    _refuse_unknown([p for p in near if p], photos, lambda text: file.fault(where, text), "photo of this feature")
    for photo in photos:
        points = near.get(photo, near.get("", ()))
        least = LEAST_POINTS[feature.kind] + (feature.closed and feature.kind == "path")
        if len(points) < least:
            what = f"near needs at least {least} way-points for kind {feature.kind}"
            raise file.fault(where, f"{what}; got {len(points)}{f' for photo {photo!r}' if '' not in near else ''}.")
        if any(a == b for a, b in itertools.pairwise(points)):
            raise file.fault(where, "two way-points in a row are the same; remove one.")


def _check_probe_feature(file: JobFile, i: int, feature: FeatureKeys) -> None:
    where, names = ("feature", i), probe_names(file.job)
    if feature.kind not in PROBE_KINDS:
        text = f"kind = '{feature.kind}' cannot be touched; known are {', '.join(PROBE_KINDS)}."
        raise file.fault((*where, "kind"), text)
    probe = file.job.probe[names.index(str(probe_of(file.job, feature)))]
    if feature.kind == "path" and len(probe.file) > 1:
        raise file.fault((*where, "probe"), "a path is walked in one list; give this probe a single file.")
    if feature.kind == "path" and feature.on is not None and feature.on not in names:
        text = f"on = '{feature.on}' must name the [[probe]] that touched the face; {nearest(feature.on, names)}."
        raise file.fault((*where, "on"), text)


def _check_made(file: JobFile, i: int, feature: FeatureKeys) -> None:
    where = ("feature", i)
    _refuse_keys(file, i, ("photo", "probe", *_PHOTO_KEYS, *_PROBE_KEYS), f"kind = '{feature.kind}'")
    if feature.kind == "symmetry":
        _refuse_keys(file, i, _MADE_KEYS[1:], "kind = 'symmetry'")
    needs = ("of", "offset", "side") if feature.kind == "offset" else ("of",)
    for key in needs:
        if getattr(feature, key) is None:
            raise file.fault(where, f"the key '{key}' is missing; a feature of kind '{feature.kind}' needs it.")
    of, count = feature.of or (), 1 if feature.kind == "offset" else 2
    if len(of) != count:
        raise file.fault((*where, "of"), f"of must name {count} feature{'s'[: count - 1]}; got {len(of)}.")
    known = known_features(file.job)
    if known is None:
        return
    earlier = [f.name for f in file.job.feature[:i]] + [f.name for f in file.job.feature if f.kind not in MADE_KINDS]
    names = list(dict.fromkeys(earlier))
    _refuse_unknown([base_name(n)[0] if n not in names else n for n in of], names,
                    lambda text: file.fault((*where, "of"), text), "feature")  # fmt: skip


def _refuse_unknown(given: Sequence[str], known: Sequence[str], fault: Callable[[str], Exception], what: str) -> None:
    for name in given:
        if name not in known:
            text = f"there is no {what} '{name}'; {nearest(name, known)}."
            raise fault(text)
