"""Features on a face that is not level: found at the face's height there, then cut with the face itself and fitted anew."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.camera.face import Face
from fit.feature import Feature
from fit.points import Points

if TYPE_CHECKING:
    from capture.camera.bench import Bench
    from capture.edges.picked import Pick, PickedFeature
    from capture.jobs.keys import FeatureKeys, PhotoKeys

__all__ = ["STEEP", "on_face", "tilted_face"]

STEEP = 0.35
"""Largest rise per length, about 19°: the edge is looked for on a level plane first."""
_TYPED_HEIGHT_U = 0.05
_CARRIED = frozenset({"x", "y", "diameter", "radius", "width"})
_ASIDE_MM = 0.05


def tilted_face(photo: PhotoKeys, feature: FeatureKeys) -> Face | None:
    """The face through three typed heights of a feature, else of its photo; None where it is level.

    Raises InputError where the three places lie nearly in line.
    """
    if feature.heights is not None:
        return Face.through(feature.name, feature.heights, feature.height_u or _TYPED_HEIGHT_U)
    if photo.heights is not None and feature.height is None:
        return Face.through("top", photo.heights, photo.height_u or _TYPED_HEIGHT_U)
    return None


def on_face(item: PickedFeature, pick: Pick, bench: Bench, face: Face) -> PickedFeature:
    """A feature found on the level plane at its pick's height, told on the tilted face instead.

    Every point goes back to its pixel, whose ray is cut with the face; what light may do to the edge (``edge:…``) stays
    as it was found. Raises CannotDetermine where a ray misses the face or the points make no such shape.
    """
    found = item.points
    px = bench.project(found.xyz)
    across = bench.project(found.xyz + _ASIDE_MM * found.normal) - px
    noise_px = found.noise * np.linalg.norm(across, axis=1) / _ASIDE_MM
    points = bench.points_on(px, noise_px, face, across)
    light = [i for i, name in enumerate(found.shared_names) if name.startswith("edge:")]
    points = points.with_shared([found.shared_names[i] for i in light], found.shared[light])
    points = replace(points, label=found.label, source=found.source)
    feature = _carried(_fitted(pick, points), item.feature, _fitted(pick, found))
    named = replace(feature, name=item.feature.name, source=item.feature.source)
    return replace(item, feature=named, points=points)


def _carried(feature: Feature, level: Feature, plain: Feature) -> Feature:
    """Give a fit what the level feature has over a plain fit of its points: better values, and more doubt as of two edges."""
    if level.order != feature.order or plain.order != feature.order:
        return feature
    better = np.where([key in _CARRIED for key in feature.order], level.values - plain.values, 0.0)
    values, vectors = np.linalg.eigh(level.cov_own - plain.cov_own)
    more = (vectors * np.maximum(values, 0.0)) @ vectors.T
    pieces = feature.segments
    if len(pieces) == len(level.segments) == len(plain.segments):
        pieces = tuple(_carried(*same) for same in zip(pieces, level.segments, plain.segments, strict=True))
    return replace(feature, values=feature.values + better, cov_own=feature.cov_own + more, segments=pieces)


def _fitted(pick: Pick, points: Points) -> Feature:
    from fit import shapes

    if pick.kind == "path":
        from capture.edges.outline import outline_path

        return outline_path(points, closed=pick.closed, name=pick.name)[0].feature
    fits: dict[str, Any] = {
        "line": shapes.fit_line,
        "arc": shapes.fit_arc,
        "circle": shapes.fit_circle,
        "slot": shapes.fit_slot,
    }
    feature: Feature = fits[pick.kind](points, robust=False, correlated=True)
    return feature
