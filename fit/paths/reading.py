"""The best reading of an edge: searched on means of points where there are plenty, then fitted to all of them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fit.errors import CannotDetermine
from fit.paths.closed import first_fit
from fit.paths.noise import chained_factor, local_noise, run_factor
from fit.paths.plan import Edge, Price, fit_plan, free_numbers, plan_of, rolled
from fit.paths.refine import Fit
from fit.paths.search import Rival, search

__all__ = ["best_reading"]

_ENOUGH = 2000
_MORE_RUN = 1.5


def best_reading(edge: Edge, closed: bool, thrift: Price) -> tuple[Edge, Fit, list[Rival]]:
    """The reading that the noise supports, fitted to all points, and the readings that came closest.

    A closed edge comes back turned to start at a joint. Raises CannotDetermine where nothing fits.
    """
    size = len(edge.xy) // _ENOUGH
    if size > 1:
        means = _means(edge, size)
        found, fit, rivals = _searched(means, closed, thrift)
        whole = edge.part(int(found.index[0]) * size, int(found.index[0]) * size + len(edge.xy)) if closed else edge
        bounds = np.append(fit.bounds[:-1] * size, len(edge.xy))
        full = fit_plan(whole, replace(plan_of(fit), bounds=bounds))
        if full is not None:
            return whole, full, rivals
    return _begun_amid(*_searched(edge, closed, thrift), len(edge.xy) // 2)


def _begun_amid(edge: Edge, fit: Fit, rivals: list[Rival], middle: int) -> tuple[Edge, Fit, list[Rival]]:
    """A closed reading turned to start at the joint nearest the middle of the list, whichever way it was found."""
    first = int(np.argmin(np.abs(edge.index[fit.bounds[:-1]] - middle)))
    if not fit.chain.closed or first == 0:
        return edge, fit, rivals
    turned, plan = rolled(edge, plan_of(fit), first)
    again = fit_plan(turned, plan)
    if again is None:
        return edge, fit, rivals
    return turned, again, [replace(r, first=r.first - first, last=r.last - first) for r in rivals]


def _means(edge: Edge, size: int) -> Edge:
    """Means of `size` points in a row, weighted, with the weight of them all; the last takes what is left over.

    On a bend of radius R a mean lies s²/24R inside, s being its stretch of the edge: with two thousand means on an edge
    that is far below their noise, and the last fit is to the points themselves.
    """
    first = np.arange(0, len(edge.xy) - size + 1, size)
    weight = np.add.reduceat(edge.weight, first)
    xy = np.add.reduceat(edge.xy * edge.weight[:, None], first) / weight[:, None]
    return Edge(xy, weight, np.arange(len(first)))


def _searched(edge: Edge, closed: bool, thrift: Price) -> tuple[Edge, Fit, list[Rival]]:
    """Search with the noise's run along the edge told from the points first, from the residuals where they show more.

    `run` is how much more means of points vary than their stated noise lets them, as a factor on variance: noise that is
    stated large enough to cover its own run along the edge is not widened again.
    """
    seen = (local_noise(edge.xy) ** 2) * float(np.mean(edge.weight))
    run = max(1.0, chained_factor(edge.xy) * seen) if math.isfinite(seen) else 1.0
    judged = replace(edge, weight=edge.weight / run)
    price = thrift.times(math.log(max(len(edge.xy) / run, 10.0)))
    judged, fit, rivals = search(*_first(judged, price, closed), price)
    more = _long_run(judged, fit)
    if more >= _MORE_RUN:
        run *= more
        price = thrift.times(math.log(max(len(edge.xy) / run, 10.0)))
        judged, fit = replace(judged, weight=judged.weight / more), replace(fit, chi2=fit.chi2 / more)
        judged, fit, rivals = search(judged, fit, price)
    edge = replace(judged, weight=judged.weight * run)
    return edge, replace(fit, chi2=fit.chi2 * run), rivals


def _first(edge: Edge, price: Price, closed: bool) -> tuple[Edge, Fit]:
    """A first chain to search from; where the finest cut finds no hold, a coarser one."""
    for coarser in (1, 4, 16, 64):
        turned, fit = first_fit(edge, price.times(coarser), closed)
        if fit is not None:
            return turned, fit
    message = "No chain of lines and arcs fits the edge; check that the points are in order along one edge."
    raise CannotDetermine(message)


def _long_run(edge: Edge, fit: Fit) -> float:
    """Variance that means of residuals show, over what the stated noise lets them have."""
    numbers = 2 + free_numbers(fit.chain.arcs, fit.chain.corners)
    size = fit.chi2 / max(len(edge.xy) - numbers, 1)
    return size * run_factor(fit.residuals * np.sqrt(edge.weight), numbers)
