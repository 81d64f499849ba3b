"""Which moves are worth a fit: quick looks at a fitted chain that rule out what cannot pay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import layout
from fit.paths.held import hold, solve_held
from fit.paths.moments import arc_misfit, central, chunk_points, line_misfit, shifted
from fit.paths.plan import Edge
from fit.paths.refine import Fit, columns, free_mask, normal_equations

__all__ = ["Outlook", "outlook"]

_SURE = 10.0
"""Standard uncertainties beyond which a number is not zero, with room for the fit's being linearised."""
_MARGIN = 40.0
"""χ² beyond its worth at which a simpler reading is given up unfitted."""
_NOTABLE = 2.8
"""Sum of a run of residuals, in its standard deviations, that makes a further piece worth trying."""


@dataclass(frozen=True, eq=False, slots=True)
class Outlook:
    """What may pay, by piece (K,) and by joint before each piece (K,).

    straighten, bend : arc to line, line to arc. drop : leave the piece out. merge : (4, K) it and the next one to a line
    or an arc, it and the next two to a line or an arc. split : part the piece. sharpen, smooth, insert : by joint.
    """

    straighten: NDArray[np.bool_]
    bend: NDArray[np.bool_]
    drop: NDArray[np.bool_]
    merge: NDArray[np.bool_]
    split: NDArray[np.bool_]
    sharpen: NDArray[np.bool_]
    smooth: NDArray[np.bool_]
    insert: NDArray[np.bool_]


def outlook(edge: Edge, fit: Fit, penalty: float) -> Outlook:
    """Judge all moves near a fitted chain at once."""
    chain, k = fit.chain, len(fit.chain)
    where = layout(chain)
    table, full = columns(chain, where)
    free = free_mask(chain)
    rows, _ = hold(chain, where, table)
    normal, gradient = normal_equations(edge.xy, edge.weight, fit, full)
    _, cov, _ = solve_held(normal[np.ix_(free, free)], gradient[free], rows[:, free], np.zeros(len(rows)))
    sigma = np.full(len(free), np.inf)
    sigma[free] = np.sqrt(np.maximum(np.diag(cov), 0.0))
    gains = _score(normal, gradient, cov, free)
    loud = _loud(edge, fit)
    short = chain.lengths < _SURE * np.where(np.isfinite(sigma[3::3]), sigma[3::3], 0.0)
    near = np.zeros(k, dtype=bool)
    near[1:] = loud[1:] | loud[:-1]
    near[0] = chain.closed and bool(loud[0] or loud[-1])
    lines = ~chain.arcs & ~np.roll(chain.arcs, 1)
    return Outlook(
        straighten=chain.arcs & (_line_loss(edge, fit) < _MARGIN + penalty),
        bend=~chain.arcs & (gains[4::3] > penalty / 2),
        drop=short | (_drop_loss(edge, fit) < _MARGIN + 4 * penalty),
        merge=_merge_mask(edge, fit, penalty),
        split=loud,
        sharpen=~chain.corners & (gains[5::3] > penalty / 2) & ~lines,
        smooth=chain.corners & (np.abs(chain.turns) < _SURE * sigma[5::3]) & ~lines,
        insert=near | chain.corners,
    )


def _score(normal: np.ndarray, gradient: np.ndarray, cov: np.ndarray, free: NDArray[np.bool_]) -> np.ndarray:
    """Fall of χ² (P,) that freeing each held number would bring, to first order (score test)."""
    cross = normal[:, free]
    left = np.maximum(np.diag(normal) - np.einsum("pi,ij,pj->p", cross, cov, cross), 1e-9 * np.diag(normal) + 1e-300)
    pull = gradient - cross @ (cov @ gradient[free])
    return pull**2 / left


def _loud(edge: Edge, fit: Fit) -> NDArray[np.bool_]:
    """Pieces (K,) that hold a run of residuals to one side too long for chance."""
    total = np.concatenate([[0.0], np.cumsum(fit.residuals * np.sqrt(edge.weight))])
    n = len(fit.residuals)
    loud = np.zeros(n + 1)
    for width in (4, 8, 16, 32, 64, 128):
        if width <= n:
            runs = np.abs(total[width:] - total[:-width]) / np.sqrt(width)
            middle = slice(width // 2, width // 2 + len(runs))
            loud[middle] = np.maximum(loud[middle], runs)
    return np.maximum.reduceat(loud[:-1], fit.bounds[:-1]) > _NOTABLE


def _trimmed(edge: Edge, fit: Fit, first: int, last: int) -> tuple[Edge, float]:
    """Points of pieces first … last − 1 without a tenth at either end, and their χ²."""
    low, high = int(fit.bounds[first]), int(fit.bounds[last])
    cut = (high - low) // 10
    part = slice(low + cut, high - cut)
    return Edge(edge.xy[part], edge.weight[part], edge.index[part]), float(edge.weight[part] @ fit.residuals[part] ** 2)


def _free_losses(edge: Edge, fit: Fit, first: int, last: int) -> tuple[float, float]:
    """Rise of χ² that one line, or one arc, in place of pieces first … last − 1 cannot undercut."""
    part, now = _trimmed(edge, fit, first, last)
    if len(part.xy) < 5:
        return 0.0, 0.0
    chunk = chunk_points(part.xy, part.weight, np.zeros(1, dtype=int))
    n, _, _, *moments = central([sums[0, 0] for sums in shifted(chunk, slice(0, 1), chunk.centre)])
    values = [np.asarray(m) for m in moments]
    return float(line_misfit(n, *values[:3])) - now, float(arc_misfit(n, *values)) - now


def _line_loss(edge: Edge, fit: Fit) -> np.ndarray:
    return np.array([_free_losses(edge, fit, i, i + 1)[0] if arc else np.inf for i, arc in enumerate(fit.chain.arcs)])


def _merge_mask(edge: Edge, fit: Fit, penalty: float) -> NDArray[np.bool_]:
    k = len(fit.chain)
    mask = np.zeros((4, k), dtype=bool)
    for width in (2, 3):
        for i in range(k - width + 1 if k > width or not fit.chain.closed else 0):
            losses = _free_losses(edge, fit, i, i + width)
            mask[2 * width - 4 : 2 * width - 2, i] = np.array(losses) < _MARGIN + 2 * width * penalty
    return mask


def _drop_loss(edge: Edge, fit: Fit) -> np.ndarray:
    """Rough, low rise of χ² from leaving each piece out: a third of its bulge against what stands beside it."""
    kappa, count = fit.chain.curvatures, np.diff(fit.bounds)
    step = np.maximum(np.abs(kappa - np.roll(kappa, 1)), np.abs(kappa - np.roll(kappa, -1)))
    bulge = step * fit.chain.lengths**2 / 8
    weight = np.add.reduceat(edge.weight, fit.bounds[:-1]) / count
    return count * weight * (bulge / 6) ** 2
