"""Fit one ordered edge as a chain of lines and arcs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.paths.chain import Chain, layout
from fit.paths.clearing import cleared
from fit.paths.conditions import Conditions
from fit.paths.doubts import undecided
from fit.paths.features import Knowledge, chain_knowledge, path_feature
from fit.paths.frame import Frame, fitted_frame, frame_of, planarity_notices
from fit.paths.noise import local_noise, run_factor
from fit.paths.plan import Edge, Pieces, Price, fit_plan, free_numbers, needed_corners, plan_between, plan_of
from fit.paths.reading import best_reading
from fit.paths.refine import Fit
from fit.paths.search import Rival
from fit.paths.walk import Walk, gap_notices, tidy
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["PathFit", "fit_path"]

_LEAST_POINTS = 5
_MISFIT, _NO_FIT, _NO_FIT_SHARE = 1.5, 5.0, 0.03
_LEAST_NOISE = 1e-3
"""mm; no list is written finer, and no arm or photo sees finer (common practice, no source)."""
_SURE = 1.96


@dataclass(frozen=True, eq=False, slots=True)
class PathFit:
    """A fitted path.

    Attributes
    ----------
    feature : kind ``path`` with its segments in order; arcs also carry their length and turn (left positive).
    notices : what the user should know. rejected : (R,) places in the list as given of points left out as stray.
    points : the points used, in the order of the path. chain, frame : the same path in its plane.
    index : (N,) their places in the list as given. along : (N,) mm from the path's start to each used point's foot.
    noise : typical standard deviation of a point across the edge that the fit worked with, mm.
    knowledge : what the path's derived sizes draw their uncertainty from.
    dof : degrees of freedom behind the own part of the uncertainties.
    """

    feature: Feature
    notices: tuple[Notice, ...]
    rejected: NDArray[np.int_]
    points: Points
    index: NDArray[np.int_]
    chain: Chain
    frame: Frame
    along: FloatArray
    noise: float
    knowledge: Knowledge
    dof: float


@dataclass(frozen=True, eq=False, slots=True)
class _Task:
    """What stays the same all through one fit."""

    points: Points
    frame: Frame
    walk: Walk
    known: bool
    closed: bool
    price: Price
    name: str
    pieces: Pieces | None


def fit_path(
    points: Points,
    *,
    closed: bool = False,
    plane: Feature | None = None,
    noise: float | None = None,
    conditions: Conditions | None = None,
    pieces: Pieces | None = None,
    parsimony: float = 1.0,
    kink_price: float = 0.0,
    name: str = "path",
) -> PathFit:
    """Cut an ordered edge into the fewest lines and arcs that its noise supports, fitted as one tangent chain.

    points : in order along the edge, mm. closed : whether the last point is followed by the first.
    plane : the path's plane; fitted to the points where not given.
    noise : standard uncertainty of a point across the edge, mm, in place of what the points say; told from the edge
        itself where neither does.
    conditions : what must hold exactly, by the numbers of the segments that a fit without conditions found.
    pieces : the pieces where they are known, in the plane z = 0. Not looked for then.
    parsimony : how many times the price of the Bayesian information criterion a further piece must be worth.
    kink_price : what a corner of less than 25° must be worth besides, in prices of a free number, where edges are made
        tangent.

    Raises CannotDetermine where the points are too few or no chain fits them, InputError for a wrong condition.
    """
    if len(points) < _LEAST_POINTS:
        message = f"A path needs at least {_LEAST_POINTS} points; got {len(points)}. Walk the edge more closely."
        raise CannotDetermine(message)
    if noise is not None and not noise > 0:
        message = f"The noise of the points must be a positive number of mm; got {noise:g}."
        raise InputError(message)
    frame = frame_of(plane) if plane is not None else fitted_frame(points)
    flat = frame.flat(points.xyz)
    walk = tidy(flat[:, :2], closed, name)
    order = walk.order
    if len(order) < _LEAST_POINTS:
        message = f"Only {len(order)} of {len(points)} points are left once rests and stray touches are out: too few."
        raise CannotDetermine(message)
    given = points.noise[order] if noise is None else np.full(len(order), noise)
    sigma, known = _noise_of(given, flat[order, :2])
    task = _Task(points, frame, walk, known, closed, Price(parsimony, kink_price * parsimony), name, pieces)
    edge = Edge(flat[order, :2], 1 / sigma**2, order)
    return _solved(edge, task, conditions, planarity_notices(flat[order], sigma, plane is None, name))


def _noise_of(given: FloatArray, flat: FloatArray) -> tuple[FloatArray, bool]:
    """Noise (N,) mm of each point across the edge, and whether it was known beforehand."""
    found = local_noise(flat)
    if np.isfinite(given).all() and (given > 0).all():
        typical = float(np.sqrt(np.mean(given**2)))
        return given * (found / typical if found > 1.3 * typical else 1.0), True
    if not math.isfinite(found):
        message = f"The noise of {len(flat)} points cannot be told from them; give it, or walk the edge more closely."
        raise CannotDetermine(message)
    return np.full(len(flat), max(found, _LEAST_NOISE)), False


def _solved(edge: Edge, task: _Task, conditions: Conditions | None, notices: Sequence[Notice]) -> PathFit:
    edge, fit, rivals = _as_told(edge, task) if task.pieces else best_reading(edge, task.closed, task.price)
    clear = cleared(edge, fit, task.name)
    edge, fit = clear.edge, clear.fit
    _check_follows(edge, fit, task.name)
    extra: list[Notice] = [*task.walk.notices, *clear.notices, *notices, *gap_notices(edge.xy, task.closed, task.name)]
    if not clear.changed:
        extra += undecided(fit, rivals, task.name)
    if conditions:
        conditions.check(fit.chain)
        held = fit_plan(edge, plan_of(fit), conditions.rows, settle=1e-9)
        if held is None:
            message = f"{task.name}: no chain of these pieces meets the conditions; loosen one of them."
            raise CannotDetermine(message)
        extra += conditions.notices(held.chi2 - fit.chi2, task.name)
        fit = held
    else:
        fit = _straightened(edge, fit_plan(edge, plan_of(fit), settle=1e-9) or fit, task)
    return _reported(edge, _anchored(fit), task, conditions, (extra, clear.stray))


def _as_told(edge: Edge, task: _Task) -> tuple[Edge, Fit, list[Rival]]:
    """The pieces that were told, fitted together."""
    assert task.pieces
    joints = np.column_stack([task.pieces.joints, np.zeros(len(task.pieces.joints))])
    flat = replace(task.pieces, joints=task.frame.flat(joints)[:, :2])
    begun = plan_between(edge, flat, task.closed)
    fit = fit_plan(*begun) if begun else None
    if begun is None or fit is None:
        message = f"{task.name}: the points do not hold the pieces told."
        raise CannotDetermine(message)
    return begun[0], fit, []


def _check_follows(edge: Edge, fit: Fit, name: str) -> None:
    """Refuse where no chain follows the points: far off for their scatter, or for the size of the whole."""
    rms = float(np.sqrt(np.mean(fit.residuals**2)))
    noise = float(np.sqrt(np.mean(1 / edge.weight)))
    extent = float(np.hypot(*np.ptp(edge.xy, axis=0)))
    if fit.chi2 > _NO_FIT**2 * len(edge.xy) or rms > _NO_FIT_SHARE * extent:
        message = (
            f"{name}: no chain of lines and arcs follows the points: they stand {rms:.2g} mm off the best one and scatter "
            f"{noise:.2g} mm by themselves. Check that they are in order along one edge, and take them closer together in "
            "tight bends."
        )
        raise CannotDetermine(message)


def _straightened(edge: Edge, fit: Fit, task: _Task) -> Fit:
    """Call an arc a line where its curvature is nothing beside all that is uncertain of it, shared errors included.

    A wrong lens bends every line a little, which no residual shows.
    """
    know = chain_knowledge(edge, fit, task.points, task.frame, _inflation(edge, fit, task.known)[0], None)
    variance = np.diag(know.cov) + (know.shared**2).sum(axis=0)
    unsure = np.sqrt(variance[4 : 3 + 3 * len(fit.chain) : 3])
    flat = fit.chain.arcs & (np.abs(fit.chain.curvatures) < _SURE * unsure)
    if not flat.any():
        return fit
    curvatures = np.where(flat, 0.0, fit.chain.curvatures)
    corners = needed_corners(curvatures != 0, fit.chain.corners, fit.chain.closed)
    plan = replace(plan_of(fit), curvatures=curvatures, corners=corners)
    return fit_plan(edge, plan, settle=1e-9) or fit


def _inflation(edge: Edge, fit: Fit, known: bool) -> tuple[float, float, float]:
    """Factor on the variance of the points' own noise, degrees of freedom behind it, and χ² by degree of freedom."""
    numbers = 2 + free_numbers(fit.chain.arcs, fit.chain.corners)
    spare = max(len(edge.xy) - numbers, 1)
    size = fit.chi2 / spare
    together = run_factor(fit.residuals * np.sqrt(edge.weight), numbers)
    seen = size * together
    if known and seen < 1 + 3 * math.sqrt(2 * together / spare):
        return max(1.0, seen), math.inf, size
    return max(1.0, seen) if known else seen, max(spare / together, 1.0), size


