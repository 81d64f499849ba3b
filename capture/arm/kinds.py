"""Which kind of shape a named group of touches is: the user's word, the name's words, or the residuals."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from types import MappingProxyType

import numpy as np

from capture.arm.faces import own_face
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import Points
from fit.uncertain import student_factor

__all__ = [
    "KINDS", "SIDES", "Choice", "FitRule", "SideRule", "choose_kind", "fit_kind", "form_for", "is_hole", "kind_in_name",
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
_SPECIFIC = ("line", "circle", "arc", "slot", "plane", "sphere", "cylinder", "cone")
_PER_POINT = {"line": 2, "circle": 2, "arc": 2}
_PARAMETERS = {"line": 4, "circle": 6, "arc": 6, "slot": 5, "plane": 3, "sphere": 4, "cylinder": 5, "cone": 6}
_ROUND_EDGES = frozenset({"circle", "arc", "slot"})
_ALONG, _ACROSS = 0.5, 0.8
"""What i j k have across a plane on an edge at most, and on a face at least (a chamfer of 45° lies between)."""
_FULL_CIRCLE = math.radians(300.0)
_MOST = 400
_ZONE_POINTS = 500_000
_FEW = 6
_DOUBTFUL = 0.15
_PLACE = 1.0
"""What a tip can touch is larger than this, mm (common practice, no source)."""
_SHEET = 5.0
_STRAY, _STRAY_NAMED = 0.2, 0.4
"""Share of touches that a shape may leave out and still be a candidate: more where the name says it."""
_RESIDUALS = "the residuals"


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


@dataclass(frozen=True, slots=True)
class Choice:
    """Kind taken for a feature and why; runner_up with both spreads in mm where the residuals decided."""

    kind: str | None
    why: str
    spread: float = math.nan
    runner_up: str | None = None
    runner_up_spread: float = math.nan

    @property
    def is_close(self) -> bool:
        """Whether the runner-up fits about as well and neither name nor i j k decide."""
        return self.runner_up is not None and self.runner_up_spread < 1.2 * self.spread and self.why == _RESIDUALS

    @property
    def told(self) -> str:
        """Kind, spread and runner-up in words."""
        spread = f" ({self.spread:.3f} mm)" if math.isfinite(self.spread) else ""
        second = f", runner-up {self.runner_up} ({self.runner_up_spread:.3f} mm)" if self.runner_up else ""
        return f"{self.kind} by {self.why}{spread}{second}"


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


def choose_kind(name: str, points: Points, plane: Feature | None) -> Choice:
    """Kind of a group of points that no rule names.

    The name's word is taken where its shape fits as well as any; else the most specific shape whose spread is within
    chance of the least (F test at 1 %). plane is the nearest face, for holes touched below it.
    """
    sample = _thinned(points)
    named = kind_in_name(name)
    if plane is None and named in ("circle", "arc"):
        plane = own_face(sample)
    if named and _freedom(named, len(points), plane) < 2:
        return Choice(named, "its name alone")
    size = float(np.ptp(points.xyz, axis=0).max())
    if not named and size < _PLACE:
        what = f"its touches lie within {size:.2g} mm, a single place" if len(points) > 1 else "it is a single touch"
        return Choice(None, f"{what}, as --tie and --closing can use it")
    every = _spreads(sample, plane, named)
    spreads = _apart(every, sample, named)
    if not spreads:
        if named:
            return Choice(named, "its name alone")
        if len(points) < _FEW:
            count = "one point is" if len(points) == 1 else f"{len(points)} points are"
            return Choice(None, f"{count} too few to choose a shape by")
        return Choice(None, f"{len(points)} points fit no one shape")
    fine = _fine(spreads)
    if named in ("circle", "arc") and {"circle", "arc"} & set(fine):
        fine.append(named)
    chosen = named if named in fine else min(fine, key=_SPECIFIC.index)
    others = sorted((spread, kind) for kind, (spread, _) in every.items() if kind != chosen)
    told_by = "its name and " if chosen == named else "i j k and " if len(spreads) < len(every) else ""
    why = f"{told_by}{_RESIDUALS}"
    second = others[0] if others else (math.nan, None)
    least = min(spread for spread, _ in spreads.values())
    return Choice(chosen, why, spreads.get(chosen, (least, 0))[0], second[1], second[0])


def _apart(spreads: dict[str, tuple[float, int]], points: Points, named: str | None) -> dict[str, tuple[float, int]]:
    """Tell a plane from a round edge: touches along an edge lie in a plane as well, but i j k look along it there, and
    across it on a face. Without i j k the name tells."""
    round_edges = _ROUND_EDGES & {*spreads, named}
    if "plane" not in spreads or not round_edges:
        return spreads
    across = _across(points)
    if across > _ACROSS or (named == "plane" and not across < _ALONG):
        return {kind: pair for kind, pair in spreads.items() if kind not in round_edges}
    if across < _ALONG or named in _ROUND_EDGES:
        return {kind: pair for kind, pair in spreads.items() if kind != "plane"}
    return spreads


def _across(points: Points) -> float:
    """How much i j k look across the plane that points lie in: 1 square to it, 0 along it, NaN without i j k."""
    told = np.isfinite(points.normal).all(axis=1)
    if not told.any():
        return math.nan
    normal = np.linalg.svd(points.xyz - points.xyz.mean(axis=0), full_matrices=False)[2][2]
    return float(np.median(np.abs(points.normal[told] @ normal)))


def _thinned(points: Points) -> Points:
    if len(points) <= _MOST:
        return points
    return points.select(np.random.default_rng(20261125).permutation(len(points))[:_MOST])


def _fine(spreads: Mapping[str, tuple[float, int]]) -> list[str]:
    """Kinds whose spread is within chance of the least."""
    least = min(spread for spread, _ in spreads.values())
    return [kind for kind, (spread, dof) in spreads.items() if spread**2 <= least**2 * _f_limit(dof)]


def _spreads(points: Points, plane: Feature | None, named: str | None) -> dict[str, tuple[float, int]]:
    """Spread per residual, mm, and its freedom, for every kind that fits without throwing points away.

    Quick shapes first; cylinder, cone and slot are tried where no quick shape bears out the name, and robustly only
    where nothing fits otherwise. Touches within a sheet's thickness of a face are no wall and no ball; those that reach
    further are no edge below it, unless the name says so.
    """
    flat = plane is not None and _thin(points, plane)
    if not flat and named not in _ROUND_EDGES:
        plane = None
    quick = ("plane", "line", "circle") if flat else ("plane", "line", "circle", "sphere")
    found = _tried(points, plane, quick, named)
    if found and (named in _fine(found) or (named in ("circle", "arc") and {"circle", "arc"} & set(_fine(found)))):
        return found
    slow = ("slot",) if flat else ("slot", "cylinder", "cone")
    both = {**found, **_tried(points, plane, slow, named, robust=False)}
    if not both or min(spread for spread, _ in both.values()) > _DOUBTFUL:
        both |= _tried(points, plane, slow, named)
    return both


def _thin(points: Points, plane: Feature) -> bool:
    return float(np.ptp(points.xyz @ plane.vector(("nx", "ny", "nz")))) < _SHEET


def _tried(
    points: Points, plane: Feature | None, kinds: Sequence[str], named: str | None, *, robust: bool = True
) -> dict[str, tuple[float, int]]:
    found: dict[str, tuple[float, int]] = {}
    for kind in kinds:
        face = plane if kind in ("circle", "slot") else None
        if kind == "slot" and face is None:
            continue
        try:
            with np.errstate(all="ignore"):
                feature = fit_kind(points, kind, face, robust=robust)
        except (CannotDetermine, ValueError, np.linalg.LinAlgError):
            # a shape tried on points of quite another one may break down numerically: it is then no candidate
            continue
        dof = _freedom(kind, feature.points, face)
        most = _STRAY_NAMED if kind == named else _STRAY
        if dof < 2 or len(feature.rejected) > most * len(points):
            continue
        label = kind if kind != "circle" or _is_full(feature, points) else "arc"
        found[label] = (math.sqrt(feature.rms**2 * feature.points / dof), dof)
    size = float(np.ptp(points.xyz, axis=0).max())
    return {kind: pair for kind, pair in found.items() if pair[0] < 0.02 * size + 0.05}


def _freedom(kind: str, count: int, face: Feature | None) -> int:
    """Degrees of freedom that so many points leave a shape, by itself or in a face."""
    if face is not None and kind in ("circle", "arc"):
        return count - 3
    return _PER_POINT.get(kind, 1) * count - _PARAMETERS[kind]


def _is_full(circle: Feature, points: Points) -> bool:
    from fit.shapes.curvature import span_of
    from fit.shapes.frame import axes_about

    local = (points.xyz - circle.vector(("x", "y", "z"))) @ axes_about(circle.vector(("nx", "ny", "nz")))
    span = span_of(np.arctan2(local[:, 1], local[:, 0]))[2]
    widest = 2 * math.pi - span
    return span > _FULL_CIRCLE or widest < 3 * 2 * math.pi / len(points)


def _f_limit(dof: int) -> float:
    """99 % point of a ratio of two variances with the same degrees of freedom (Snedecor's F).

    By Student's t of as many degrees: √F − 1/√F = 2 t/√ν (Cacoullos 1965; checked against scipy).
    """
    half = student_factor(dof, 0.02) / math.sqrt(dof)
    return (half + math.sqrt(1 + half * half)) ** 2
