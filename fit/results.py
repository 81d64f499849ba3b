"""The record of one run, and its results.json form."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from fit.errors import InputError
from fit.feature import ANGLES, Feature
from fit.points import align_shared
from fit.uncertain import Value

__all__ = ["Dimension", "Notice", "Results", "Source", "results_to_dict", "value_to_dict"]

FORMAT, VERSION = "edgewright-results", 1


@dataclass(frozen=True, slots=True)
class Source:
    """An input file with the hash of its bytes."""

    path: str
    sha256: str

    @classmethod
    def of(cls, path: str | Path) -> Source:
        """Hash a file."""
        try:
            digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
        except OSError as error:
            message = f"{path}: cannot be read ({error.strerror}); check the name and its permissions."
            raise InputError(message) from error
        return cls(str(path), digest)


@dataclass(frozen=True, slots=True)
class Notice:
    """A warning in plain words under a stable code; feature is '' where it concerns the whole."""

    code: str
    text: str
    feature: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Dimension:
    """A size between or of features; angles are radians inside and degrees in files."""

    name: str
    kind: str
    value: Value
    of: tuple[str, ...] = ()
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    verdict: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_angle(self) -> bool:
        return self.kind == "angle"


@dataclass(frozen=True, eq=False, slots=True)
class Results:
    """All that one run found.

    tables holds the calculators' own records by their top-level key (``bend``, ``rod``, ``seal``, ``clear``), as plain
    JSON-ready values in mm and degrees. details is for further top-level keys, such as the camera solution.
    """

    frame: str
    sources: Sequence[Source] = ()
    features: Sequence[Feature] = ()
    dimensions: Sequence[Dimension] = ()
    warnings: Sequence[Notice] = ()
    tables: Mapping[str, Any] = field(default_factory=dict)
    details: Mapping[str, Any] = field(default_factory=dict)

    @property
    def shared_names(self) -> tuple[str, ...]:
        """Every shared source that a feature or segment names, in order of appearance."""
        seen = dict.fromkeys(
            name for feature in self.features for part in (feature, *feature.segments) for name in part.shared_names
        )
        return tuple(seen)


def value_to_dict(value: Value, angle: bool = False) -> dict[str, float]:
    """A value as ``{"value", "u95"}``, radians turned to degrees where it is an angle."""
    scale = 180.0 / math.pi if angle else 1.0
    return {"value": value.value * scale, "u95": value.u95 * scale}


def results_to_dict(results: Results) -> dict[str, Any]:
    """The results.json record: mm and degrees, no NaN."""
    names = results.shared_names
    record: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "unit": "mm",
        "frame": results.frame,
        "sources": [{"path": s.path, "sha256": s.sha256} for s in results.sources],
        "shared": list(names),
        "features": [_feature_to_dict(feature, names) for feature in results.features],
        "dimensions": [_dimension_to_dict(dimension) for dimension in results.dimensions],
        "warnings": [_notice_to_dict(notice) for notice in results.warnings],
    }
    return {**record, **results.details, **results.tables}


def _notice_to_dict(notice: Notice) -> dict[str, str]:
    record = {"code": notice.code, "text": notice.text}
    return {**record, "feature": notice.feature} if notice.feature else record


def _dimension_to_dict(dimension: Dimension) -> dict[str, Any]:
    scale = 180.0 / math.pi if dimension.is_angle else 1.0
    record: dict[str, Any] = {
        "name": dimension.name,
        "kind": dimension.kind,
        "of": list(dimension.of),
        **value_to_dict(dimension.value, dimension.is_angle),
        "budget": {word: part * scale for word, part in dimension.value.budget().items()},
    }
    for key in ("nominal", "lower", "upper", "verdict"):
        if (given := getattr(dimension, key)) is not None:
            record[key] = given * scale if isinstance(given, float) else given
    return {**record, **dimension.extra}


def _feature_to_dict(feature: Feature, names: Sequence[str]) -> dict[str, Any]:
    record: dict[str, Any] = {
        "name": feature.name,
        "kind": feature.kind,
        "source": feature.source,
        "points": feature.points,
        "rms": feature.rms,
        **_values_to_dict(feature, names),
    }
    if feature.on:
        record["on"] = feature.on
    if len(feature.rejected):
        record["rejected"] = [int(i) for i in feature.rejected]
    if feature.closed is not None:
        record["closed"] = feature.closed
    if feature.segments:
        record["segments"] = [
            {"kind": segment.kind, "name": segment.name, **_values_to_dict(segment, names)}
            for segment in feature.segments
        ]
    return record


def _values_to_dict(feature: Feature, names: Sequence[str]) -> dict[str, Any]:
    scale = np.array([180.0 / math.pi if key in ANGLES else 1.0 for key in feature.order])
    values = {key: value_to_dict(feature.value(key), key in ANGLES) for key in feature.order}
    values |= {key: {"value": float(figure)} for key, figure in feature.form.items()}
    shared = align_shared(names, feature.shared_names, feature.shared) * scale
    budget = {
        key: {word: part * factor for word, part in feature.value(key).budget().items()}
        for key, factor in zip(feature.order, scale, strict=True)
    }
    return {
        "values": values,
        "covariance": {
            "order": list(feature.order),
            "own": (feature.cov_own * np.outer(scale, scale)).tolist(),
            "shared": shared.tolist(),
            **({"dof": feature.dof} if math.isfinite(feature.dof) else {}),
        },
        "budget": budget,
    }
