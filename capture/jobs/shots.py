"""One photo of a job as a stage: its bench solved, its features measured, its pictures drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.jobs.faces import face_of, face_word
from capture.jobs.plan import features_of_photo, photo_names
from capture.jobs.shared import face_names_of_errors, feature_with_names, points_with_names
from capture.jobs.stage import Stage, fingerprint, software
from capture.jobs.tilted import on_face, tilted_face
from fit.errors import CannotDetermine
from fit.points import join_points
from fit.results import Notice, Source
from fit.units import Length

if TYPE_CHECKING:
    from capture.camera.bench import Bench
    from capture.camera.face import Face
    from capture.camera.image import Image
    from capture.edges.candidates import Lead
    from capture.edges.picked import Leader, Pick, PickedFeature
    from capture.edges.strip import Lit
    from capture.jobs.keys import FeatureKeys, Job, PhotoKeys
    from capture.jobs.read import JobFile
    from fit.feature import Feature
    from fit.points import Points

__all__ = ["Picked", "Solved", "measured_picks", "photo_key", "photo_stage", "solve_photo"]


_ENDS_SHORT = 10.0
"""Way-points are good to about 3 mm; an edge that ends this much farther from one, mm, does not reach it."""


@dataclass(frozen=True, eq=False, slots=True)
class Solved:
    """A photo with its camera solved."""

    image: Image
    bench: Bench
    has_frame: bool
    has_lens: bool


@dataclass(frozen=True, eq=False, slots=True)
class Picked:
    """What the way-points of one photo gave: features in the job's order, their points, warnings, the picks themselves.

    leads : the edges that each feature was chosen from, by its name.
    """

    features: tuple[Feature, ...]
    points: Points | None
    notices: tuple[Notice, ...]
    picks: tuple[Pick, ...]
    leads: Mapping[str, Lead]


@dataclass(frozen=True, eq=False, slots=True)
class _Group:
    """Picks of one face: they share the sheet, so they are measured together. face : where it is tilted."""

    word: str
    picks: list[Pick]
    notices: list[Notice]
    face: Face | None = None


def photo_key(file: JobFile, index: int) -> str:
    """Hash of all that goes into a photo's stage."""
    job, photo = file.job, file.job.photo[index]
    wanted = features_of_photo(job, photo_names(job)[index])
    lens = _lens_path(job, photo)
    hashes = [Source.of(file.folder / name).sha256 for name in (photo.file, *([lens] if lens else []))]
    return fingerprint(software(), repr(photo), repr(wanted), hashes)


def photo_stage(file: JobFile, index: int) -> Stage:
    """Measure everything that a job wants from one photo.

    Raises InputError, CannotDetermine with the photo's name where nothing can be said at all.
    """
    job, photo = file.job, file.job.photo[index]
    name = photo_names(job)[index]
    wanted = features_of_photo(job, name)
    if not wanted:
        return _by_itself(file, photo)
    solved = solve_photo(file, photo)
    return _picked(file, index, solved, wanted)


def _lens_path(job: Job, photo: PhotoKeys) -> str | None:
    return photo.camera or (job.camera.file if job.camera else None)


def _by_itself(file: JobFile, photo: PhotoKeys) -> Stage:
    """The whole part in a frame, as `edgewright photo` measures it."""
    from capture.shooting import ShotOptions, shoot

    lens = _lens_path(file.job, photo)
    options = ShotOptions(
        camera=file.folder / lens if lens else None,
        **{key: getattr(photo, key) for key in ("height", "height_u", "thickness", "print_x", "print_y", "print_u")},
    )
    shot = shoot(file.folder / photo.file, options)
    features = tuple(replace(feature, source=photo.file) for feature in shot.results.features)
    return Stage(
        shot.results.frame,
        features,
        replace(shot.points, source=photo.file),
        tuple(shot.results.warnings),
        _sources(file, photo, shot.results.sources[0].sha256),
        shot.results.details,
        shot.files,
    )


def solve_photo(file: JobFile, photo: PhotoKeys) -> Solved:
    """Open a photo and solve its camera from the printed pieces in it."""
    from capture.camera.bench import solve_bench
    from capture.camera.detect import find_pieces
    from capture.camera.image import open_image
    from capture.camera.profile import read_profile

    lens = _lens_path(file.job, photo)
    profile = read_profile(file.folder / lens) if lens else None
    image = open_image(file.folder / photo.file)
    pieces = find_pieces(image)
    bench = solve_bench(
        image, pieces, print_x=photo.print_x, print_y=photo.print_y, print_u=photo.print_u, camera=profile
    )
    return Solved(image, bench, any(p.piece.kind == "frame" for p in pieces), profile is not None)


def _picked(file: JobFile, index: int, solved: Solved, wanted: Sequence[FeatureKeys]) -> Stage:
    from capture.camera.health import check_bench
    from capture.edges.strip import Lit, linear_light
    from capture.jobs.pictures import Marked, photo_pictures

    photo, name = file.job.photo[index], photo_names(file.job)[index]
    pixels = solved.image.colour()
    found = measured_picks(photo, name, wanted, solved, Lit(linear_light(pixels)))
    heights = sorted({pick.known.sheet.height for pick in found.picks})
    health = check_bench(solved.bench, heights, found.points.xyz if found.points else None)
    marked = Marked(found.features, found.points, found.leads)
    return Stage(
        solved.bench.frame,
        found.features,
        found.points,
        found.notices,
        _sources(file, photo, solved.image.sha256),
        {"camera": health.record(solved.bench)},
        photo_pictures(solved.image, pixels, solved.bench, found.picks, marked),
    )


