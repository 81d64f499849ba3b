"""Dimensions asked for on the command line: ``NAME=KIND:FEATURE[:FEATURE…]``."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import TypeVar

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.results import Dimension, Notice
from fit.uncertain import Value

__all__ = ["DimensionRule", "parse_dimension", "sizes_of"]

T = TypeVar("T")
_KINDS = ("distance", "angle", "diameter", "radius", "length", "width", "pitch_circle", "offset", "symmetry")
_TWO = ("distance", "angle", "offset")


@dataclass(frozen=True, slots=True)
class DimensionRule:
    """A dimension's name, kind and the features (or one shell-style pattern) it is of."""

    name: str
    kind: str
    of: tuple[str, ...]


def parse_dimension(text: str) -> DimensionRule:
    """Read ``NAME=KIND:A:B``, such as 'pitch=distance:hole_1:hole_3' or 'bolts=pitch_circle:hole_*'."""
    name, equals, rest = text.partition("=")
    kind, *of = [part.strip() for part in rest.split(":")]
    kind = kind.lower().replace(" ", "_")
    if not equals or not name.strip() or not of or not all(of):
        message = f"--dim must read NAME=KIND:FEATURE or NAME=KIND:FEATURE:FEATURE; got '{text}'."
        raise InputError(message)
    if kind not in _KINDS:
        near = difflib.get_close_matches(kind, _KINDS, 1, 0.3)
        hint = f" Did you mean {near[0]}?" if near else ""
        message = f"--dim {text}: the kind must be one of {', '.join(_KINDS)}; got '{kind}'.{hint}"
        raise InputError(message)
    if kind in (*_TWO, "symmetry") and len(of) != 2:
        message = f"--dim {text}: {kind} is between two features; got {len(of)}."
        raise InputError(message)
    return DimensionRule(name.strip(), kind, tuple(of))


def sizes_of(
    rules: Sequence[DimensionRule], features: Mapping[str, Feature], absent: Set[str]
) -> tuple[dict[str, Feature], list[Dimension], list[Notice]]:
    """Work all dimensions out, with uncertainty and budget.

    absent : features of the lists that could not be measured; what is asked of them is left out with a warning.

    Returns
    -------
    The features with the planes of symmetry that were asked for added under their dimension's name; the rest as
    dimensions, which may be of those planes too; and the warnings.

    Raises InputError or CannotDetermine, naming the dimension.
    """
    _refuse_taken(rules, features)
    known, gone = dict(features), dict.fromkeys(absent)
    found: list[Dimension] = []
    notices: list[Notice] = []
    for rule in sorted(rules, key=lambda rule: rule.kind != "symmetry"):
        missing = _missing(rule, known, gone)
        if missing is not None:
            gone[rule.name] = None
            text = f"'{missing}' was not measured, so '{rule.name}' is left out."
            notices.append(Notice("dimension-left-out", text, rule.name))
        elif rule.kind == "symmetry":
            known[rule.name] = _worked(rule, known, _middle)
        else:
            found.append(_worked(rule, known, _dimension))
    return known, found, notices


def _missing(rule: DimensionRule, known: Mapping[str, Feature], absent: Mapping[str, None]) -> str | None:
    """The first name or pattern that only features which could not be measured answer to."""
    return next((asked for asked in rule.of if not _named(asked, known) and _named(asked, absent)), None)


def _named(asked: str, names: Mapping[str, object]) -> list[str]:
    """Names that a name or a shell-style pattern stands for."""
    return [asked] if asked in names else [name for name in names if fnmatchcase(name, asked)]


def _refuse_taken(rules: Sequence[DimensionRule], features: Mapping[str, Feature]) -> None:
    """Each dimension needs a name of its own; a plane of symmetry also one that no feature has."""
    taken: set[str] = set()
    for rule in rules:
        if rule.name in taken:
            message = f"--dim {rule.name}: two dimensions have this name; give each its own."
            raise InputError(message)
        if rule.kind == "symmetry" and rule.name in features:
            message = f"--dim {rule.name}: a feature of the lists has this name already; give the plane another."
            raise InputError(message)
        taken.add(rule.name)


def _worked(rule: DimensionRule, features: Mapping[str, Feature], work: Callable[..., T]) -> T:
    names = _expanded(rule, features)
    try:
        return work(rule, names, [features[name] for name in names])
    except (InputError, CannotDetermine) as error:
        message = f"--dim {rule.name}: {error}"
        raise type(error)(message) from error


def _middle(rule: DimensionRule, names: Sequence[str], parts: Sequence[Feature]) -> Feature:
    from fit.dimensions import symmetry_plane

    return replace(symmetry_plane(*parts).renamed(rule.name), source=f"midway between {names[0]} and {names[1]}")


def _dimension(rule: DimensionRule, names: Sequence[str], parts: Sequence[Feature]) -> Dimension:
    import fit.dimensions as dimensions

    if rule.kind == "pitch_circle":
        found = dimensions.pitch_circle(parts)
        extra = {
            "centre": [found.feature[axis] for axis in "xyz"],
            "misses": dict(zip(names, map(float, found.misses), strict=True)),
        }
        return Dimension(rule.name, rule.kind, found.diameter, tuple(names), extra=extra)
    value = getattr(dimensions, rule.kind)(*parts) if rule.kind in _TWO else _own_size(rule, parts[0])
    return Dimension(rule.name, rule.kind, value, tuple(names))


def _expanded(rule: DimensionRule, features: Mapping[str, Feature]) -> list[str]:
    names: list[str] = []
    for asked in rule.of:
        found = _named(asked, features)
        if not found:
            message = f"--dim {rule.name}: no fitted feature is named '{asked}'; there are {', '.join(features)}."
            raise InputError(message)
        names += found
    return names


def _own_size(rule: DimensionRule, feature: Feature) -> Value:
    if rule.kind in feature.order:
        return feature.value(rule.kind)
    message = f"'{feature.name}' is a {feature.kind} and has no {rule.kind}; it has {', '.join(feature.order)}."
    raise InputError(message)
