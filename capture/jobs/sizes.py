"""Dimensions of a job: value, limits, verdict, whether it is known well enough, and checks against a caliper."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.jobs.edge import distance_to_path
from capture.jobs.faults import nearest
from capture.jobs.general import general_tolerance
from capture.jobs.plan import base_name
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.results import Dimension, Notice
from fit.uncertain import Value, propagate

if TYPE_CHECKING:
    from capture.jobs.keys import DimensionKeys

__all__ = ["Sized", "feature_named", "size_of"]

_GOOD, _ENOUGH = 0.25, 0.5
"""U95 as a share of the whole tolerance: a quarter is good, half of it the most (common practice, no source)."""
_FACTOR = 1.959963984540054


@dataclass(frozen=True, eq=False, slots=True)
class Sized:
    """A dimension worked out, or None with the reason among the notices."""

    dimension: Dimension | None
    notices: tuple[Notice, ...]


def feature_named(features: Mapping[str, Feature], reference: str) -> Feature | None:
    """A feature by its name, or a piece of a path by ``path.3``."""
    if reference in features:
        return features[reference]
    name, piece = base_name(reference)
    whole = features.get(name)
    if whole is None or piece is None or not 1 <= piece <= len(whole.segments):
        return None
    return whole.segments[piece - 1].renamed(reference)


def size_of(
    keys: DimensionKeys, features: Mapping[str, Feature], grade: str | None, asked: Collection[str] = ()
) -> Sized:
    """Work one dimension out; what cannot be is left out with a warning.

    grade : class of ISO 2768-1 for dimensions without a tolerance; asked : names that the job gives to features, so that
    they are no slips of the pen.
    """
    names = _names(keys, features)
    title = keys.name or _title(keys, names)
    missing = [name for name in names if feature_named(features, name) is None]
    if missing or not names:
        absent = (missing or ["it"])[0]
        is_slip = features and base_name(absent)[0] not in asked
        known = f"; {nearest(absent, list(features), listed=True)}" if is_slip else ""
        text = f"'{absent}' was not measured, so '{title}' is left out{known}."
        return Sized(None, (Notice("dimension-left-out", text, title),))
    parts = [part for name in names if (part := feature_named(features, name)) is not None]
    try:
        value, extra = _measured(keys, names, parts)
    except (CannotDetermine, InputError) as error:
        return Sized(None, (Notice("dimension-left-out", str(error), title),))
    found = Dimension(title, keys.kind, value, tuple(names), extra=extra)
    limited, told = _limited(found, keys, parts, grade)
    if keys.kind == "length" and parts[0].kind in ("line", "path") and not parts[0].closed and names[0] in features:
        limited, told = _of_stretch(limited, parts[0], told)
    checked, more = _checked(limited, keys)
    return Sized(checked, (*told, *more))


def _names(keys: DimensionKeys, features: Mapping[str, Feature]) -> list[str]:
    """Features that a dimension is of; patterns such as 'hole *' are spread."""
    asked = [name for name in (keys.first, keys.to) if name] + list(keys.of or ())
    names: list[str] = []
    for name in asked:
        spread = [known for known in features if fnmatchcase(known, name)] if "*" in name else [name]
        names += spread or [name]
    return names


def _title(keys: DimensionKeys, names: Sequence[str]) -> str:
    kind = keys.kind.replace("_", " ")
    if keys.kind in ("distance", "angle", "offset") and len(names) == 2:
        return f"{names[0]} to {names[1]}" if keys.kind == "distance" else f"{kind} of {names[0]} to {names[1]}"
    return f"{kind} of {', '.join(names[:3])}{' …' if len(names) > 3 else ''}"


def _measured(keys: DimensionKeys, names: Sequence[str], parts: Sequence[Feature]) -> tuple[Value, dict[str, Any]]:
    import fit.dimensions as dimensions

    paths = [part for part in parts if part.kind == "path"]
    if keys.kind == "distance" and len(paths) == 1:
        return distance_to_path(next(part for part in parts if part.kind != "path"), paths[0]), {}
    if keys.kind in ("distance", "angle", "offset"):
        value: Value = getattr(dimensions, keys.kind)(*parts)
        return value, {}
    if keys.kind == "pitch_circle":
        circle = dimensions.pitch_circle(parts)
        misses = dict(zip(names, map(float, circle.misses), strict=True))
        return circle.diameter, {"centre": [circle.feature[axis] for axis in "xyz"], "misses": misses}
    if keys.kind == "over_all":
        return dimensions.over_all(parts, _direction(keys.direction)), {"direction": keys.direction}
    return _own_size(keys.kind, parts[0]), {}


def _direction(asked: float | str | None) -> list[float]:
    if isinstance(asked, str):
        return [float(axis == asked) for axis in "xyz"]
    turn = math.radians(float(asked or 0.0))
    return [math.cos(turn), math.sin(turn), 0.0]


def _own_size(kind: str, feature: Feature) -> Value:
    """A size of one feature; diameter and radius stand for each other."""
    if kind in feature.order:
        return feature.value(kind)
    if kind == "radius" and "diameter" in feature.order:
        return _times(feature.value("diameter"), 0.5)
    if kind == "diameter" and "radius" in feature.order:
        return _times(feature.value("radius"), 2.0)
    if kind == "length" and feature.kind == "arc":
        r, span = feature.index("radius"), feature.index("span")
        return propagate(lambda p: float(p[r] * p[span]), feature)
    message = f"'{feature.name}' is a {feature.kind} and has no {kind}; it has {', '.join(feature.order)}."
    raise InputError(message)


def _times(value: Value, factor: float) -> Value:
    return Value(value.value * factor, value.own * factor**2, value.shared * factor, value.shared_names, value.dof)


def _limited(
    found: Dimension, keys: DimensionKeys, parts: Sequence[Feature], grade: str | None
) -> tuple[Dimension, list[Notice]]:
    """Limits, verdict after ISO 14253-1, and whether the measurement is good enough for the tolerance."""
    from fit.dimensions import verdict

    scale = math.radians(1.0) if found.is_angle else 1.0
    nominal = None if keys.nominal is None else keys.nominal * scale
    limits, source = _limits(keys, nominal, scale, _leg(parts), grade)
    if limits is None:
        return replace(found, nominal=nominal), []
    low, high = limits
    judged = verdict(found.value, low, high)
    extra = {**found.extra, **_enough(found.value, high - low, scale), **({"tolerance_from": source} if source else {})}
    if keys.tolerance is not None:
        extra["tolerance"] = keys.tolerance
    told = _verdict_notice(found, judged, extra)
    return replace(found, nominal=nominal, lower=low, upper=high, verdict=judged, extra=extra), told


def _leg(parts: Sequence[Feature]) -> float | None:
    lengths = [part["length"] for part in parts if part.kind == "line"]
    return min(lengths) if len(lengths) == len(parts) and lengths else None


def _limits(
    keys: DimensionKeys, nominal: float | None, scale: float, leg: float | None, grade: str | None
) -> tuple[tuple[float, float] | None, str]:
    if keys.limits is not None:
        return (keys.limits[0] * scale, keys.limits[1] * scale), ""
    if nominal is None:
        return None, ""
    if keys.tolerance is not None:
        return (nominal - keys.tolerance * scale, nominal + keys.tolerance * scale), ""
    asked = keys.general_tolerance or grade
    band = general_tolerance(keys.kind, nominal, asked, leg) if asked else None
    return (None, "") if band is None else ((nominal - band, nominal + band), f"ISO 2768-{asked}")


def _enough(value: Value, band: float, scale: float) -> dict[str, Any]:
    """Whether U95 is small enough for the tolerance, the largest source of error and what makes it smaller."""
    from fit.report.words import BUDGET

    share = value.u95 / band if band > 0 else math.inf
    words = "yes" if share <= _GOOD else "just" if share <= _ENOUGH else "no"
    record: dict[str, Any] = {"accurate_enough": words}
    largest = next(iter(value.budget()), "")
    if largest in BUDGET:
        record |= {"largest_source": BUDGET[largest][0], "advice": BUDGET[largest][1]}
    return record


def _verdict_notice(found: Dimension, judged: str, extra: Mapping[str, Any]) -> list[Notice]:
    if judged == "inside" and extra["accurate_enough"] != "no":
        return []
    advice = f" Most of the ± is {extra['largest_source']}. {extra['advice']}" if "advice" in extra else ""
    if judged == "outside":
        return [Notice("out-of-tolerance", f"'{found.name}' is proven to be outside its limits.", found.name)]
    if extra["accurate_enough"] == "yes":
        return []
    words = "not accurate enough" if extra["accurate_enough"] == "no" else "just accurate enough"
    return [Notice("not-accurate-enough", f"'{found.name}' is {words} for its tolerance.{advice}", found.name)]


def _of_stretch(found: Dimension, marked: Feature, told: list[Notice]) -> tuple[Dimension, list[Notice]]:
    """A length from the first point of a line or open path to the last. Of a line's edge it is the least, so that only too
    much is proven by it.
    """
    instead = "measure the distance between what bounds it" if marked.kind == "line" else "mark or touch its very ends"
    text = (
        f"'{found.name}' runs from the first point of '{marked.name}' to the last, which need not be the edge's ends, and its "
        f"± does not hold what they are off. For the whole edge {instead}."
    )
    told = [*told, Notice("line-ends", text, found.name)]
    is_proven = found.verdict == "outside" and found.upper is not None and found.value.value > found.upper
    if marked.kind == "path" or found.verdict is None or is_proven:
        return found, told
    return replace(found, verdict="not proven"), [notice for notice in told if notice.code != "out-of-tolerance"]


def _percent(ratio: float, u95: float) -> str:
    """What a check says of the scale: how far off, in percent."""
    return f"{100 * (1 / ratio - 1):+.2f} ±{100 * u95:.2f} %"


def _checked(found: Dimension, keys: DimensionKeys) -> tuple[Dimension, list[Notice]]:
    """Compare with a caliper's reading by the normalised error En (ISO 13528:2022, 9.7): agree where it is 1 or less."""
    if keys.check is None:
        return found, []
    value, reading_u95 = found.value, _FACTOR * keys.check_u
    en = (value.value - keys.check) / math.hypot(value.u95, reading_u95)
    ratio = keys.check / value.value
    ratio_u95 = ratio * math.hypot(value.u95 / value.value, reading_u95 / keys.check)
    record = {"reading": keys.check, "reading_u95": reading_u95, "difference": value.value - keys.check, "en": en,
              "agrees": abs(en) <= 1, "scale": {"value": ratio, "u95": ratio_u95}}  # fmt: skip
    extra = {**found.extra, "check": record}
    off = f"{value.value - keys.check:+.3f} mm from the caliper's {keys.check:g} ±{reading_u95:.3f} mm"
    print_words = f"all sizes would have to be multiplied by {ratio:.5f} ±{ratio_u95:.5f} to meet it"
    if abs(en) <= 1:
        text = f"'{found.name}' agrees with the check: {off}; by it the scale is off by {_percent(ratio, ratio_u95)}."
        return replace(found, extra=extra), [Notice("check-agrees", text, found.name)]
    cause = (
        "the print's scale" if np.any([n.startswith(("print", "caliper")) for n in value.shared_names]) else "the lists"
    )
    text = f"'{found.name}' is {off}, more than both uncertainties allow; {print_words}. Check {cause} and the reading."
    return replace(found, extra=extra), [Notice("check-disagrees", text, found.name)]
