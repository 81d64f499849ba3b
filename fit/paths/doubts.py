"""Where the data cannot decide between two readings of a path, both are named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fit.paths.plan import Plan, free_numbers, plan_of
from fit.paths.refine import Fit
from fit.paths.search import Rival
from fit.results import Notice

__all__ = ["undecided"]

_CHI2_99 = (6.63, 6.63, 9.21, 11.34, 13.28, 15.09)
"""χ² that chance exceeds once in a hundred, by the number of free numbers (Abramowitz & Stegun, table 26.8)."""
_HINT = 1.0


def undecided(fit: Fit, rivals: Sequence[Rival], name: str) -> list[Notice]:
    """One notice per place where another reading fits about as well, by a likelihood-ratio test at 1 %."""
    here = plan_of(fit)
    close = sorted((r for r in rivals if _cannot_tell(here, r)), key=lambda r: r.excess)
    told: list[Rival] = []
    for rival in close:
        first, last = _changed(here, rival)
        if all(last <= _changed(here, r)[0] or first >= _changed(here, r)[1] for r in told):
            told.append(rival)
    return [Notice("undecided", _text(here, rival, name), name) for rival in told]


def _cannot_tell(here: Plan, rival: Rival) -> bool:
    if rival.plan.kinds == _part(here, rival):
        return False
    arcs, corners = rival.plan.curvatures != 0, rival.plan.corners
    more = free_numbers(arcs, corners) - free_numbers(*_own(here, rival))
    limit = _CHI2_99[min(abs(more), len(_CHI2_99) - 1)]
    if more <= 0:
        return -rival.saved < limit
    rounds_corner = int(corners.sum()) < int(_own(here, rival)[1].sum())
    return rival.saved > (_HINT if rounds_corner else limit)


def _indices(here: Plan, rival: Rival) -> np.ndarray:
    return np.arange(rival.first, rival.last) % len(here)


def _own(here: Plan, rival: Rival) -> tuple[np.ndarray, np.ndarray]:
    """Arcs and corners of the present reading in the rival's window."""
    which = _indices(here, rival)
    corners = here.corners[which].copy()
    corners[0] = corners[0] and rival.plan.closed
    return here.curvatures[which] != 0, corners


def _part(here: Plan, rival: Rival) -> str:
    arcs, corners = _own(here, rival)
    return "".join(("c" if c else "") + ("A" if a else "L") for a, c in zip(arcs, corners, strict=True))


def _changed(here: Plan, rival: Rival) -> tuple[int, int]:
    """First and last piece (exclusive) of the present reading that the rival changes."""
    arcs, corners = _own(here, rival)
    new_arcs, new_corners = rival.plan.curvatures != 0, rival.plan.corners
    own = list(zip(arcs, corners, strict=True))
    new = list(zip(new_arcs, new_corners, strict=True))
    left = 0
    while left < min(len(own), len(new)) and own[left] == new[left]:
        left += 1
    right = 0
    while right < min(len(own), len(new)) - left and own[-1 - right] == new[-1 - right]:
        right += 1
    return rival.first + max(left - 1, 0), rival.first + min(len(own) - right + 1, len(own))


def _text(here: Plan, rival: Rival, name: str) -> str:
    first, last = _changed(here, rival)
    k = len(here)
    own = _words(here.curvatures[np.arange(first, last) % k], here.corners[np.arange(first, last) % k])
    left, right = first - rival.first, rival.last - last
    stop = len(rival.plan) - right
    new = _words(rival.plan.curvatures[left:stop], rival.plan.corners[left:stop])
    where = f"{name} {first % k + 1} to {(last - 1) % k + 1}"
    text = f"{where}: read as {own}; {new} fits about as well, and the points cannot decide"
    return f"{text}: touch it more closely there, or shoot from nearer."


def _words(curvatures: np.ndarray, corners: np.ndarray) -> str:
    words: list[str] = []
    for i, (kappa, corner) in enumerate(zip(curvatures, corners, strict=True)):
        if corner and i:
            words.append("corner")
        words.append(f"arc R {1 / abs(kappa):.4g}" if kappa else "line")
    return ", ".join(words)