def _anchored(fit: Fit) -> Fit:
    """An open path cut to run from the foot of its first point to the foot of its last."""
    chain = fit.chain
    if chain.closed:
        return fit
    first = float(fit.along[0])
    lengths = chain.lengths.copy()
    lengths[-1] = fit.along[-1]
    lengths[0] -= first
    where = layout(replace(chain, lengths=np.array([first]), curvatures=chain.curvatures[:1], turns=np.zeros(1)))
    along = fit.along.copy()
    along[: fit.bounds[1]] -= first
    moved = replace(chain, start=where.joints[-1], heading=float(where.after[-1]), lengths=lengths)
    return replace(fit, chain=moved, along=along)


def _reported(
    edge: Edge, fit: Fit, task: _Task, conditions: Conditions | None, found: tuple[list[Notice], NDArray[np.int_]]
) -> PathFit:
    notices, stray = found
    inflation, dof, size = _inflation(edge, fit, task.known)
    know = chain_knowledge(edge, fit, task.points, task.frame, inflation, conditions.rows if conditions else None)
    feature = path_feature(edge, fit, task.frame, know, (dof, task.name))
    residuals = np.zeros(len(task.points))
    residuals[edge.index] = fit.residuals
    rejected = np.sort(np.concatenate([task.walk.stray, stray]))
    feature = replace(feature, residuals=residuals, rejected=rejected, source=task.points.source)
    noise = float(np.sqrt(np.mean(1 / edge.weight)))
    notices = [*_stray_notices(rejected, task.name), *notices, *_misfit_notices(size, noise, feature), *_short(feature)]
    ends = np.cumsum(fit.chain.lengths)
    along = fit.along + (ends - fit.chain.lengths)[fit.piece]
    used = task.points.select(edge.index)
    return PathFit(feature, tuple(notices), rejected, used, edge.index, fit.chain, task.frame, along, noise, know, dof)


