"""Every named group of touches to a feature: planes, then what lies in them, then again with the pooled spread."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from capture.arm.choosing import Choice, choose_kind
from capture.arm.faces import face_of
from capture.arm.kinds import FitRule, SideRule, form_for, kind_in_name, rule_for, side_for
from capture.arm.spread import Spread, pool
from capture.arm.tip import Tip
from capture.arm.touched import FACED, Touched, as_shared, fit_touched
from capture.arm.touches import Touches
from capture.arm.touchnotices import told_of_touches
from fit.errors import CannotDetermine, EdgewrightError, InputError
from fit.feature import Feature
from fit.points import Points
from fit.results import Notice

__all__ = ["FitOptions", "Fitted", "fit_touches"]

_FEW_STRAYS = 0.25
_EVEN = 4.0
_ROUGH = 8.0
"""Times the scatter of the better features from which on a kind is no more than the best of a bad lot."""
_ALL_KINDS = 8
"""Touches from which on every kind can be tried: a cone's six numbers and two to tell them by."""
_MOST_TOLD = 2


@dataclass(frozen=True, slots=True)
class FitOptions:
    """rules as typed with --fit; tip None for surface points; sides of the tip where a list has no i j k.

    places: names of single places (closing and tie points), which no shape is fitted to unless a rule says so.
    """

    rules: tuple[FitRule, ...] = ()
    tip: Tip | None = None
    sides: tuple[SideRule, ...] = ()
    places: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False, slots=True)
class Fitted:
    """Features by name in order of appearance, the kinds chosen, the pooled spread and what to tell the user."""

    touched: Mapping[str, Touched]
    choices: Mapping[str, Choice]
    spread: Spread | None
    notices: tuple[Notice, ...]


@dataclass(frozen=True, eq=False, slots=True)
class _Job:
    name: str
    kind: str
    plane: str | None
    demanded: bool
    is_face: bool  # a plane that holes below it may be projected into unasked


class _Failure(NamedTuple):
    """Why a feature could not be fitted, and whether a rule had asked for it."""

    error: EdgewrightError
    demanded: bool


_Known = tuple[Mapping[str, Spread | None], Mapping[str, Touched]]
"""Pooled spread for each name, of touches or of scanned points as it is, and the first round's features."""


def fit_touches(touches: Touches, options: FitOptions) -> Fitted:
    """Fit all features.

    One that cannot be fitted is left out with the reason: notice `not-measured` where a rule names it, else `undecided`.

    Raises
    ------
    InputError : a rule that fits no feature or names an unknown plane. CannotDetermine : not one feature can be fitted.
    """
    _check_rules(touches, options.rules)
    _check_sides(touches, options.sides)
    choices, notices = _choices(touches, options)
    faces = _sure_planes(choices)
    jobs = [_job(name, choices[name], options.rules, name in faces) for name in touches.names if choices[name].kind]
    first, _ = _round(touches, jobs, options, None)
    spread, clouds = (
        pool([touched.feature for name, touched in first.items() if (name in touches.clouds) == scanned])
        for scanned in (False, True)
    )
    spreads = {name: clouds if name in touches.clouds else spread for name in touches.names}
    final, failed = _round(touches, jobs, options, (spreads, first))
    notices += _failures(failed, nothing_else=not final)
    if not final:
        raise _nothing(notices)
    order = {name: final[name] for name in touches.names if name in final}
    return Fitted(order, choices, spread, (*notices, *told_of_touches(touches, list(final.values()), spread)))


def _nothing(notices: Sequence[Notice]) -> CannotDetermine:
    told = [f"'{notice.feature}': {notice.text}" for notice in notices if notice.feature]
    more = [f"{len(told) - _MOST_TOLD} more could not either."] if len(told) > _MOST_TOLD else []
    return CannotDetermine(" ".join(["Not one feature could be measured.", *told[:_MOST_TOLD], *more]))


def _failures(failed: Mapping[str, _Failure], *, nothing_else: bool) -> list[Notice]:
    """What is left out and why; the reason is raised where rules asked for it and nothing else was measured."""
    asked = [failure.error for failure in failed.values() if failure.demanded]
    if asked and nothing_else:
        raise asked[0]
    return [
        Notice("not-measured", str(error), name) if demanded else Notice("undecided", f"{error} Not fitted.", name)
        for name, (error, demanded) in failed.items()
    ]


