"""Fit one ordered edge as a chain of lines and arcs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.paths.chain import Chain, layout
from fit.paths.closed import first_fit
from fit.paths.features import chain_knowledge, length_slopes, segment_features
from fit.paths.frame import Frame, fitted_frame, frame_of
from fit.paths.noise import chained_factor, local_noise, run_factor
from fit.paths.plan import Edge, free_numbers
from fit.paths.refine import Fit
from fit.paths.search import Rival, search
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["PathFit", "fit_path"]

_LEAST_POINTS = 5


@dataclass(frozen=True, eq=False, slots=True)
class PathFit:
    """A fitted path.

    Attributes
    ----------
    feature : kind ``path`` with its segments in order; arcs also carry their length and turn (left positive).
    notices : what the user should know. rejected : places of points left out as stray in the list as given.
    points : the points used, in the order of the path. chain, frame : the same path in its plane.
    noise : standard deviation of a point across the edge that the fit worked with, mm.
    """

    feature: Feature
    notices: tuple[Notice, ...]
    rejected: NDArray[np.int_]
    points: Points
    chain: Chain
    frame: Frame
    noise: float


def fit_path(
    points: Points,
    *,
    closed: bool = False,
    plane: Feature | None = None,
    noise: float | None = None,
    name: str = "path",
) -> PathFit:
    """Cut an ordered edge into the fewest lines and arcs that its noise supports, fitted as one tangent chain.

    points : in order along the edge, mm. closed : whether the last point is followed by the first.
    plane : the path's plane; fitted to the points where not given.
    noise : standard uncertainty of a point across the edge, mm, where the points do not carry it; told from the edge
        itself where neither does.
    Raises CannotDetermine where the points are too few or no chain fits them.
    """
    if len(points) < _LEAST_POINTS:
        message = f"A path needs at least {_LEAST_POINTS} points; got {len(points)}. Walk the edge more closely."
        raise CannotDetermine(message)
    frame = frame_of(plane) if plane is not None else fitted_frame(points)
    flat = frame.flat(points.xyz)
    sigma, known = _noise_of(points, flat[:, :2], noise)
    edge = Edge(np.ascontiguousarray(flat[:, :2]), 1 / sigma**2, np.arange(len(points)))
    chained = chained_factor(edge.xy)
    edge, fit, rivals = _best(edge, chained, closed)
    return _reported(edge, fit, points, frame, known, name)


def _noise_of(points: Points, flat: FloatArray, noise: float | None) -> tuple[FloatArray, bool]:
    """Noise (N,) mm of each point across the edge, and whether it was known beforehand."""
    given = points.noise if noise is None else np.full(len(points), noise)
    found = local_noise(flat)
    if np.isfinite(given).all() and (given > 0).all():
        typical = float(np.sqrt(np.mean(given**2)))
        return given * max(1.0, found / typical if found > 1.3 * typical else 1.0), True
    if not math.isfinite(found):
        message = f"The noise of {len(points)} points cannot be told from them; give it, or walk the edge more closely."
        raise CannotDetermine(message)
    size = float(np.ptp(flat, axis=0).max())
    return np.full(len(points), max(found, 1e-7 * size)), False


def _best(edge: Edge, chained: float, closed: bool) -> tuple[Edge, Fit, list[Rival]]:
    judged = replace(edge, weight=edge.weight / chained)
    penalty = math.log(len(edge.xy) / chained)
    judged, fit = first_fit(judged, penalty, closed)
    if fit is None:
        message = "No chain of lines and arcs fits the edge; check that the points are in order along one edge."
        raise CannotDetermine(message)
    judged, fit, rivals = search(judged, fit, penalty)
    edge = replace(judged, weight=judged.weight * chained)
    return edge, replace(fit, chi2=float(edge.weight @ fit.residuals**2)), rivals


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


def _reported(edge: Edge, fit: Fit, points: Points, frame: Frame, known: bool, name: str) -> PathFit:
    fit = _anchored(fit)
    numbers = 2 + free_numbers(fit.chain.arcs, fit.chain.corners)
    together = run_factor(fit.residuals * np.sqrt(edge.weight), numbers)
    spare = max(len(edge.xy) - numbers, 1)
    size = fit.chi2 / spare
    agrees = known and size < 1 + 3 * math.sqrt(2 * together / spare)
    inflation = together * (max(1.0, size) if known else size)
    know = chain_knowledge(edge, fit, points, frame, inflation, None)
    dof = math.inf if agrees else max(spare / together, 1.0)
    segments = segment_features(fit, frame, know, dof, name)
    lengths = length_slopes(fit, len(know.cov)).sum(axis=0)
    order, values, slopes = ["length"], [float(fit.chain.lengths.sum())], [lengths]
    if fit.chain.arcs.any():
        tight = int(np.argmax(np.abs(fit.chain.curvatures)))
        bend = np.zeros(len(lengths))
        kappa = fit.chain.curvatures[tight]
        bend[4 + 3 * tight] = -np.sign(kappa) / kappa**2
        order, values, slopes = [*order, "smallest_radius"], [*values, 1 / abs(kappa)], [*slopes, bend]
    gain = np.array(slopes)
    residuals = np.zeros(len(points))
    residuals[edge.index] = fit.residuals
    feature = Feature(
        name=name,
        kind="path",
        order=tuple(order),
        values=np.array(values),
        cov_own=gain @ know.cov @ gain.T,
        shared=know.shared @ gain.T,
        shared_names=know.shared_names,
        dof=dof,
        points=len(edge.xy),
        rms=float(np.sqrt(np.mean(fit.residuals**2))),
        residuals=residuals,
        segments=segments,
        closed=fit.chain.closed,
        source=points.source,
    )
    noise = float(np.sqrt(np.mean(1 / edge.weight)))
    return PathFit(feature, (), np.zeros(0, dtype=int), points.select(edge.index), fit.chain, frame, noise)
