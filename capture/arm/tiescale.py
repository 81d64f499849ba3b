"""How far a station's pose may be off: by what touches scatter on the ties, or by what the ties themselves disagree.

A tie that has moved, or an arm that is bent, shows in no single ball, only between the stations. Where the ties
disagree by more than the touches' scatter allows, the poses' errors are widened to what the ties show (the Birge ratio:
Birge, Phys. Rev. 40, 207, 1932), with the degrees of freedom that the ties leave over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from capture.arm.bundle import Bundle
from capture.arm.ties import Tie
from fit.uncertain import coverage_factor

__all__ = ["tie_scale"]

_ONE_SIDED_5 = 1.645
_LEAST = 1e-6


def tie_scale(bundle: Bundle, ties: Sequence[Tie], scatter_known: bool) -> tuple[float, float]:
    """Standard deviation that the poses' modes are multiplied with, mm, and how much the ties disagree.

    The first is pooled over touches and ties, with Student's factor in it. Where chance does not explain what the ties
    show above their touches' scatter (F at 5 %), they alone tell it; the second is then the Birge ratio, else 1.
    """
    sigma = math.sqrt(bundle.square / bundle.dof)
    inside, inside_dof = sum(tie.square for tie in ties), sum(tie.dof for tie in ties)
    between, between_dof = bundle.square - inside, bundle.dof - inside_dof
    if not scatter_known or inside <= 0 or between_dof < 1:
        return _widened(max(sigma, _LEAST), bundle.dof), 1.0
    larger = max(between / between_dof / (inside / inside_dof), 0.0)
    if _normal_of_f(larger, between_dof, inside_dof) <= _ONE_SIDED_5:
        return _widened(sigma, bundle.dof), 1.0
    return _widened(math.sqrt(between / between_dof), between_dof), math.sqrt(larger)


def _widened(sigma: float, dof: int) -> float:
    return sigma * coverage_factor(dof) / coverage_factor(math.inf)


def _normal_of_f(ratio: float, upper: int, lower: int) -> float:
    """Normal deviate as probable as a variance ratio of (upper, lower) degrees of freedom (Paulson 1942)."""
    a, b, root = 2 / (9 * upper), 2 / (9 * lower), math.cbrt(ratio)
    return ((1 - b) * root - (1 - a)) / math.sqrt(b * root**2 + a)