def _check_rules(touches: Touches, rules: Sequence[FitRule]) -> None:
    for rule in rules:
        used = [name for name in touches.names if rule_for(name, [rule])]
        if not used:
            message = f"--fit {rule.pattern}={rule.kind}: no feature has that name; there are {_told(touches.names)}."
            raise InputError(message)
        if rule.plane and rule.plane not in touches.names:
            asked = f"--fit {rule.pattern}={rule.kind}@{rule.plane}"
            message = f"{asked}: no feature is named '{rule.plane}'; there are {_told(touches.names)}."
            raise InputError(message)


def _check_sides(touches: Touches, sides: Sequence[SideRule]) -> None:
    for rule in sides:
        if not any(side_for(name, [rule]) for name in touches.names):
            message = f"--side {rule.pattern}={rule.side}: no feature has that name; there are {_told(touches.names)}."
            raise InputError(message)


def _told(names: Sequence[str]) -> str:
    return ", ".join(names[:20]) + (" …" if len(names) > 20 else "")


def _job(name: str, choice: Choice, rules: Sequence[FitRule], is_face: bool) -> _Job:
    rule = rule_for(name, rules)
    return _Job(name, str(choice.kind), rule.plane if rule else None, rule is not None, is_face)


def _choices(touches: Touches, options: FitOptions) -> tuple[dict[str, Choice], list[Notice]]:
    """Kinds by rule, then planes by themselves, then the rest with the planes known."""
    choices: dict[str, Choice] = {}
    for name in touches.names:
        if rule := rule_for(name, options.rules):
            choices[name] = Choice(rule.kind, "as asked")
    choices |= {name: Choice(None, "a single place") for name in options.places if name not in choices}
    open_names = [name for name in touches.names if name not in choices]
    if not open_names:
        return choices, []
    for name in open_names:
        choices[name] = choose_kind(name, touches.points.select(touches.rows(name)), None)
    planes = _rough_planes(touches, _sure_planes(choices))
    radius = options.tip.radius if options.tip else 0.0
    for name in open_names:
        points = touches.points.select(touches.rows(name))
        face = face_of(points, [plane for plane in planes if plane.name != name], radius)
        if face is not None and kind_in_name(name) != "plane":
            choices[name] = choose_kind(name, points, face)
    ordered = {name: choices[name] for name in touches.names}
    ordered |= _too_rough(touches, ordered, open_names)
    return ordered, _choice_notices(ordered, open_names)


def _too_rough(touches: Touches, choices: Mapping[str, Choice], names: Sequence[str]) -> dict[str, Choice]:
    """Features left open after all: a kind against their name, or told from too few touches to try all kinds, that fits
    far worse than the better features do. It is then but the freest shape of those that were tried."""
    even = _evenest(choices)
    found = {}
    for name in names:
        choice, count, named = choices[name], len(touches.rows(name)), kind_in_name(name)
        most = math.inf if choice.kind == named else _EVEN if named else _ROUGH if count < _ALL_KINDS else math.inf
        if choice.spread > most * even:
            why = f"its {count} touches come no nearer to a shape than a {choice.kind} to {choice.spread:.2g} mm"
            found[name] = Choice(None, f"{why}, where others are even to {even:.2g} mm")
    return found


def _evenest(choices: Mapping[str, Choice]) -> float:
    """Spread of the better features, mm; 0 where none was told by its residuals."""
    spreads = [choice.spread for choice in choices.values() if math.isfinite(choice.spread)]
    return max(float(np.quantile(spreads, 0.25)), 1e-3) if spreads else 0.0


def _sure_planes(choices: Mapping[str, Choice]) -> list[str]:
    """Names of the planes that were asked for or named as such, or that are as even as the better features are."""
    limit = _EVEN * _evenest(choices)
    planes = {name: choice for name, choice in choices.items() if choice.kind == "plane"}
    return [name for name, c in planes.items() if kind_in_name(name) == "plane" or not c.spread > limit]


def _rough_planes(touches: Touches, names: Sequence[str]) -> list[Feature]:
    from fit.shapes import fit_plane

    planes = []
    for name in names:
        try:
            planes.append(fit_plane(touches.points.select(touches.rows(name)), form="none").renamed(name))
        except CannotDetermine:
            continue
    return planes


def _choice_notices(choices: Mapping[str, Choice], names: Sequence[str]) -> list[Notice]:
    """One notice per feature that stays open or was a close call, and one that tells all other choices."""
    found: list[Notice] = []
    told: list[str] = []
    for name in names:
        choice = choices[name]
        if choice.kind is None:
            text = f"Not fitted: {choice.why}. Say what {name} is with --fit '{name}=KIND'."
            found.append(Notice("undecided", text, name))
        elif choice.is_close:
            text = f"Taken as {_article(choice.kind)} {choice.told}; say --fit '{name}=KIND' if it is another."
            found.append(Notice("undecided", text, name))
        else:
            told.append(f"{name} {choice.told}")
    return found + ([Notice("kind-chosen", "Kinds chosen: " + "; ".join(told) + ".")] if told else [])


