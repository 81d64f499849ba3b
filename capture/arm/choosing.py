"""Which kind of shape a group of touches is that no rule names: by its name's words, its i j k and the residuals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from capture.arm.faces import own_face
from capture.arm.kinds import fit_kind, kind_in_name, names_edge
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import Points
from fit.uncertain import student_factor

__all__ = ["Choice", "choose_kind"]

_SPECIFIC = ("line", "circle", "arc", "slot", "plane", "sphere", "cylinder", "cone")
_PER_POINT = {"line": 2, "circle": 2, "arc": 2}
_PARAMETERS = {"line": 4, "circle": 6, "arc": 6, "slot": 5, "plane": 3, "sphere": 4, "cylinder": 5, "cone": 6}
_ROUND_EDGES = frozenset({"circle", "arc", "slot"})
_FACES = _ROUND_EDGES | {"plane"}
_ALONG, _ACROSS = 0.5, 0.8
"""What i j k have across a plane on an edge at most, and on a face at least (a chamfer of 45° lies between)."""
_ROUND_ABOUT = 0.02
"""Mean square that i j k must have in their second direction, of 1 in all, to go round an axis: an arc of 30°."""
_LEVEL = math.sin(math.radians(6.0))
"""What i j k of a few degrees may have along the axis that they go round, root mean square."""
_ONE_WAY = 0.9
"""Length of the mean of i j k from which on they look one way; round an arc of 90° it is as long."""
_FULL_CIRCLE = math.radians(300.0)
_MOST = 400
_FEW = 6
_DOUBTFUL = 0.15
_PLACE = 1.0
"""What a tip can touch is larger than this, mm (common practice, no source)."""
_SHEET = 5.0
_STRAY, _STRAY_NAMED, _STRAY_MOST = 0.2, 0.4, 0.6
"""Share of touches that a shape may leave out and still be a candidate: more where the name says it, and above half where so
many others cannot lie so close to it by chance."""
_HOLLOW = 10.0
"""Times its spread that a shape is wide at least: two near walls take up half the scatter about a single one."""
_BY_CHANCE = math.log(0.01)
_NARROW, _WIDE = 0.05, 5.0
"""Touches lie in line where they spread across it by less than this share of their length, this many times their spread off
the plane through them, and less than what a tip can touch."""
_RESIDUALS = "the residuals"


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


@dataclass(frozen=True, slots=True)
class _Trial:
    """A shape tried: its spread in mm with its degrees of freedom, and the spread that counts its strays as well."""

    spread: float
    dof: int
    effective: float


def choose_kind(name: str, points: Points, plane: Feature | None) -> Choice:
    """Kind of a group of points that no rule names.

    The name's word is taken where its shape fits as well as any, or where touches in line can tell no face or round edge;
    else the most specific shape whose spread is within chance of the least (F test at 1 %). plane is the nearest face, for
    holes touched below it.
    """
    sample = _thinned(points)
    named = kind_in_name(name)
    if plane is None and (named in ("circle", "arc") or (named is None and _looks_about(sample))):
        plane = own_face(sample)
    if named and _freedom(named, len(points), plane) < 2:
        return Choice(named, "its name alone")
    size = float(np.ptp(points.xyz, axis=0).max())
    if not named and size < _PLACE:
        what = f"its touches lie within {size:.2g} mm, a single place" if len(points) > 1 else "it is a single touch"
        return Choice(None, f"{what}, as --tie and --closing can use it")
    if named in _FACES and not names_edge(name) and _in_line(sample):
        return Choice(named, "its name alone")
    every = _trials(sample, plane, named)
    likely = _apart(every, sample, named)
    if not likely and plane is not None and not named and len(points) < _FEW and _looks_about(sample):
        return Choice("circle", "i j k alone")
    if not likely:
        return _open(named, len(points))
    fine = _fine(likely)
    if named in ("circle", "arc") and {"circle", "arc"} & set(fine):
        fine.append(named)
    chosen = named if named in fine else min(fine, key=_SPECIFIC.index)
    told_by = "its name and " if chosen == named else "i j k and " if len(likely) < len(every) else ""
    best = likely.get(chosen) or min(likely.values(), key=lambda trial: trial.effective)
    others = [(trial.effective, kind) for kind, trial in every.items() if kind != chosen]
    second = min(others)[1] if others else None
    second_spread = every[second].spread if second else math.nan
    return Choice(chosen, f"{told_by}{_RESIDUALS}", best.spread, second, second_spread)


def _open(named: str | None, count: int) -> Choice:
    """What is left to say where no shape fits."""
    if named:
        return Choice(named, "its name alone")
    if count < _FEW:
        told = "one point is" if count == 1 else f"{count} points are"
        return Choice(None, f"{told} too few to choose a shape by")
    return Choice(None, f"{count} points fit no one shape")


def _apart(trials: dict[str, _Trial], points: Points, named: str | None) -> dict[str, _Trial]:
    """Leave out what i j k speak against.

    Touches along an edge lie in a plane as well, but i j k look along it there, and across it on a face; without i j k
    the name tells. Where they go round one axis and stay square to it, they were taken on no face and no ball.
    """
    across = _across(points)
    left_out: set[str] = set()
    if across > _ACROSS or (named == "plane" and not across < _ALONG):
        left_out |= _ROUND_EDGES
    elif across < _ALONG or (named in _ROUND_EDGES and trials.keys() - {"plane"}):
        left_out.add("plane")
    if named != "sphere" and _looks_about(points):
        left_out |= {"plane", "sphere"}
    if _looks_one_way(points):
        left_out |= {"circle", "slot"}
    if not across < _ALONG and "plane" not in trials:
        left_out -= _ROUND_EDGES
    return {kind: trial for kind, trial in trials.items() if kind not in left_out}


def _across(points: Points) -> float:
    """How much i j k look across the plane that points lie in: 1 square to it, 0 along it, NaN without i j k."""
    told = np.isfinite(points.normal).all(axis=1)
    if not told.any():
        return math.nan
    normal = np.linalg.svd(points.xyz - points.xyz.mean(axis=0), full_matrices=False)[2][2]
    return float(np.median(np.abs(points.normal[told] @ normal)))


def _looks_about(points: Points) -> bool:
    """Whether i j k go round one axis and stay square to it, as on a hole, a pin or an edge."""
    told = points.normal[np.isfinite(points.normal).all(axis=1)]
    if len(told) < 3:
        return False
    squares = np.linalg.eigvalsh(told.T @ told / len(told))
    return bool(squares[0] < _LEVEL**2 and squares[1] > max(10 * squares[0], _ROUND_ABOUT))


def _looks_one_way(points: Points) -> bool:
    """Whether i j k all look about one way, as on a face or along a straight edge."""
    told = points.normal[np.isfinite(points.normal).all(axis=1)]
    return len(told) > 2 and float(np.linalg.norm(told.mean(axis=0))) > _ONE_WAY


def _in_line(points: Points) -> bool:
    """Whether touches lie in line but for their scatter."""
    off, across, along = np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(points.xyz.T)), 1e-12))
    return bool(across < min(_NARROW * along, _WIDE * off, _PLACE))


def _thinned(points: Points) -> Points:
    if len(points) <= _MOST:
        return points
    return points.select(np.random.default_rng(20261125).permutation(len(points))[:_MOST])


def _fine(trials: Mapping[str, _Trial]) -> list[str]:
    """Kinds whose spread is within chance of the least."""
    least = min(trial.effective for trial in trials.values())
    return [kind for kind, trial in trials.items() if trial.effective**2 <= least**2 * _f_limit(trial.dof)]


def _trials(points: Points, plane: Feature | None, named: str | None) -> dict[str, _Trial]:
    """Every kind that fits without throwing too many points away.

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
    if not both or min(trial.effective for trial in both.values()) > _DOUBTFUL:
        both |= _tried(points, plane, slow, named)
    return both


