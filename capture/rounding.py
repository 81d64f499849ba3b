"""The radius of a sheet's rounded upper edge, told by how well each one tried explains the steps seen along its edges."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray

__all__ = ["ROUNDINGS", "settled_rounding"]

ROUNDINGS = (0.0, 0.12, 0.2, 0.3)
"""Radii tried, mm: sharp, and what deburring usually leaves (common practice, no source)."""

_TOLD_APART = 0.015
_RIM_SHARE = 0.3


def settled_rounding(worth: FloatArray, length: float) -> tuple[int, float]:
    """Which of `ROUNDINGS` to believe, and what its doubt makes of the rim's place (standard uncertainty, mm).

    Parameters
    ----------
    worth : (R,) sum over all edges of mean score times length. length : of these edges, mm.

    A rounding loses credit by a factor e for each loss of `_TOLD_APART` in mean score; the rim of another rounding lies
    about a third of their difference away.
    """
    best = int(np.argmax(worth))
    credit = np.exp(-(worth[best] - worth) / (_TOLD_APART * length))
    doubt = _RIM_SHARE * float((credit * np.abs(np.array(ROUNDINGS) - ROUNDINGS[best])).max())
    return best, doubt
