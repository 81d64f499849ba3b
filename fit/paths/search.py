"""The search for the reading of an edge that its noise supports, by moves judged after refinement.

A reading's cost is χ² + ln(n) per free number (the Bayesian information criterion, G. Schwarz, Ann. Stat. 6 (1978) 461):
the same for the cut before tangency and for the chain after it, so what the free cut confuses (a short line between two
arcs, a tight bend of few points) is settled once the joint chain has been fitted both ways.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fit.paths.abreast import fit_abreast
from fit.paths.draft import Draft, draft_of
from fit.paths.moves import near_joint, near_piece
from fit.paths.plan import Edge, Plan, Price, fit_plan, part_plan, plan_of, replaced, rolled
from fit.paths.ranks import Ranks
from fit.paths.refine import SEARCHED, Fit
from fit.paths.screen import Outlook, outlook
from fit.paths.sums import Sums, sums_of
from fit.points import FloatArray

__all__ = ["Rival", "cost_of", "search"]

_REACH = 2
_ROUNDS = 20
_TRIES = 8
_LEAST_ON_ARC = 4
_ROOM = 20.0
"""χ² above what would pay that a fit may still lose on its way."""


_Memo = dict[tuple[object, ...], list["Rival"]]


@dataclass(frozen=True, eq=False, slots=True)
class Rival:
    """Another reading of pieces first … last − 1: its plan, what it costs more and the χ² it saves."""

    first: int
    last: int
    plan: Plan
    excess: float
    saved: float


@dataclass(frozen=True, eq=False, slots=True)
class _Window:
    """Pieces first … last − 1, whose fit a move at one spot can change much: what they are now, and the readings near."""

    first: int
    last: int
    start: int
    here: Draft
    near: list[Draft]
    chi2: float
    price: float


def cost_of(fit: Fit, price: Price) -> float:
    """χ² plus the price of the chain."""
    return fit.chi2 + price.of(fit.chain.arcs, fit.chain.corners, fit.chain.turns)


def search(edge: Edge, fit: Fit, price: Price) -> tuple[Edge, Fit, list[Rival]]:
    """Improve a fitted chain until no move lowers its cost; return it with the readings that came closest.

    The edge is returned too, as a closed one may have been turned to start with another piece.
    """
    memo: _Memo = {}
    rivals: list[Rival] = []
    for _ in range(_ROUNDS):
        rivals = _rivals(edge, fit, price, memo)
        better = sorted((r for r in rivals if r.excess < -1e-3), key=lambda r: r.excess)
        adopted = _adopt(edge, fit, better, price)
        if adopted is None:
            break
        edge, fit = adopted
    return edge, fit, rivals


def _rivals(edge: Edge, fit: Fit, price: Price, memo: _Memo) -> list[Rival]:
    """The weighed readings near a chain, at all its spots; those of an unchanged window are not fitted again."""
    may = outlook(edge, fit, price.number)
    sums = sums_of(edge.xy, edge.weight, fit.chain.closed)
    spots = [(spot, *_window(fit, spot)) for spot in _spots(fit)]
    keys = [_key(edge, fit, *spot) for spot in spots]
    fresh = [key not in memo for key in keys]
    plan, total = plan_of(fit), np.concatenate([[0.0], np.cumsum(edge.weight * fit.residuals**2)])
    windows = [
        _opened(plan, total, place, may, fit.chain.turns, price) for place, new in zip(spots, fresh, strict=True) if new
    ]
    weighed = iter(_weighed(sums, windows, price))
    for key, new in zip(keys, fresh, strict=True):
        if new:
            memo[key] = next(weighed)
    return [
        replace(rival, first=first, last=last)
        for key, (_, first, last) in zip(keys, spots, strict=True)
        for rival in memo[key]
    ]


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


def _key(edge: Edge, fit: Fit, spot: tuple[str, int], first: int, last: int) -> tuple[object, ...]:
    """What a window's readings depend on."""
    chain, which = fit.chain, np.arange(first, last) % len(fit.chain)
    starts = edge.index[fit.bounds[which]].tolist()
    stop = int(edge.index[fit.bounds[which[-1] + 1] - 1])
    kinds = (chain.arcs[which].tobytes(), chain.corners[which][1:].tobytes())
    return (spot[0], spot[1] - first, len(which) == len(chain), *starts, stop, *kinds)


def _opened(
    plan: Plan,
    total: FloatArray,
    place: tuple[tuple[str, int], int, int],
    may: Outlook,
    turns: FloatArray,
    price: Price,
) -> _Window:
    """The window of a spot, with the promising readings next to the present one there."""
    (what, at), first, last = place
    start, part = part_plan(plan, first, last)
    here = draft_of(part)
    near = list((near_piece if what == "piece" else near_joint)(here, at - first, may, at))
    n = len(total) - 1
    laps = [divmod(start + end, n) for end in (here.bounds[0], here.bounds[-1])]
    low, high = (lap * total[-1] + total[place] for lap, place in laps)
    paid = price.of(here.arcs, here.corners, turns[np.arange(first, last) % len(turns)])
    return _Window(first, last, start, here, near, float(high - low), paid)


def _weighed(sums: Sums, windows: list[_Window], price: Price) -> list[list[Rival]]:
    """Fit all readings of all windows, and the present ones there, and tell what each saves and costs."""
    busy = [w for w in windows if w.near]
    if not busy:
        return [[] for _ in windows]
    drafts = [d for w in busy for d in (w.here, *w.near)]
    starts = [w.start for w in busy for _ in range(1 + len(w.near))]
    hopeless = [
        np.inf if d is w.here else w.chi2 + w.price - price.of(d.arcs, d.corners) + _ROOM
        for w in busy
        for d in (w.here, *w.near)
    ]
    fits = fit_abreast(sums, drafts, starts, np.array(hopeless))
    found: list[list[Rival]] = []
    row = 0
    for window in windows:
        found.append([])
        if not window.near:
            continue
        present = float(fits.chi2[row]) if fits.good[row] else window.chi2
        for i, draft in enumerate(window.near, row + 1):
            if fits.good[i]:
                found[-1].append(_rival(window, draft, fits, i, present, price))
        row += 1 + len(window.near)
    return found


def _rival(window: _Window, draft: Draft, fits: Ranks, i: int, present: float, price: Price) -> Rival:
    k = len(draft)
    arcs = fits.arcs[i, :k]
    bounds = fits.bounds[i, : k + 1] - fits.bounds[i, 0]
    saved = present - float(fits.chi2[i])
    excess = price.of(fits.arcs[i, :k], fits.corners[i, :k], fits.unknowns[i, 5 : 3 + 3 * k : 3]) - window.price - saved
    if (np.diff(bounds)[arcs] < _LEAST_ON_ARC).any():
        excess = max(excess, 0.0)  # a rival to tell of, too poor in points to adopt
    plan = Plan(fits.joints[i, : k + 1], fits.unknowns[i, 4 : 3 + 3 * k : 3], fits.corners[i, :k], bounds, draft.closed)
    return Rival(window.first, window.last, plan, excess, saved)


def _adopt(edge: Edge, fit: Fit, better: list[Rival], price: Price) -> tuple[Edge, Fit] | None:
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
        trial = fit_plan(edge, plan, rounds=SEARCHED)
        if trial is not None and cost_of(trial, price) < cost_of(fit, price) + apart[0].excess:
            return edge, trial
    for rival in better[:_TRIES]:
        place, whole = _with(edge, plan_of(fit), rival)
        trial = fit_plan(place, whole, rounds=SEARCHED)
        if trial is not None and cost_of(trial, price) < cost_of(fit, price) - 1e-3:
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