def _thin(points: Points, plane: Feature) -> bool:
    return float(np.ptp(points.xyz @ plane.vector(("nx", "ny", "nz")))) < _SHEET


def _tried(
    points: Points, plane: Feature | None, kinds: Sequence[str], named: str | None, *, robust: bool = True
) -> dict[str, _Trial]:
    found: dict[str, _Trial] = {}
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
        if dof < 2:
            continue
        trial = _trial(feature, dof)
        if _across_of(feature) < max(_HOLLOW * trial.spread, _PLACE):
            continue
        if len(feature.rejected) > _most_strays(feature, trial, kind == named) * len(points):
            continue
        label = kind if kind != "circle" or _is_full(feature, points) else "arc"
        found[label] = trial
    size = float(np.ptp(points.xyz, axis=0).max())
    return {kind: trial for kind, trial in found.items() if trial.spread < 0.02 * size + 0.05}


def _across_of(feature: Feature) -> float:
    """Width of a slot or diameter of a round shape, mm; inf for the rest."""
    return next((feature[key] for key in ("width", "diameter") if key in feature.order), math.inf)


def _trial(feature: Feature, dof: int) -> _Trial:
    """The spread of a shape, and the one of a normal law that its likelihood would be as high under.

    Strays are taken to lie anywhere within their reach, as likely as they are many (a mixture of both laws).
    """
    spread = math.sqrt(feature.rms**2 * feature.points / dof)
    if not len(feature.rejected):
        return _Trial(spread, dof, spread)
    share = len(feature.rejected) / len(feature.residuals)
    uniform = _reach(feature) / math.sqrt(2 * math.pi * math.e)
    mixed = (1 - share) * math.log(max(spread, 1e-6) / (1 - share)) + share * math.log(uniform / share)
    return _Trial(spread, dof, math.exp(mixed))


def _reach(feature: Feature) -> float:
    """Width of the band, mm, in which all points lie about a shape."""
    return 2 * float(np.abs(feature.residuals).max())


def _most_strays(feature: Feature, trial: _Trial, is_named: bool) -> float:
    """Share of points that a shape may leave out.

    The expected number of shapes that so many points would lie so close to by chance: all choices of members and of
    those among them that fix the shape, times the chance of the rest (Desolneux, Moisan and Morel 2000).
    """
    members, count = feature.points, len(feature.residuals)
    fixing = max(members - trial.dof, 2)
    close = min(5 * max(trial.spread, 1e-6) / _reach(feature), 1.0) if count > members else 1.0
    by_chance = _log_choices(count, members) + _log_choices(members, min(fixing, members)) + trial.dof * math.log(close)
    if by_chance < _BY_CHANCE and feature.kind != "line":  # one side of a slot is a line by no chance either
        return _STRAY_MOST
    return _STRAY_NAMED if is_named else _STRAY


def _log_choices(count: int, taken: int) -> float:
    return math.lgamma(count + 1) - math.lgamma(taken + 1) - math.lgamma(count - taken + 1)


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
