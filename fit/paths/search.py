"""The search for the reading of an edge that its noise supports, by moves judged after refinement.

A reading's cost is χ² + ln(n) per free number (the Bayesian information criterion, G. Schwarz, Ann. Stat. 6 (1978) 461):
the same for the cut before tangency and for the chain after it, so what the free cut confuses (a short line between two
arcs, a tight bend of few points) is settled once the joint chain has been fitted both ways.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fit.paths.moves import near_joint, near_piece
from fit.paths.plan import Edge, Plan, fit_plan, part_plan, plan_of, price, replaced, rolled
from fit.paths.refine import Fit
from fit.paths.screen import Outlook, outlook

__all__ = ["Rival", "cost_of", "search"]

_REACH = 2
_ROUNDS = 20
_TRIES = 8
_LEAST_ON_ARC = 4


_Memo = dict[tuple[object, ...], list["Rival"]]


@dataclass(frozen=True, eq=False, slots=True)
class Rival:
    """Another reading of pieces first … last − 1: its plan, what it costs more, the χ² it saves and its free numbers."""

    first: int
    last: int
    plan: Plan
    excess: float
    saved: float
    numbers: int


def cost_of(fit: Fit, penalty: float) -> float:
    """χ² plus the penalty of the chain's free numbers."""
    return fit.chi2 + penalty * price(fit.chain.arcs, fit.chain.corners)


def search(edge: Edge, fit: Fit, penalty: float) -> tuple[Edge, Fit, list[Rival]]:
    """Improve a fitted chain until no move lowers its cost; return it with the readings that came closest.

    The edge is returned too, as a closed one may have been turned to start with another piece.
    """
    memo: _Memo = {}
    rivals: list[Rival] = []
    for _ in range(_ROUNDS):
        may = outlook(edge, fit, penalty)
        rivals = [rival for spot in _spots(fit) for rival in _remembered(edge, fit, spot, penalty, (may, memo))]
        better = sorted((r for r in rivals if r.excess < -1e-3), key=lambda r: r.excess)
        adopted = _adopt(edge, fit, better, penalty)
        if adopted is None:
            break
        edge, fit = adopted
    return edge, fit, rivals


def _spots(fit: Fit) -> list[tuple[str, int]]:
    k = len(fit.chain)
    first = 0 if fit.chain.closed and k > 1 else 1
    return [("piece", i) for i in range(k)] + [("joint", j) for j in range(first, k)]


def _window(fit: Fit, spot: tuple[str, int]) -> tuple[int, int]:
    """First and last piece (exclusive) whose fit a move at the spot can change much."""
    what, i = spot
    first, last = i - _REACH, i + _REACH + (what == "piece")
    k = len(fit.chain)
    if fit.chain.closed:
        return (first, last) if last - first < k else (0, k)
    return max(first, 0), min(last, k)


def _remembered(
    edge: Edge, fit: Fit, spot: tuple[str, int], penalty: float, known: tuple[Outlook, _Memo]
) -> list[Rival]:
    """The judged readings at a spot; those of an unchanged window are not fitted again."""
    may, memo = known
    first, last = _window(fit, spot)
    which = np.arange(first, last) % len(fit.chain)
    starts = edge.index[fit.bounds[which]]
    chain = fit.chain
    stop = edge.index[(fit.bounds[which[-1] + 1] - 1)]
    key: tuple[object, ...] = (spot[0], spot[1] - first, len(which) == len(chain), tuple(starts), stop)
    key = (*key, tuple(chain.arcs[which]), tuple(chain.corners[which][1:]))
    if key not in memo:
        memo[key] = _judged(edge, fit, spot, penalty, may)
    return [replace(rival, first=first, last=last) for rival in memo[key]]


def _judged(edge: Edge, fit: Fit, spot: tuple[str, int], penalty: float, may: Outlook) -> list[Rival]:
    """All promising readings next to the present one at a spot, each fitted in its window and weighed against it."""
    first, last = _window(fit, spot)
    what, at = spot
    part, plan = part_plan(edge, plan_of(fit), first, last)
    near = near_piece if what == "piece" else near_joint
    if plan.closed and what == "joint" and at == 0:
        return []
    before = price(plan.curvatures != 0, plan.corners)
    present: float | None = None
    found = []
    for other in near(part, plan, at - first, may, at):
        if present is None:
            present = _present(part, plan, edge, fit)
        worth = penalty * (before - price(other.curvatures != 0, other.corners))
        trial = fit_plan(part, other, hopeless=present + worth + 20, settle=0.1)
        if trial is None:
            continue
        numbers = price(trial.chain.arcs, trial.chain.corners) - before
        saved = present - trial.chi2
        excess = penalty * numbers - saved
        if (np.diff(trial.bounds)[trial.chain.arcs] < _LEAST_ON_ARC).any():
            excess = max(excess, 0.0)  # a rival to tell of, too poor in points to adopt
        found.append(Rival(first, last, plan_of(trial), excess, saved, numbers))
    return found


def _present(part: Edge, plan: Plan, edge: Edge, fit: Fit) -> float:
    """χ² of the present reading in a window: fitted there alone, or as it stands where a piece is nearly squeezed out."""
    base = fit_plan(part, plan, settle=0.05)
    if base is not None:
        return base.chi2
    here = np.isin(edge.index, part.index)
    return float(edge.weight[here] @ fit.residuals[here] ** 2)


def _adopt(edge: Edge, fit: Fit, better: list[Rival], penalty: float) -> tuple[Edge, Fit] | None:
    """All better readings that do not touch each other, if together they pay; else the first that lowers the cost."""
    apart: list[Rival] = []
    for rival in better:
        inside = rival.first >= 0 and rival.last <= len(fit.chain) and not rival.plan.closed
        if inside and all(rival.last <= r.first or r.last <= rival.first for r in apart):
            apart.append(rival)
    if len(apart) > 1:
        plan = plan_of(fit)
        for rival in sorted(apart, key=lambda r: -r.first):
            plan = replaced(plan, rival.first, rival.last, rival.plan)
        trial = fit_plan(edge, plan)
        if trial is not None and cost_of(trial, penalty) < cost_of(fit, penalty) + apart[0].excess:
            return edge, trial
    for rival in better[:_TRIES]:
        place, whole = _with(edge, plan_of(fit), rival)
        trial = fit_plan(place, whole)
        if trial is not None and cost_of(trial, penalty) < cost_of(fit, penalty) - 1e-3:
            return place, trial
    return None


def _with(edge: Edge, plan: Plan, rival: Rival) -> tuple[Edge, Plan]:
    """The whole plan with a rival's pieces in place."""
    if rival.plan.closed:
        return edge, rival.plan
    if not plan.closed:
        return edge, replaced(plan, rival.first, rival.last, rival.plan)
    place, turned = rolled(edge, plan, rival.first)
    return place, replaced(turned, 0, rival.last - rival.first, rival.plan)
