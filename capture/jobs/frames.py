"""The datum of a job: from its own features to the axes that everything is told in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capture.arm.datum import Datum as DatumFrame
from capture.arm.datum import datum_from_features
from capture.jobs.faults import nearest
from capture.jobs.sizes import feature_named
from fit.errors import CannotDetermine, InputError
from fit.feature import KIND_ORDER, Feature

if TYPE_CHECKING:
    from capture.jobs.keys import Datum
    from capture.jobs.read import JobFile

__all__ = ["datum_frame", "datum_names"]

FACE = "face"


def datum_names(datum: Datum) -> list[str]:
    """Names of the datum features in the order primary, secondary, tertiary; without the face of a photo."""
    if datum.holes:
        return list(datum.holes)
    if datum.edge:
        return [datum.edge, str(datum.corner)]
    return [name for name in (datum.primary, datum.secondary, datum.tertiary) if name]


def datum_frame(file: JobFile, features: Mapping[str, Feature]) -> DatumFrame:
    """The datum frame that a job asks for.

    Raises InputError or CannotDetermine, with the job's line, where its features were not measured or make no frame.
    """
    datum = file.job.datum
    assert datum is not None
    names = datum_names(datum)
    parts = []
    for name in names:
        part = feature_named(features, name)
        if part is None:
            message = f"the datum feature '{name}' was not measured; {nearest(name, list(features), listed=True)}."
            raise CannotDetermine(str(file.fault(("datum",), message)))
        parts.append(part)
    _check_kinds(file, datum, parts)
    if datum.primary is None:
        parts = [_face(parts), *parts]
    try:
        return _told(datum_from_features(parts), names)
    except (InputError, CannotDetermine) as error:
        message = str(file.fault(("datum",), str(error).removeprefix("--datum: ").removeprefix("--datum ")))
        raise type(error)(message) from error


def _check_kinds(file: JobFile, datum: Datum, parts: Sequence[Feature]) -> None:
    """An edge is straight, and what stands under holes has a centre."""
    if datum.edge and parts[0].kind != "line":
        told = f"edge = '{parts[0].name}' is no line but of kind '{parts[0].kind}'"
        message = f"{told}; name a straight edge, or use holes = [two holes]."
        raise InputError(str(file.fault(("datum", "edge"), message)))
    for part in parts if datum.holes else ():
        if part.kind not in ("circle", "slot", "arc", "sphere"):
            message = (
                f"'{part.name}' is of kind '{part.kind}' and has no centre; name two holes, or use edge and corner."
            )
            raise InputError(str(file.fault(("datum", "holes"), message)))


def _face(parts: Sequence[Feature]) -> Feature:
    """The plane of the face that the first datum feature lies on, facing the camera; its own height is the zero of z."""
    first = parts[0]
    keys = ("x", "y", "z") if "x" in first.order else ("x1", "y1", "z1")
    normal = first.vector(("nx", "ny", "nz")) if "nx" in first.order else np.array([0.0, 0.0, 1.0])
    values = np.concatenate([first.vector(keys), normal if normal[2] >= 0 else -normal])
    # its height errs with the features on it, so that they stay at z = 0
    shared = np.zeros((len(first.shared_names), 6))
    shared[:, 2] = first.shared[:, first.index(keys[2])]
    return Feature(FACE, "plane", KIND_ORDER["plane"], values, np.zeros((6, 6)), shared, first.shared_names)


def _told(frame: DatumFrame, names: Sequence[str]) -> DatumFrame:
    """The frame in words, without the face that nobody named."""
    if frame.features[0].name != FACE or FACE in names:
        return frame
    words = ("origin and x axis", "x = 0") if frame.features[1].kind == "line" else ("origin", "direction of x")
    told = ", ".join(f"{word} from {name}" for word, name in zip(words, names, strict=False))
    return replace(frame, frame=f"datum on the photo's face: {told}; z towards the camera; mm")