def measured_picks(
    photo: PhotoKeys,
    name: str,
    wanted: Sequence[FeatureKeys],
    solved: Solved,
    lit: Lit,
    leader: Leader | None = None,
) -> Picked:
    """Measure features where their way-points lead; what cannot be measured is told in the notices."""
    groups = _groups(photo, name, wanted, solved.has_frame)
    notices, found = list(solved.bench.notices), []
    for group in groups:
        measured, told = _measured(lit, solved, group, leader)
        found += measured
        notices += [*group.notices, *told]
    order = {feature.name: i for i, feature in enumerate(wanted)}
    found.sort(key=lambda item: order[item.feature.name])
    notices += [notice for item in found for notice in item.notices]
    return Picked(
        tuple(replace(item.feature, source=photo.file) for item in found),
        replace(join_points([item.points for item in found]), source=photo.file) if found else None,
        tuple(dict.fromkeys(notices)),
        tuple(pick for group in groups for pick in group.picks),
        {item.feature.name: item.lead for item in found if item.lead},
    )


def _groups(photo: PhotoKeys, name: str, wanted: Sequence[FeatureKeys], on_paper: bool) -> list[_Group]:
    """The features by the face they lie on."""
    from capture.edges.picked import Pick

    groups: dict[tuple[str, float | None, str], _Group] = {}
    for feature in wanted:
        near = np.array((feature.near or {}).get(name) or (feature.near or {})[""])
        face, word = tilted_face(photo, feature), face_word(photo, feature)
        if face is not None:
            feature = feature.model_copy(update={"height": Length(float(face.height(near).mean())), "height_u": None})
        known, notices = face_of(photo, feature, on_paper)
        key = (word, feature.thickness, "" if face is None else feature.name)
        group = groups.setdefault(key, _Group(word, [], notices, face))
        pick = Pick(feature.name, feature.kind, near, known, feature.about, feature.closed)
        group.picks.append(replace(pick, edge=feature.edge, metal=feature.metal))
    return list(groups.values())


def _measured(
    lit: Lit, solved: Solved, group: _Group, leader: Leader | None
) -> tuple[list[PickedFeature], list[Notice]]:
    """One face's features; what is too far from the target is left out with the reason."""
    from capture.camera.health import outside_target
    from capture.edges.picked import lead, measure_picks

    renamed = face_names_of_errors(group.word)
    inside = [pick for pick in group.picks if _in_view(solved.bench, pick)]
    picked, notices = measure_picks(lit, solved.bench, inside, leader or lead)
    notices += [_not_in_view(pick) for pick in group.picks if pick not in inside]
    by_name = {pick.name: pick for pick in inside}
    kept = []
    for item in picked:
        try:
            if group.face is not None:
                item = on_face(item, by_name[item.feature.name], solved.bench, group.face)
            notice = outside_target(solved.bench, item.points.xyz, item.feature.name, has_lens=solved.has_lens)
        except CannotDetermine as error:
            notices.append(Notice("not-measured", str(error), item.feature.name))
            continue
        notices += [*([notice] if notice else []), *_ends_short(by_name[item.feature.name], item.points)]
        named = feature_with_names(item.feature, renamed)
        kept.append(replace(item, feature=named, points=points_with_names(item.points, renamed)))
    return kept, notices


def _ends_short(pick: Pick, points: Points) -> list[Notice]:
    """Tell where the edge found comes nowhere near the first or last way-point: what is missing there is not in its length."""
    if pick.kind not in ("path", "line") or pick.closed:
        return []
    gaps = {
        word: float(np.linalg.norm(points.xyz[:, :2] - place, axis=1).min())
        for word, place in (("first", pick.near[0]), ("last", pick.near[-1]))
    }
    text = (
        "The edge found ends {:.0f} mm from the {} way-point of '{}', and so does its length. Look at its picks picture, then "
        "correct near, mark the rest as a path of its own, or shoot in other light."
    )
    told = (text.format(gap, word, pick.name) for word, gap in gaps.items() if gap > _ENDS_SHORT)
    return [Notice("ends-short", words, pick.name) for words in told]


def _in_view(bench: Bench, pick: Pick) -> bool:
    """Whether all way-points of a pick lie inside the photo."""
    places = np.column_stack([pick.near, np.full(len(pick.near), pick.known.sheet.height)])
    px = bench.project(places)
    return bool(((px >= 0) & (px <= np.array(bench.image.size) - 1)).all())


def _not_in_view(pick: Pick) -> Notice:
    text = "A way-point lies outside the photo, so it is not measured here; correct near, or show all of it."
    return Notice("not-measured", text, pick.name)


def _sources(file: JobFile, photo: PhotoKeys, sha256: str) -> tuple[Source, ...]:
    """Photo and lens file, by the names that the job gives them."""
    lens = _lens_path(file.job, photo)
    picture = Source(photo.file, sha256)
    return (picture, replace(Source.of(file.folder / lens), path=lens)) if lens else (picture,)