def _stray_notices(rejected: NDArray[np.int_], name: str) -> list[Notice]:
    if not len(rejected):
        return []
    some = ", ".join(str(i + 1) for i in rejected[:8]) + (" …" if len(rejected) > 8 else "")
    many = len(rejected) > 1
    text = f"{len(rejected)} stray touch{'es' if many else ''} left out: point{'s' if many else ''} {some}."
    return [Notice("stray-touch", text, name)]


def _misfit_notices(size: float, noise: float, feature: Feature) -> list[Notice]:
    """Say where lines and arcs do not follow the edge to within its noise."""
    if size < _MISFIT**2:
        return []
    text = (
        f"The points stand {feature.rms:.3f} mm rms off the chain but scatter {noise:.3f} mm by themselves: the edge is not "
        "quite made of lines and arcs, or is dented; the uncertainties are widened by that."
    )
    return [Notice("rough-edge", text, feature.name)]


def _short(feature: Feature) -> list[Notice]:
    """A radius known to no better than a fifth is stated by its interval: that of the curvature is the true one."""
    notices = []
    for arc in (s for s in feature.segments if s.kind == "arc"):
        radius, spread = arc["radius"], arc.value("radius").u95
        if spread > 0.2 * radius:
            share = spread / radius
            most = f"{radius / (1 - share):.3g} mm" if share < 1 else "nearly straight"
            text = (
                f"{arc.name} is too short to tell its radius: {radius / (1 + share):.3g} mm to {most}. "
                "Check it with a radius gauge."
            )
            notices.append(Notice("short-arc", text, feature.name))
    return notices
