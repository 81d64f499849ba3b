"""One feature measured in several photos: each solved alone, sizes averaged by weight, spread and outliers told."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.feature import Feature
from fit.points import FloatArray, align_shared
from fit.results import Notice
from fit.uncertain import Value

__all__ = ["Average", "average"]

_SIZES = {"circle": ("diameter",), "arc": ("radius",), "slot": ("width", "length"), "path": ("length",), "line": ()}
_PERIODS = {"start": 2 * math.pi, "angle": math.pi}
_OUTLIER = 3.0
_PLACE_MM = 0.5


@dataclass(frozen=True, eq=False, slots=True)
class Average:
    """A feature averaged over photos.

    sizes : size -> photo -> value as measured there. left_out : photos whose values did not enter. chi : how much more
    the photos scatter than they should (Birge ratio); above 1 it has widened the ±.
    """

    feature: Feature
    sizes: Mapping[str, Mapping[str, Value]]
    left_out: tuple[str, ...]
    chi: float
    notices: tuple[Notice, ...]


def average(found: Mapping[str, Feature], same_axes: bool) -> Average:
    """Weighted mean of one feature over photos.

    Errors of one name are the same in all photos and do not average out. Where the photos
    scatter more than they should, the own part is widened by the Birge ratio (R. T. Birge, Phys. Rev. 40 (1932) 207).
    same_axes : whether places mean the same in all photos.
    """
    photos = list(found)
    features = _aligned([found[photo] for photo in photos])
    keys = _SIZES[features[0].kind]
    sizes = {key: {photo: f.value(key) for photo, f in zip(photos, features, strict=True)} for key in keys}
    kept, notices = _without_outlier(features, photos, keys)
    used = [features[i] for i in kept]
    moved = _moved(used) if same_axes else ""
    mean, chi = _mean(used, keys, same_axes and not moved)
    if moved:
        text = f"The photos show it in different places ({moved}); its place is told from {photos[kept[0]]}."
        notices.append(Notice("places-differ", text, mean.name))
    if chi > 1.5 and len(kept) == len(photos):
        notices.append(_scatter_notice(mean.name, keys, sizes))
    left_out = tuple(photos[i] for i in range(len(photos)) if i not in kept)
    return Average(mean, sizes, left_out, chi, tuple(notices))


def _aligned(features: Sequence[Feature]) -> list[Feature]:
    """The features with angles turned to those of the first, so that means do not wrap."""
    first, result = features[0], []
    for feature in features:
        values = feature.values.copy()
        for key, period in _PERIODS.items():
            if key in feature.order:
                i = feature.index(key)
                values[i] += period * round((first[key] - values[i]) / period)
        result.append(replace(feature, values=values))
    return result


def _own_u(features: Sequence[Feature], key: str) -> FloatArray:
    """Standard uncertainty of each photo's value without what all photos share alike.

    Of a source that moves the photos by different amounts, the smallest of these is shared and the rest is their own.
    """
    values = [feature.value(key) for feature in features]
    names = tuple(dict.fromkeys(name for value in values for name in value.shared_names))
    moves = np.array([align_shared(names, value.shared_names, value.shared) for value in values])
    if not len(names):
        return np.sqrt([max(value.own, 1e-12) for value in values])
    alike = (np.sign(moves) == np.sign(moves[0])).all(axis=0)
    common = np.where(alike, np.sign(moves[0]) * np.abs(moves).min(axis=0), 0.0)
    own = np.array([value.own for value in values]) + ((moves - common) ** 2).sum(axis=1)
    return np.sqrt(np.maximum(own, 1e-12))


def _weights(features: Sequence[Feature], keys: Sequence[str]) -> FloatArray:
    """Weights of least variance of a size, errors shared between photos counted (Gauss and Markov); none negative."""
    values = [feature.value(keys[0] if keys else features[0].order[0]) for feature in features]
    names = tuple(dict.fromkeys(name for value in values for name in value.shared_names))
    moves = np.array([align_shared(names, value.shared_names, value.shared) for value in values])
    cov = np.diag([max(value.own, 1e-12) for value in values]) + moves @ moves.T
    weight = np.maximum(np.linalg.solve(cov, np.ones(len(values))), 0.0)
    return np.asarray(weight / weight.sum())


def _without_outlier(
    features: Sequence[Feature], photos: Sequence[str], keys: Sequence[str]
) -> tuple[list[int], list[Notice]]:
    """Photos that agree; of three or more, the one furthest from the mean of the others is left out where it must be."""
    everyone = list(range(len(features)))
    if len(features) < 3 or not keys:
        return everyone, []
    values = np.array([[f[key] for key in keys] for f in features])
    u = np.array([_own_u(features, key) for key in keys]).T
    ratio = []
    for i in everyone:
        others = [j for j in everyone if j != i]
        weight = 1 / u[others] ** 2
        mean = (weight * values[others]).sum(axis=0) / weight.sum(axis=0)
        ratio.append(float((np.abs(values[i] - mean) / np.sqrt(u[i] ** 2 + 1 / weight.sum(axis=0))).max()))
    worst = int(np.argmax(ratio))
    if ratio[worst] <= _OUTLIER:
        return everyone, []
    name, key = features[0].name, keys[0]
    text = (
        f"Photo {photos[worst]} gives {key} {features[worst][key]:.3f} mm, against what the other photos agree on by "
        f"{ratio[worst]:.0f} times its standard uncertainty; it is left out. Look at its picks picture."
    )
    return [j for j in everyone if j != worst], [Notice("photo-outlier", text, name)]


def _moved(features: Sequence[Feature]) -> str:
    """Words for how far places differ between photos, '' where they agree or lie along the edge itself."""
    if "x" not in features[0].order:
        return ""
    places = np.array([f.vector(("x", "y")) for f in features])
    apart = float(np.linalg.norm(places - places[0], axis=1).max())
    allowed = max(_PLACE_MM, *(3 * f.value(axis).u95 for f in features for axis in ("x", "y")))
    return f"by {apart:.1f} mm" if apart > allowed else ""


def _mean(features: Sequence[Feature], keys: Sequence[str], with_places: bool) -> tuple[Feature, float]:
    """Mean feature and the Birge ratio of its sizes."""
    weight = _weights(features, keys)
    chi = _birge(features, keys)
    mean = _linear(features, weight, chi, keys, with_places)
    pieces = [f.segments for f in features]
    alike = all([s.kind for s in one] == [s.kind for s in pieces[0]] for one in pieces)
    best = int(np.argmax(weight))
    segments = pieces[best]
    if pieces[0] and alike and with_places:
        segments = tuple(
            _linear(_aligned(same), weight, chi, (), True) for same in map(list, zip(*pieces, strict=True))
        )
    points = sum(f.points for f in features)
    rms = math.sqrt(sum(f.points * f.rms**2 for f in features) / max(points, 1))
    residuals = np.concatenate([f.residuals for f in features])
    return replace(mean, segments=segments, points=points, rms=rms, residuals=residuals), chi


def _birge(features: Sequence[Feature], keys: Sequence[str]) -> float:
    ratios = [1.0]
    for key in keys:
        values, u = np.array([f[key] for f in features]), _own_u(features, key)
        mean = (values / u**2).sum() / (1 / u**2).sum()
        ratios.append(float(np.sqrt((((values - mean) / u) ** 2).sum() / max(len(features) - 1, 1))))
    return max(ratios)


def _linear(
    features: Sequence[Feature], weight: FloatArray, chi: float, keys: Sequence[str], with_places: bool
) -> Feature:
    """Σ wᵢ vᵢ of whole features; without places, only the sizes are averaged and the rest is the first photo's."""
    first = features[0]
    names = tuple(dict.fromkeys(name for f in features for name in f.shared_names))
    values, cov, shared = (
        np.zeros_like(first.values),
        np.zeros_like(first.cov_own),
        np.zeros((len(names), len(first.order))),
    )
    free = 0.0
    for i, feature in enumerate(features):
        part = np.array([w if with_places or key in keys else float(i == 0) for key, w in
                         zip(feature.order, np.full(len(first.order), weight[i]), strict=True)])  # fmt: skip
        values += part * feature.values
        cov += np.outer(part, part) * feature.cov_own
        shared += align_shared(names, feature.shared_names, feature.shared) * part
        free += 0.0 if math.isinf(feature.dof) else weight[i] ** 2 / feature.dof
    if "nx" in first.order:
        at = [first.index(key) for key in ("nx", "ny", "nz")]
        values[at] /= np.linalg.norm(values[at])
    dof = 1 / free if free > 0 else math.inf
    own = [_alone_variance(features, weight, j) for j in range(len(values))]
    grown = cov + np.diag((chi**2 - 1) * np.array(own)) if chi > 1 else cov
    return replace(first, values=values, cov_own=grown, shared=shared, shared_names=names, dof=dof)


def _alone_variance(features: Sequence[Feature], weight: FloatArray, j: int) -> float:
    """Variance of a mean value from what is each photo's own."""
    return float(((weight * _own_u(features, features[0].order[j])) ** 2).sum())


def _scatter_notice(name: str, keys: Sequence[str], sizes: Mapping[str, Mapping[str, Value]]) -> Notice:
    told = ", ".join(f"{photo} {value.value:.3f} ±{value.u95:.3f} mm" for photo, value in sizes[keys[0]].items())
    text = (
        f"The photos scatter more in {keys[0]} than they should ({told}); the ± is widened. Look at the picks pictures."
    )
    return Notice("photos-disagree", text, name)
