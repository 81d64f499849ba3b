"""The outline's points as one closed path, with stretches that glare or shadow moved off the edge left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fit.errors import CannotDetermine
from fit.paths import PathFit, fit_path
from fit.points import Points
from fit.results import Notice

__all__ = ["outline_path"]

_EVERY = 2
_COARSE_MM = (0.1, 0.2, 0.4)
_FINE_MM = 0.03
_STRAY = 3.0
_STRAY_MM = 0.06
_TELL_SHARE = 0.03


def outline_path(points: Points) -> tuple[PathFit, list[Notice]]:
    """Fit a closed path in two steps: coarsely through all points, then finely through those that keep to it.

    Light does not err at random along an edge: it moves whole stretches by tenths of a millimetre. A chain that may miss
    by so much finds the shape; what lies off it by more than the usual is light, and the rest carries the sizes.
    Raises CannotDetermine where no chain of lines and arcs follows the edge.
    """
    thinned = points.select(slice(None, None, _EVERY))
    rough = _first_fit(thinned, _COARSE_MM)
    miss = np.abs(rough.feature.residuals)
    usual = 1.4826 * float(np.median(miss))
    kept = thinned.select(miss < max(_STRAY * usual, _STRAY_MM))
    fine = _first_fit(kept, (max(_FINE_MM, 2 * usual), max(2 * _FINE_MM, 4 * usual), *_COARSE_MM[1:]))
    left_out = 1 - len(kept) / len(thinned)
    notices = list(fine.notices)
    if left_out > _TELL_SHARE:
        text = (
            f"{left_out:.0%} of the outline's edge was left out: glare or shadow shows the edge elsewhere there. Look at the "
            "overlay, and shoot again in softer light if those places matter."
        )
        notices.append(Notice("low-contrast", text, "outline"))
    return fine, notices


def _first_fit(points: Points, noises: tuple[float, ...]) -> PathFit:
    """The first closed path that comes about as the noise assumed grows."""
    for noise in noises:
        try:
            return fit_path(replace(points, noise=np.full(len(points), noise)), closed=True, name="outline")
        except CannotDetermine:
            continue
    message = (
        "The part's outline cannot be followed all round; lay it on plain paper in even light, clear of the print, and "
        "shoot again."
    )
    raise CannotDetermine(message)
