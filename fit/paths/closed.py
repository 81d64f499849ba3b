"""First readings of an edge: an open one as it is cut, a closed one cut so that its seam is a true joint."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fit.paths.chain import Chain
from fit.paths.cut import Cut, best_cut
from fit.paths.moments import free_curvature
from fit.paths.plan import Edge, Plan, Price, fit_plan, needed_corners, plan_of, plan_of_cut
from fit.paths.refine import SEARCHED, Fit, refine

__all__ = ["first_fit"]

_SHARP = np.radians(15.0)
"""Turn at a joint beyond which a first chain starts with a corner there."""


def first_fit(edge: Edge, price: Price, closed: bool) -> tuple[Edge, Fit | None]:
    """Cut an edge and fit the pieces together; a closed edge comes back turned to start at a joint."""
    cut = best_cut(edge.xy, edge.weight, price.number)
    if not closed:
        return edge, _first_hold(edge, plan_of_cut(edge, cut, False), price)
    if len(cut.arcs) > 1:
        edge, cut = _turned(edge, cut, price)
    if len(cut.arcs) == 1:
        return edge, _circle(edge)
    return edge, _first_hold(edge, plan_of_cut(edge, cut, True), price)


def _first_hold(edge: Edge, plan: Plan, price: Price) -> Fit | None:
    """The cheapest chain of a cut's pieces: all tangent, corners at all joints, or corners where those turn by much.

    A tight bend that the free cut took for a line cannot be mended once its piece has been squeezed out by tangency.
    Where no chain holds, the piece of fewest points is left out.
    """
    while True:
        smooth = fit_plan(edge, plan, rounds=SEARCHED)
        all_corners = np.ones(len(plan), dtype=bool)
        all_corners[0] = plan.closed
        loose = fit_plan(edge, replace(plan, corners=all_corners), rounds=SEARCHED)
        fits = [smooth, loose]
        if loose is not None and (smooth is None or smooth.chi2 > loose.chi2 + price.number):
            sharp = needed_corners(plan.curvatures != 0, np.abs(loose.chain.turns) > _SHARP, plan.closed)
            fits.append(fit_plan(edge, replace(plan_of(loose), corners=plan.corners | sharp), rounds=SEARCHED))
        found = [fit for fit in fits if fit is not None]
        if found or len(plan) < 4:
            return min(found, key=lambda fit: _cost(fit, price), default=None)
        plan = _without_least(plan)


def _cost(fit: Fit, price: Price) -> float:
    return fit.chi2 + price.of(fit.chain.arcs, fit.chain.corners, fit.chain.turns)


def _without_least(plan: Plan) -> Plan:
    """The plan without its piece of fewest points, whose points go to the piece after it, or before it at the end."""
    i = int(np.argmin(np.diff(plan.bounds)))
    end = i if i else 1
    curvatures, corners = np.delete(plan.curvatures, i), np.delete(plan.corners, end if i else 1)
    joints, bounds = np.delete(plan.joints, end, axis=0), np.delete(plan.bounds, end)
    return Plan(joints, curvatures, needed_corners(curvatures != 0, corners, plan.closed), bounds, plan.closed)


def _turned(edge: Edge, cut: Cut, price: Price) -> tuple[Edge, Cut]:
    """Start a closed edge at the joint farthest from the seam, and cut the stretch across the old seam anew."""
    n = len(edge.xy)
    inner = cut.bounds[1:-1]
    start = int(inner[np.argmin(np.abs(inner - n / 2))])
    edge = edge.part(start, start + n)
    ends = np.unique((cut.bounds[:-1] - start) % n)
    arcs = np.roll(cut.arcs, -int(np.searchsorted(cut.bounds, start)))
    seam = n - start
    before, after = ends[ends < seam - 1], ends[ends > seam + 1]
    low = int(before[-2]) if len(before) > 2 else 0
    high = int(after[1]) if len(after) > 2 else n
    middle = best_cut(edge.xy[low:high], edge.weight[low:high], price.number)
    closed_ends = np.append(ends, n)
    keep_left, keep_right = closed_ends < low, closed_ends > high
    bounds = np.concatenate([closed_ends[keep_left], middle.bounds + low, closed_ends[keep_right]])
    left, right = arcs[: int(keep_left.sum())], arcs[len(arcs) - int(keep_right.sum()) :]
    return edge, Cut(bounds, np.concatenate([left, middle.arcs, right]))


def _circle(edge: Edge) -> Fit | None:
    """A closed edge of one piece: a full circle."""
    middle = edge.xy.mean(axis=0)
    offset = edge.xy - middle
    turn = np.sign(np.sum(offset[:-1, 0] * offset[1:, 1] - offset[:-1, 1] * offset[1:, 0]))
    kappa = turn * abs(free_curvature(edge.xy, edge.weight))
    heading = float(np.arctan2(offset[0, 1], offset[0, 0]) + turn * np.pi / 2)
    one = np.ones(1, dtype=bool)
    start = middle + offset[0] / np.hypot(*offset[0]) / abs(kappa)
    chain = Chain(start, heading, np.array([2 * np.pi / abs(kappa)]), np.array([kappa]), np.zeros(1), one, ~one, True)
    return refine(edge.xy, edge.weight, chain, np.array([0, len(edge.xy)]))
