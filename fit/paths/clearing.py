"""What a fitted chain shows to be no part of the edge: stray touches, and hooks where the walk came on or went off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.paths.plan import Edge, Plan, fit_plan, plan_of
from fit.paths.refine import Fit
from fit.results import Notice

__all__ = ["Clearing", "cleared"]

_STRAY = 5.0
_STRAY_RUN = 3
_STRAY_GAP = 2
_HOOK_POINTS, _HOOK_TURN = 8, np.radians(25.0)


@dataclass(frozen=True, eq=False, slots=True)
class Clearing:
    """Edge and fit without what was left out; stray (S,) places in the list as given; changed where a piece went."""

    edge: Edge
    fit: Fit
    stray: NDArray[np.int_]
    notices: tuple[Notice, ...]
    changed: bool


def cleared(edge: Edge, fit: Fit, name: str) -> Clearing:
    """Leave out hooks at the ends and touches that stand alone far off the chain, and fit the rest again."""
    edge, fit, hooks = _without_hooks(edge, fit)
    notices = tuple(Notice("hook", text, name) for text in hooks)
    off = _alone(edge, fit)
    stray = edge.index[off]
    if len(stray):
        keep = ~off
        bounds = np.concatenate([[0], np.cumsum(np.add.reduceat(keep.astype(int), fit.bounds[:-1]))])
        rest = Edge(edge.xy[keep], edge.weight[keep], edge.index[keep])
        again = fit_plan(rest, replace(plan_of(fit), bounds=bounds)) if (np.diff(bounds) > 1).all() else None
        if again is not None:
            return Clearing(rest, again, stray, notices, bool(hooks))
    return Clearing(edge, fit, np.zeros(0, dtype=int), notices, bool(hooks))


def _alone(edge: Edge, fit: Fit) -> NDArray[np.bool_]:
    """Mask (N,) of short runs of points more than five standard deviations off."""
    spread = max(1.0, float(np.median(np.abs(fit.residuals) * np.sqrt(edge.weight))) / 0.6745)
    far = np.abs(fit.residuals) * np.sqrt(edge.weight) > _STRAY * spread
    mask = np.zeros(len(far), dtype=bool)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], far, [False]]).astype(int))).reshape(-1, 2)
    # runs with hardly a good point between them are one: a bend that the walk took few touches of, not stray touches
    apart = np.flatnonzero(ends[1:, 0] - ends[:-1, 1] > _STRAY_GAP)
    for first, last in zip(ends[np.r_[0, apart + 1], 0], ends[np.r_[apart, -1], 1], strict=True) if len(ends) else ():
        mask[first:last] = far[first:last] & (last - first <= _STRAY_RUN)
    return mask


def _without_hooks(edge: Edge, fit: Fit) -> tuple[Edge, Fit, list[str]]:
    """Cut off a last few points that turn sharply away at either end of an open walk."""
    texts: list[str] = []
    for end in ("start", "end"):
        k, sizes = len(fit.chain), np.diff(fit.bounds)
        if fit.chain.closed or k < 2:
            break
        piece, joint = (0, 1) if end == "start" else (k - 1, k - 1)
        hooked = fit.chain.corners[joint] and abs(fit.chain.turns[joint]) > _HOOK_TURN
        if not (hooked and sizes[piece] <= _HOOK_POINTS and sizes[piece] < 0.03 * len(edge.xy)):
            continue
        part = slice(fit.bounds[1], None) if end == "start" else slice(0, fit.bounds[-2])
        rest = Edge(edge.xy[part], edge.weight[part], edge.index[part])
        again = fit_plan(rest, _shorter(plan_of(fit), end))
        if again is not None:
            texts.append(f"The walk's {end} turns off within {sizes[piece]} points: a hook, left out of the path.")
            edge, fit = rest, again
    return edge, fit, texts


def _shorter(plan: Plan, end: str) -> Plan:
    part = slice(1, None) if end == "start" else slice(0, -1)
    corners = plan.corners[part].copy()
    corners[0] = False
    bounds = plan.bounds[part] - plan.bounds[part][0]
    return replace(plan, joints=plan.joints[part], curvatures=plan.curvatures[part], corners=corners, bounds=bounds)
