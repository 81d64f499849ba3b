"""Point lists from several places of the arm brought into the first one's frame by ties touched from both.

The poses come from one joint solution of all tie touches; what the ties' noise does to them goes along as shared modes
``tie 2:1`` … on every point of that station (and, touch by touch, on the ties' own points).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from capture.arm.bundle import Bundle, solve_bundle
from capture.arm.rigid import Registration, lever, line_ratio, register
from capture.arm.spread import LEAST_DOF, pooled
from capture.arm.ties import TIE_NOISE, Tie, find_ties, pooled_spread
from capture.arm.tiescale import tie_scale
from fit.errors import CannotDetermine, InputError
from fit.lists import PointList
from fit.points import FloatArray, Points

__all__ = ["Joined", "TieCheck", "join_stations", "placed"]

_MIN_ACROSS = 0.05
_MIN_SPREADS = 20.0
_LIMIT = 3.0
_ALIKE = 0.01
"""Share by which ties may differ that are the same but for unit or hand."""
_UNITS_APART = (10.0, 25.4, 100.0, 1000.0, 2.54, 39.37)
"""Ratios of mm, cm, m and inch."""


@dataclass(frozen=True, slots=True)
class TieCheck:
    """How well a tie agrees in a station: residual of the fit and of the fit without it, mm; None where 3 ties only.

    ratio is the left-out (else plain) residual over what its uncertainty allows, as root mean square of its parts.
    """

    station: int
    name: str
    residual: float
    left_out: float | None
    ratio: float


@dataclass(frozen=True, eq=False, slots=True)
class Joined:
    """Stations in one frame: poses, modes and checks.

    spread : mm, standard deviation of one touch; spread_dof 0 where it is assumed.
    scale : mm, standard deviation that the modes are multiplied with (with Student's factor for few ties).
    disagreement : of the ties between stations, in what their touches' scatter allows; 1 where chance explains it.
    ties : per station, the ties found.
    """

    bundle: Bundle
    ties: tuple[Mapping[str, Tie], ...]
    checks: tuple[TieCheck, ...]
    spread: float
    spread_dof: int
    scale: float
    disagreement: float

    @property
    def mode_names(self) -> tuple[str, ...]:
        """``tie 2:1`` … ``tie 2:6``, then station 3's."""
        return tuple(f"tie {s + 2}:{k + 1}" for s in range(len(self.ties) - 1) for k in range(6))


def join_stations(lists: Sequence[PointList], patterns: Sequence[str]) -> Joined:
    """Find the poses of all stations after the first, those with the most ties in common with the known ones first.

    Raises
    ------
    InputError : no tie pattern, or a tie that is neither ball nor point.
    CannotDetermine : fewer than three common ties, ties nearly in line, or ties that disagree by more than three
        times their spread.
    """
    if not patterns:
        message = (
            f"{len(lists)} lists are stations of one arm and must be tied; name the features touched in all of them, "
            "such as --tie 'ball_*'."
        )
        raise InputError(message)
    ties = tuple(find_ties(listed, patterns) for listed in lists)
    if not any(ties):
        names = dict.fromkeys(str(name) for listed in lists for name in listed.names)
        message = f"No feature is named like --tie {' '.join(patterns)}; there are {', '.join([*names][:12])}."
        raise InputError(message)
    _check_kinds(lists, ties)
    even = pooled([(tie.square / tie.dof, tie.dof) for found in ties for tie in found.values() if tie.dof], LEAST_DOF)
    if even and even[0] > 0:
        ties = tuple(find_ties(listed, patterns, even[0]) for listed in lists)
    spread, dof = pooled_spread([tie for found in ties for tie in found.values()])
    starts: list[Registration | None] = [None] * len(lists)
    checks: list[TieCheck] = []
    known = {name: (tie.centre, tie.unit_cov) for name, tie in ties[0].items()}
    left = list(range(1, len(lists)))
    while left:
        s = max(left, key=lambda s: len(_common(known, ties[s])))
        left.remove(s)
        pose = _pose(lists[s].path, known, ties[s], spread)
        checks += _checks(lists[s].path, s + 1, known, ties[s], (spread, dof))
        starts[s] = pose
        for name, tie in ties[s].items():
            known.setdefault(name, (pose.apply(tie.centre[None])[0], pose.rotation @ tie.unit_cov @ pose.rotation.T))
    bundle = solve_bundle(ties, starts)
    checks.sort(key=lambda check: check.station)
    scale, disagreement = tie_scale(bundle, [tie for found in ties for tie in found.values()], dof > 0)
    return Joined(bundle, ties, tuple(checks), spread, dof, scale, disagreement)


def _check_kinds(lists: Sequence[PointList], ties: Sequence[Mapping[str, Tie]]) -> None:
    for name in dict.fromkeys(name for found in ties for name in found):
        kinds = {found[name].ball: listed.path for listed, found in zip(lists, ties, strict=True) if name in found}
        if len(kinds) == 2:
            message = f"Tie '{name}' is a ball in {kinds[True]} but one point in {kinds[False]}; touch it alike."
            raise InputError(message)


def _common(known: Mapping[str, tuple[FloatArray, FloatArray]], ties: Mapping[str, Tie]) -> list[str]:
    return [name for name in ties if name in known]


def _pose(
    path: str, known: Mapping[str, tuple[FloatArray, FloatArray]], ties: Mapping[str, Tie], spread: float
) -> Registration:
    names = _common(known, ties)
    if len(names) < 3:
        message = (
            f"{path}: a station needs at least three ties (better five) in common with the others; "
            f"got {len(names)}{' (' + ', '.join(names) + ')' if names else ''}. Touch more of them from both places."
        )
        raise CannotDetermine(message)
    across, ratio = min(
        (
            line_ratio(np.array(spots))
            for spots in ([known[name][0] for name in names], [ties[n].centre for n in names])
        ),
        key=lambda pair: pair[1],
    )
    if ratio < _MIN_ACROSS or across < _MIN_SPREADS * spread:
        message = (
            f"{path}: the ties {', '.join(names)} lie nearly in a line (spread {across:.3g} mm across it, "
            f"{100 * ratio:.2g} % of that along it), so the station could turn about it; add a tie well off the line."
        )
        raise CannotDetermine(message)
    return _fit(known, ties, names)


def _fit(
    known: Mapping[str, tuple[FloatArray, FloatArray]], ties: Mapping[str, Tie], names: Sequence[str]
) -> Registration:
    """Weighted fit; the station's own covariances are turned by a first, unweighted fit."""
    fixed = np.array([known[name][0] for name in names])
    moving = np.array([ties[name].centre for name in names])
    turn = register(fixed, moving).rotation
    cov = np.array([known[name][1] + turn @ ties[name].unit_cov @ turn.T for name in names])
    return register(fixed, moving, cov)


def _checks(
    path: str,
    station: int,
    known: Mapping[str, tuple[FloatArray, FloatArray]],
    ties: Mapping[str, Tie],
    spread: tuple[float, int],
) -> list[TieCheck]:
    """Residual and leave-one-out error per tie; refuse where one is over three times what its spread allows."""
    names = _common(known, ties)
    checks = [_check(station, name, known, ties, spread[0]) for name in names]
    worst = max(checks, key=lambda check: check.ratio)
    if worst.ratio <= _LIMIT:
        return checks
    error = worst.left_out if worst.left_out is not None else worst.residual
    blame = f"tie '{worst.name}' is {error:.3f} mm off" + (" where the others put it" if worst.left_out else "")
    told = f"{spread[0]:.3f} mm" if spread[1] else f"an assumed {TIE_NOISE} mm"
    fixed, moving = np.array([known[name][0] for name in names]), np.array([ties[name].centre for name in names])
    why = _cause(fixed, moving) or (
        "Was it moved, bumped or mistaken between the stations? Touch it again, or leave it out of --tie."
    )
    message = (
        f"{path}: the ties do not fit together: {blame}, {worst.ratio:.1f} times what "
        f"a spread of {told} a touch allows. {why}"
    )
    raise CannotDetermine(message)


def _cause(fixed: FloatArray, moving: FloatArray) -> str | None:
    """What makes all ties (K, 3) disagree at once: another unit, or an axis that runs the other way."""
    apart = [float(np.linalg.norm(xyz - xyz.mean(axis=0))) for xyz in (fixed, moving)]
    times = max(apart) / min(apart) if min(apart) > 0 else math.inf
    if any(abs(times / factor - 1) < _ALIKE for factor in _UNITS_APART):
        side = "nearer together" if apart[1] < apart[0] else "farther apart"
        return f"They lie {times:.4g} times {side} than in the stations before it: one of the lists has another unit."
    mirrored = register(fixed, moving * [1.0, 1.0, -1.0]).residuals
    if len(fixed) > 3 and abs(times - 1) < _ALIKE and np.linalg.norm(mirrored) < _ALIKE * apart[0]:
        return "They fit as seen in a mirror: an axis of one of the lists runs the other way, or two are swapped."
    return None


def _check(
    station: int,
    name: str,
    known: Mapping[str, tuple[FloatArray, FloatArray]],
    ties: Mapping[str, Tie],
    spread: float,
) -> TieCheck:
    names = _common(known, ties)
    pose = _fit(known, ties, names)
    k = names.index(name)
    residual = pose.residuals[k]
    centre, cov = known[name][0], known[name][1] + pose.rotation @ ties[name].unit_cov @ pose.rotation.T
    others = [other for other in names if other != name]
    if len(others) < 3 or line_ratio(np.array([known[other][0] for other in others]))[1] < _MIN_ACROSS:
        size = float(np.linalg.norm(residual))
        return TieCheck(station, name, size, None, math.sqrt(residual @ np.linalg.solve(cov, residual) / 3) / spread)
    left = _fit(known, ties, others)
    error = left.apply(ties[name].centre[None])[0] - centre
    arm = lever(centre[None], left.pivot)[0]
    total = cov + arm @ left.cov @ arm.T
    ratio = math.sqrt(error @ np.linalg.solve(total, error) / 3) / spread
    return TieCheck(station, name, float(np.linalg.norm(residual)), float(np.linalg.norm(error)), ratio)


def placed(joined: Joined, station: int, points: Points, frame: str) -> tuple[Points, FloatArray]:
    """One station's tip centres in the first one's frame, with the ties' modes.

    Points must be the station's whole list, row by row; normals (here i j k) turn along.

    Returns
    -------
    The points, and (M, N, 3) what of each mode is the touches' own noise: not zero in the ties' touches alone.
    """
    bundle = joined.bundle
    moved = points.moved(bundle.rotations[station], bundle.translations[station], frame)
    modes = np.einsum("nca,ma->mnc", lever(moved.xyz, bundle.pivot), bundle.steps[:, station])
    noise = np.zeros_like(modes)
    for name, part in bundle.touch_parts[station].items():
        noise[:, joined.ties[station][name].rows] = part
    return moved.with_shared(joined.mode_names, (modes + noise) * joined.scale), noise * joined.scale
