"""What the page asks of an open job: marks placed, moved and changed, each saved at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.jobs.plan import features_of_photo, photo_names
from capture.page.desk import Desk, adopted
from capture.page.edits import edited, free_name
from capture.page.shown import drawn_feature, listed_feature, other_edge, told_text, typed_length, way_points
from capture.page.wording import typed_fault
from capture.page.workings import heads_of
from fit.errors import EdgewrightError, InputError
from fit.points import FloatArray, Points

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys
    from capture.jobs.read import JobFile

__all__ = ["change", "mark", "move", "state"]

WORDS = {"line": "edge", "arc": "arc", "circle": "hole", "slot": "slot", "path": "path"}
_MOST_POINTS = 400

Record = dict[str, Any]


def state(desk: Desk) -> Record:
    """The job as it is now: names, photos, marks, how far undo and redo go."""
    undo, redo = desk.book.steps()
    told: Record = {"revision": desk.book.revision, "undo": undo, "redo": redo, "file": desk.book.path.name}
    try:
        file = desk.job()
    except EdgewrightError as error:
        return {**told, "fault": desk.plain(str(error)), "photos": [], "features": [], "name": "", "unit": "mm"}
    head = file.job.job
    return {
        **told,
        "saved": desk.book.exists,
        "name": head.name or desk.book.path.stem,
        "unit": head.unit_out,
        "photos": [
            {"name": name, "file": photo.file, **_typed(photo, _PHOTO_KEYS, head.unit_out)}
            for name, photo in zip(photo_names(file.job), file.job.photo, strict=True)
        ],
        "features": [_marked(feature, head.unit_out) for feature in file.job.feature],
        "probes": len(file.job.probe),
        "calculators": heads_of(file),
    }


_PHOTO_KEYS = ("height", "height_u", "thickness", "print_x", "print_y")


def _typed(keys: Any, names: Sequence[str], unit: str) -> Record:
    return {name: typed_length(getattr(keys, name), unit) for name in names}


def _marked(feature: FeatureKeys, unit: str) -> Record:
    return {
        "name": feature.name,
        "kind": feature.kind,
        "closed": feature.closed,
        "near": feature.near,
        "edge": feature.edge,
        "metal": feature.metal,
        **_typed(feature, ("height", "thickness", "about"), unit),
    }


def change(desk: Desk, revision: str, changes: Sequence[Mapping[str, Any]]) -> None:
    """Save changes; what measured itself becomes a mark of the job as soon as it is changed."""
    file = desk.job()
    known = {feature.name for feature in file.job.feature}
    touched = {str(c.get("name")) for c in changes if c.get("do") in ("change feature", "remove feature")}
    added = [item for i in range(len(file.job.photo)) for item in _adoption(desk, file, i)] if touched - known else []
    _check_new(file, changes)
    try:
        desk.book.change(revision, lambda text: edited(text, [*added, *changes]))
    except InputError as error:
        raise InputError(typed_fault(str(error))) from error


def _check_new(file: JobFile, changes: Sequence[Mapping[str, Any]]) -> None:
    """Refuse a size that is in the list already, as a press that came twice would add it."""
    there = {_size((keys.kind, keys.first, keys.to, keys.of, keys.direction)) for keys in file.job.dimension}
    for keys in (c.get("keys", {}) for c in changes if c.get("do") == "add dimension"):
        if _size(tuple(keys.get(key) for key in ("kind", "from", "to", "of", "direction"))) in there:
            message = "That size is in the list already."
            raise InputError(message)


def _size(asked: Sequence[Any]) -> tuple[object, ...]:
    """What a size is taken of; from one feature to another is the same as back."""
    kind, first, to, of, direction = asked
    return kind, frozenset(map(str, (first, to))), str([of] if isinstance(of, str) else list(of or ())), str(direction)


def mark(desk: Desk, asked: Mapping[str, Any]) -> Record:
    """Measure a new mark; save it where the photo shows what is meant.

    Raises CannotDetermine or InputError, and nothing is saved.
    """
    file, index = desk.job(), _number(asked, "photo")
    view, kind = str(asked.get("view", "raw")), str(asked.get("kind"))
    desk.held(file, index)
    added = _adoption(desk, file, index)
    taken = [feature.name for feature in file.job.feature] + [item["keys"]["name"] for item in added]
    height = asked.get("height")
    keys = {
        "name": str(asked.get("name") or free_name(WORDS.get(kind, "mark"), taken)),
        "kind": kind,
        "photo": photo_names(file.job)[index] if len(file.job.photo) > 1 or file.job.probe else None,
        "near": _near(desk, file, index, asked, height),
        "about": asked.get("about"),
        "height": height,
        "closed": True if asked.get("closed") else None,
    }
    keys = {key: value for key, value in keys.items() if value is not None}
    told = _tried(desk, file, index, _feature(keys), view)
    desk.book.change(
        str(asked.get("revision")), lambda text: edited(text, [*added, {"do": "add feature", "keys": keys}])
    )
    return told


def move(desk: Desk, asked: Mapping[str, Any]) -> Record:
    """Measure a mark with its way-points moved, and save it.

    Raises CannotDetermine or InputError, and nothing is saved.
    """
    file, index, name = desk.job(), _number(asked, "photo"), str(asked.get("name"))
    photo = photo_names(file.job)[index]
    feature = next((f for f in features_of_photo(file.job, photo) if f.name == name), None)
    if feature is None:
        message = f"The job has no mark '{name}' in this photo."
        raise InputError(message)
    height = feature.height.value if feature.height is not None else None
    near: Any = _near(desk, file, index, asked, height)
    held = {**(feature.near or {}), photo: tuple(map(tuple, near))}
    tried = feature.model_copy(update={"near": held})
    if set(feature.near or {}) - {""}:
        near = {key: [list(p) for p in points] for key, points in held.items()}
    told = _tried(desk, file, index, tried, str(asked.get("view", "raw")))
    step = {"do": "change feature", "name": name, "set": {"near": near}}
    desk.book.change(str(asked.get("revision")), lambda text: edited(text, [step]))
    return told


def _adoption(desk: Desk, file: JobFile, index: int) -> list[Record]:
    """What measured itself in a photo without marks, as marks to be added; nothing where marks are there already."""
    name = photo_names(file.job)[index]
    if features_of_photo(file.job, name):
        return []
    stage = desk.measured().stages.get(name)
    several = len(file.job.photo) > 1 or bool(file.job.probe)
    taken = {feature.name for feature in file.job.feature}
    items = [keys | ({"photo": name} if several else {}) for keys in (adopted(stage) if stage else [])]
    return [{"do": "add feature", "keys": keys} for keys in items if keys["name"] not in taken]


def _tried(desk: Desk, file: JobFile, index: int, feature: FeatureKeys, view: str) -> Record:
    found = desk.tried(file, index, feature)
    held, points = desk.held(file, index), found.points or Points(np.zeros((0, 3)))
    fitted, unit = found.features[0], file.job.job.unit_out
    drawn = drawn_feature(fitted, points.labelled(fitted.name), held, view)
    drawn["near"] = way_points(feature, photo_names(file.job)[index], held, view)
    if lead := found.leads.get(fitted.name):
        drawn["other"] = other_edge(lead, held, view, unit)
    return {
        "feature": listed_feature(fitted, unit),
        "drawn": drawn,
        "warnings": [told_text(notice, unit) for notice in found.notices if notice.feature == fitted.name],
    }


def _feature(keys: Mapping[str, Any]) -> FeatureKeys:
    from pydantic import ValidationError

    from capture.jobs.faults import fault_words
    from capture.jobs.keys import FeatureKeys

    try:
        return FeatureKeys.model_validate(dict(keys))
    except ValidationError as error:
        fault = error.errors()[0]
        raise InputError(typed_fault(fault_words(fault, ("feature", 0, *fault["loc"])))) from error


def _near(desk: Desk, file: JobFile, index: int, asked: Mapping[str, Any], height: Any) -> list[list[float]]:
    """Way-points in mm on the mark's own face from places in a view."""
    from fit.units import Length, parse_length

    held = desk.held(file, index)
    typed = parse_length(height) if isinstance(height, str) else Length(_finite(height)) if height is not None else None
    level = held.level if typed is None else typed.value
    xy = held.to_bench(_places(asked.get("px")), str(asked.get("view", "raw")), level)
    return [[round(float(x), 2), round(float(y), 2)] for x, y in xy]


def _places(given: Any) -> FloatArray:
    if not isinstance(given, list) or not 1 <= len(given) <= _MOST_POINTS:
        message = f"A mark takes 1 to {_MOST_POINTS} points."
        raise InputError(message)
    return np.array([[_finite(v) for v in _pair(point)] for point in given])


def _pair(point: Any) -> Sequence[Any]:
    if not isinstance(point, list) or len(point) != 2:
        message = "A point of a mark is [x, y]."
        raise InputError(message)
    return point


def _finite(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or abs(value) > 1e6:
        message = f"'{value}' is not a number that can be used here."
        raise InputError(message)
    return float(value)


def _number(asked: Mapping[str, Any], key: str) -> int:
    value = asked.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        message = f"'{key}' must be a whole number."
        raise InputError(message)
    return value
