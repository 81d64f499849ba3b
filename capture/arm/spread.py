"""The arm's own spread, pooled over features, so that a hole touched few times gets an honest interval.

Each feature's variance is moderated towards the pooled one: (ν₀ σ² + ν s²) / (ν₀ + ν) with ν₀ + ν degrees of freedom,
the inverse-χ² prior of normal theory (Gelman et al., Bayesian Data Analysis, 2.6; form from memory). A feature rougher
than chance allows (χ² at 5 %) keeps its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.feature import Feature

__all__ = ["LEAST_DOF", "Spread", "pool", "pooled"]

_PRIOR_DOF = 20.0
LEAST_DOF = 10
"""Degrees of freedom from which on a pooled spread is worth believing."""
_ROUGH = 3.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviation of one touch, mm, and the degrees of freedom it was pooled from."""

    sigma: float
    dof: float

    @property
    def prior(self) -> float:
        """ν₀: how many degrees of freedom it counts for in a single feature."""
        return min(self.dof, _PRIOR_DOF)

    def moderated(self, feature: Feature) -> tuple[float, float]:
        """Standard deviation for a feature, mm, and its degrees of freedom."""
        own = feature.dof if math.isfinite(feature.dof) else 0.0
        square = feature.rms**2 * feature.points if own else 0.0
        return math.sqrt((self.prior * self.sigma**2 + square) / (self.prior + own)), self.prior + own


def pool(features: Sequence[Feature]) -> Spread | None:
    """Pooled spread of features fitted without known noise; None where too few touches are over."""
    told = [(f.rms**2 * f.points / f.dof, f.dof) for f in features if math.isfinite(f.dof) and f.dof >= 1]
    found = pooled(told, LEAST_DOF)
    return Spread(*found) if found and found[0] > 0 else None


def pooled(told: Sequence[tuple[float, float]], least_dof: int) -> tuple[float, float] | None:
    """Standard deviation and degrees of freedom of all (variance, degrees of freedom); None where there are too few.

    Variances three times the middle one are left out: they hold more than the arm's spread.
    """
    if sum(dof for _, dof in told) < least_dof:
        return None
    order = sorted(told)
    cumulated = np.cumsum([dof for _, dof in order])
    middle = order[int(np.searchsorted(cumulated, cumulated[-1] / 2))][0]
    even = [(square, dof) for square, dof in told if square <= _ROUGH * middle]
    total = sum(dof for _, dof in even)
    return math.sqrt(sum(square * dof for square, dof in even) / total), total
