"""How much a lens's focal length changes from shot to shot, as the photos for learning tell."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from capture.camera.adjust import Adjustment
from capture.camera.views import View, view_model

__all__ = ["focus_spread"]


def focus_spread(views: Sequence[View], solved: Adjustment) -> float:
    """Standard deviation of the focal length between shots, of itself, beyond what corner noise explains.

    Each photo's own wish for another focal length follows from the joint solution (score test); what these scatter by
    beyond their own variance is the lens focusing anew (method of moments, DerSimonian & Laird 1986).
    """
    wishes = np.array([_focal_wish(view, solved, v) for v, view in enumerate(views)])
    weight = 1 / wishes[:, 1]
    excess = float((weight * wishes[:, 0] ** 2).sum()) - (len(views) - 1)
    variance = excess / (weight.sum() - (weight**2).sum() / weight.sum())
    return math.sqrt(max(variance, 0.0)) / float(solved.state.lens[0])


def _focal_wish(view: View, solved: Adjustment, v: int) -> tuple[float, float]:
    """How far (px) and with what variance one photo wants its focal length from the joint one."""
    kept = solved.kept[v]
    _, jacobian = view_model(view, solved.state, v)
    root = np.linalg.cholesky(view.cov[kept]) * solved.noise_scale
    slope = np.linalg.solve(root, jacobian[kept]).reshape(-1, jacobian.shape[2])
    miss = np.linalg.solve(root, solved.residuals[v][kept][..., None]).ravel()
    columns = np.r_[0 : solved.state.shared, list(solved.state.columns())[v]]
    focal = slope[:, 0]
    mixed = slope.T @ focal
    information = float(focal @ focal - mixed @ solved.cov[np.ix_(columns, columns)] @ mixed)
    return float(focal @ miss) / max(information, 1e-12), 1 / max(information, 1e-12)
