"""Which moves are worth a fit: quick looks at a fitted chain that rule out what cannot pay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import layout
from fit.paths.held import hold, solve_held
from fit.paths.moments import arc_misfit, central, chunk_points, line_misfit
from fit.paths.plan import Edge
from fit.paths.refine import Fit, columns, free_mask, normal_equations

__all__ = ["Outlook", "outlook"]

_SURE = 10.0
"""Standard uncertainties beyond which a number is not zero, with room for the fit's being linearised."""
_MARGIN = 40.0
"""χ² beyond its worth at which a simpler reading is given up unfitted."""
_LEAST_RUN = 5
"""Fewer points tell nothing of what stands in place of their pieces."""
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


def _free_losses(edge: Edge, fit: Fit, width: int) -> np.ndarray:
    """Rise of χ² (2, K − width + 1) that one line, or one arc, in place of so many pieces from each on cannot undercut.

    A tenth of their points at either end is left out of it.
    """
    low, high = fit.bounds[:-width], fit.bounds[width:]
    cut = (high - low) // 10
    size = high - low - 2 * cut
    first = np.cumsum(size) - size
    part = np.repeat(low + cut - first, size) + np.arange(size.sum())
    weight = edge.weight[part]
    now = np.add.reduceat(weight * fit.residuals[part] ** 2, first)
    c = chunk_points(edge.xy[part], weight, first)
    none = np.zeros(len(size))
    n, _, _, *moments = central([c.weight, none, none, c.xx, c.xy, c.yy, c.xe, c.ye, c.ee])
    losses = np.array([line_misfit(n, *moments[:3]), arc_misfit(n, *moments)]) - now
    return np.where(size >= _LEAST_RUN, losses, 0.0)


def _line_loss(edge: Edge, fit: Fit) -> np.ndarray:
    return np.where(fit.chain.arcs, _free_losses(edge, fit, 1)[0], np.inf)


def _merge_mask(edge: Edge, fit: Fit, penalty: float) -> NDArray[np.bool_]:
    k = len(fit.chain)
    mask = np.zeros((4, k), dtype=bool)
    for width in (2, 3):
        if k > width or (k == width and not fit.chain.closed):
            within = _free_losses(edge, fit, width) < _MARGIN + 2 * width * penalty
            mask[2 * width - 4 : 2 * width - 2, : k - width + 1] = within
    return mask


def _drop_loss(edge: Edge, fit: Fit) -> np.ndarray:
    """Rough, low rise of χ² from leaving each piece out: a third of its bulge against what stands beside it."""
    kappa, count = fit.chain.curvatures, np.diff(fit.bounds)
    step = np.maximum(np.abs(kappa - np.roll(kappa, 1)), np.abs(kappa - np.roll(kappa, -1)))
    bulge = step * fit.chain.lengths**2 / 8
    weight = np.add.reduceat(edge.weight, fit.bounds[:-1]) / count
    return count * weight * (bulge / 6) ** 2
