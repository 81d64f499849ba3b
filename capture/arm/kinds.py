"""Kinds of shape as a user asks for them, by rule or by the words of a name, and the fit of each."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from types import MappingProxyType

from fit.errors import InputError
from fit.feature import Feature
from fit.points import Points

__all__ = [
    "KINDS", "SIDES", "FitRule", "SideRule", "fit_kind", "form_for", "is_hole", "kind_in_name", "names_edge",
    "parse_rule", "parse_side", "rule_for", "side_for",
]  # fmt: skip

SIDES = ("left", "right", "in", "out")
KINDS = ("plane", "circle", "arc", "sphere", "cylinder", "cone", "line", "slot")
_FLAT = frozenset({"circle", "arc", "slot", "line"})
_SHEETS = ("plate", "panel", "sheet", "skin", "web", "shelf")
_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "slot": ("slot", "slots", "oblong", "obround"),
        "circle": ("hole", "holes", "bore", "bores", "circle", "bolt", "rivet", "stud"),
        "sphere": ("ball", "balls", "sphere", "spheres"),
        "cylinder": ("cylinder", "pin", "tube", "rod", "run", "shaft", "pipe", "boss", "peg"),
        "cone": ("cone", "taper", "conical", "countersink", "csk"),
        "arc": ("arc", "radius", "fillet", "curve"),
        "plane": (
            "plane",
            "face",
            "deck",
            "flange",
            "surface",
            "top",
            "floor",
            "pad",
            "side",
            "bottom",
            "base",
            *_SHEETS,
        ),
        "line": ("line", "straight", "fold", "crease"),
    }
)
"""Trade words in feature names (common practice, no source); tried in this order."""
_HOLES = frozenset({"hole", "holes", "bore", "bores", "slot", "slots"})
_ZONE_POINTS = 500_000


@dataclass(frozen=True, slots=True)
class SideRule:
    """A name pattern and the side of the tip it is given, where the list has no i j k."""

    pattern: str
    side: str


@dataclass(frozen=True, slots=True)
class FitRule:
    """``NAME=KIND@PLANE`` as typed: a shell-style pattern, a kind, and the plane to project into, if named."""

    pattern: str
    kind: str
    plane: str | None = None


def parse_rule(text: str) -> FitRule:
    """Read ``NAME=KIND[@PLANE]``; raises InputError with the nearest known kind."""
    name, equals, rest = text.rpartition("=")
    kind, _, plane = rest.partition("@")
    kind = kind.strip().lower()
    if not equals or not name.strip():
        message = f"--fit must read NAME=KIND or NAME=KIND@PLANE, such as 'hole_*=circle@top_face'; got '{text}'."
        raise InputError(message)
    if kind not in KINDS:
        near = difflib.get_close_matches(kind, KINDS, 1, 0.3)
        hint = f" Did you mean {near[0]}?" if near else ""
        message = f"--fit {text}: the kind must be one of {', '.join(KINDS)}; got '{kind}'.{hint}"
        raise InputError(message)
    return FitRule(name.strip(), kind, plane.strip() or None)


def rule_for(name: str, rules: Sequence[FitRule]) -> FitRule | None:
    """First rule whose pattern fits a feature name: an exact name goes before patterns."""
    exact = [rule for rule in rules if rule.pattern.lower() == name.lower()]
    loose = [rule for rule in rules if fnmatchcase(name.lower(), rule.pattern.lower())]
    return next(iter(exact or loose), None)


def parse_side(text: str) -> SideRule:
    """Read ``SIDE`` or ``NAME=SIDE``, such as 'hole_*=in'; without a name it is meant for all features.

    Raises InputError for another side than left, right, in or out.
    """
    name, _, side = text.rpartition("=")
    if side.strip().lower() not in SIDES:
        message = f"--side must be left, right, in or out, or NAME=SIDE such as 'hole_*=in'; got '{text}'."
        raise InputError(message)
    return SideRule(name.strip() or "*", side.strip().lower())


def side_for(name: str, rules: Sequence[SideRule]) -> str | None:
    """Side said for a feature: an exact name goes before patterns, and those before a side for all."""
    fitting = [rule for rule in rules if fnmatchcase(name.lower(), rule.pattern.lower())]
    fitting.sort(key=lambda rule: (rule.pattern.lower() != name.lower(), rule.pattern == "*"))
    return fitting[0].side if fitting else None


def kind_in_name(name: str) -> str | None:
    """Kind that the words of a feature name say, such as circle for ``hole_3``; None where they say none."""
    words = set(re.findall(r"[a-z]+", name.lower()))
    return next((kind for kind, known in _WORDS.items() if words & set(known)), None)


def names_edge(name: str) -> bool:
    """Whether a feature is named as an edge, such as ``flange_edge``: its other words tell of what."""
    return bool({"edge", "rim", "lip", "border"} & set(re.findall(r"[a-z]+", name.lower())))


def is_hole(name: str) -> bool:
    """Whether a feature's name says that it is touched from inside."""
    return bool(_HOLES & set(re.findall(r"[a-z]+", name.lower())))


def fit_kind(
    points: Points, kind: str, plane: Feature | None = None, *, robust: bool = True, form: str = "none"
) -> Feature:
    """Fit one kind; plane serves those that lie in one."""
    import fit.shapes as shapes

    fit = getattr(shapes, f"fit_{kind}")
    if kind in _FLAT:
        return fit(points, plane, robust=robust, form=form)
    return fit(points, robust=robust, form=form)


def form_for(count: int) -> str:
    """Form values to ask a fit of so many points for: the minimum zone too, unless it would take about a second."""
    return "minimum-zone" if count <= _ZONE_POINTS else "least-squares"
