"""Dimensions asked for on the command line: ``NAME=KIND:FEATURE[:FEATURE…]``."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.results import Dimension

__all__ = ["DimensionRule", "dimension_of", "parse_dimension"]

_KINDS = ("distance", "angle", "diameter", "radius", "length", "width", "pitch_circle", "offset")
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
    if kind in _TWO and len(of) != 2:
        message = f"--dim {text}: {kind} is between two features; got {len(of)}."
        raise InputError(message)
    return DimensionRule(name.strip(), kind, tuple(of))


def dimension_of(rule: DimensionRule, features: Mapping[str, Feature]) -> Dimension:
    """Work a dimension out, with its uncertainty and budget.

    Raises InputError for a feature that is not there or has no such size.
    """
    import fit.dimensions as dimensions

    names = _expanded(rule, features)
    parts = [features[name] for name in names]
    try:
        if rule.kind == "pitch_circle":
            value = dimensions.pitch_circle(parts)
        elif rule.kind in _TWO:
            value = getattr(dimensions, rule.kind)(*parts)
        else:
            value = _own_size(rule, parts)
    except (InputError, CannotDetermine) as error:
        message = f"--dim {rule.name}: {error}"
        raise type(error)(message) from error
    return Dimension(rule.name, rule.kind, getattr(value, "diameter", value), tuple(names))


def _expanded(rule: DimensionRule, features: Mapping[str, Feature]) -> list[str]:
    names: list[str] = []
    for asked in rule.of:
        found = [asked] if asked in features else [name for name in features if fnmatchcase(name, asked)]
        if not found:
            message = f"--dim {rule.name}: no fitted feature is named '{asked}'; there are {', '.join(features)}."
            raise InputError(message)
        names += found
    return names


def _own_size(rule: DimensionRule, parts: Sequence[Feature]) -> object:
    feature = parts[0]
    if rule.kind in feature.order:
        return feature.value(rule.kind)
    message = f"'{feature.name}' is a {feature.kind} and has no {rule.kind}; it has {', '.join(feature.order)}."
    raise InputError(message)