def _article(kind: str) -> str:
    return "an" if kind == "arc" else "a"


def _round(
    touches: Touches,
    jobs: Sequence[_Job],
    options: FitOptions,
    known: _Known | None,
) -> tuple[dict[str, Touched], dict[str, _Failure]]:
    """Fit all jobs once, planes first; the second time with what the first round told."""
    done: dict[str, Touched] = {}
    failed: dict[str, _Failure] = {}
    planes: dict[str, Feature] = {}
    faces = {job.name for job in jobs if job.is_face}
    for job in sorted(jobs, key=lambda job: job.kind != "plane"):
        centres = touches.points.select(touches.rows(job.name))
        try:
            face = _face(job, centres, planes, failed.keys(), faces)
            touched = _fit_once(job, centres, face, options, known)
        except (CannotDetermine, InputError) as error:
            if known is not None and isinstance(error, InputError):
                raise
            failed[job.name] = _Failure(error, job.demanded)
            continue
        if known is not None:
            touched = _without_tie_noise(touches, job, touched, face, options)
        if job.kind == "plane":
            shared = as_shared(touched.feature, f"plane {job.name}")
            planes[job.name] = shared
            touched = touched if known is None else replace(touched, feature=shared)
        done[job.name] = touched
    return done, failed


def _face(
    job: _Job, centres: Points, planes: Mapping[str, Feature], failed: Set[str], faces: Set[str]
) -> Feature | None:
    """The plane that was asked for, else the nearest of those that are surely faces."""
    if job.plane is not None:
        if job.plane in failed:
            message = f"'{job.name}' as {job.kind}: the plane it lies in, '{job.plane}', was not measured."
            raise CannotDetermine(message)
        if job.plane not in planes:
            message = (
                f"--fit {job.name}={job.kind}@{job.plane}: '{job.plane}' is not fitted as a plane; "
                f"add --fit '{job.plane}=plane'."
            )
            raise InputError(message)
        return planes[job.plane]
    sure = [plane for name, plane in planes.items() if name in faces]
    return face_of(centres, sure) if job.kind in FACED else None


def _fit_once(
    job: _Job,
    centres: Points,
    face: Feature | None,
    options: FitOptions,
    known: _Known | None,
) -> Touched:
    form = "none" if known is None else form_for(len(centres))

    def fit(noise: float) -> Touched:
        points = replace(centres, noise=np.full(len(centres), noise))
        return fit_touched(job.name, points, job.kind, face, options.tip, side_for(job.name, options.sides), form)

    spread = known[0][job.name] if known else None
    if spread is None or known is None:
        return fit(math.nan)
    first = known[1].get(job.name)
    if first is None:
        return _with_dof(fit(spread.sigma), spread.prior)
    sigma, dof = spread.moderated(first.feature)
    if sigma > 1.3 * spread.sigma:
        tried = _with_dof(fit(spread.sigma), dof)
        few = 0 < int((~tried.used).sum()) <= max(1, _FEW_STRAYS * len(centres))
        if few and tried.feature.dof == dof:
            return tried
    return _with_dof(fit(sigma), dof)


def _with_dof(touched: Touched, dof: float) -> Touched:
    """A moderated spread is not known for certain: tell its degrees of freedom, unless the fit kept its own."""
    if math.isfinite(touched.feature.dof):
        return touched
    return replace(touched, feature=replace(touched.feature, dof=dof))


def _without_tie_noise(
    touches: Touches, job: _Job, touched: Touched, face: Feature | None, options: FitOptions
) -> Touched:
    """Take out of a tie's own covariance what its tie modes tell already."""
    rows = touches.rows(job.name)
    noise = touches.tie_noise[:, rows]
    if not noise.any():
        return touched
    names = tuple(f"noise:{k}" for k in range(len(noise)))
    centres = replace(touches.points.select(rows), shared=noise, shared_names=names)
    again = fit_touched(job.name, centres.select(touched.used), job.kind, face, None, "out").feature
    part = again.shared[[again.shared_names.index(name) for name in names]]
    values, vectors = np.linalg.eigh(touched.feature.cov_own - part.T @ part)
    cov = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return replace(touched, feature=replace(touched.feature, cov_own=cov))
