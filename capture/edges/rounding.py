"""The radius of a sheet's rounded upper edge, told by how well each one tried explains the steps seen along its edges."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fit.points import FloatArray

__all__ = [
    "ROUNDINGS",
    "SURE_SHARP",
    "USUAL_MM",
    "Rounding",
    "open_rounding",
    "resolves_rounding",
    "rounding_by_costs",
    "rounding_on_bench",
    "settled_rounding",
]

ROUNDINGS = (0.0, 0.12, 0.2, 0.3)
"""Radii tried, mm: sharp, and what deburring usually leaves (common practice, no source)."""

_TOLD_APART = 0.015
_RIM_SHARE, _UNUSUAL_COST = 0.3, 0.04
_RESOLVED_PX, _HINTED_PX = 1.7, 1.0
USUAL_MM, _USUAL_INSET_MM, _USUAL_U_MM = 0.2, 0.1, 0.08
_BLACK_INSET_MM, _BLACK_U_MM = 0.03, 0.04
"""The same for black metal or rubber beside brighter ground: face, rounding and wall are of one tone, so that the outline of
all is what steps, and a rounding moves that by a quarter of its radius at most."""
_COARSE_PX = 0.45
"""Pixels by which one step of rim, wall and shadow together leaves the rim in doubt, where that is more than the usual rounding
does: photos of 2 MP, as messengers send them, show a hatch at 2 px a mm."""
SURE_SHARP, _SURE_ROUNDED = 0.15, 0.7
"""How likely edges are rounded by the shape of their steps, below and above which that settles it. Matt paint shows a
rounding by nothing, so the scores of the holes must agree that edges are sharp."""
_EVEN_GAIN, _DOUBTFUL_GAIN, _MOST_GAIN, _UNUSUAL_GAIN = 1.46, 0.19, 2.6, 0.3
_EVEN_SHAPES, _MOST_LOGIT, _SHAPES_SHARE = 3.5, 4.5, 0.38
_FAINT_U_MM = (0.05, 0.02)
"""What a rounding that shows by nothing may still move the rim by, where pixels do not resolve the usual one and where
they do (standard uncertainty, mm): a third of the plates of matt paint that looked sharp at 5 MP were rounded."""


@dataclass(frozen=True, slots=True)
class Rounding:
    """Which of `ROUNDINGS` to believe; how far inside the contour the step seen lies because of a rounding too fine to
    be seen, and what the doubt makes of the rim's place (standard uncertainty), both mm.
    """

    which: int
    inset: float
    doubt: float

    @property
    def radius(self) -> float:
        return ROUNDINGS[self.which]


def open_rounding(px_per_mm: float, *, black: bool = False) -> Rounding:
    """Where nothing tells whether edges are rounded: half of the usual rounding's inset, in doubt by nearly as much."""
    found = Rounding(0, _BLACK_INSET_MM, _BLACK_U_MM) if black else Rounding(0, _USUAL_INSET_MM, _USUAL_U_MM)
    return _in_coarse_pixels(found, px_per_mm)


def _in_coarse_pixels(found: Rounding, px_per_mm: float) -> Rounding:
    """The rounding in more doubt where pixels are so coarse that rim, wall and shadow are all one step."""
    return replace(found, doubt=float(np.hypot(found.doubt, max(_COARSE_PX / px_per_mm - _USUAL_U_MM, 0.0))))


def resolves_rounding(px_per_mm: float) -> bool:
    """Whether pixels are so fine that the usual rounding shows as a band of its own."""
    return USUAL_MM * px_per_mm >= _RESOLVED_PX


def settled_rounding(
    worth: FloatArray, length: float, px_per_mm: float, rounded: float | None = None, *, later: bool = False
) -> Rounding:
    """Choose the rounding.

    Parameters
    ----------
    worth : (R,) or (K, R) sum of mean score times length over the edges, or over each kind of edge (outline, holes).
    length : of all these edges, mm.
    rounded : how likely the edges are rounded at all, 0 to 1, by the shape of their steps
        (`capture.edges.flanks.rounded_share`); None where the scores alone must tell.
    later : whether light on the paper tells more later. Then edges are taken for sharp as long as the holes agree and
        nothing sure says otherwise: an outline's shadow looks like a band, the wider the better it fits.

    A rounding loses credit by a factor e for each loss of `_TOLD_APART` in mean score; the rim of another rounding lies
    about a third of their difference away. One that spans less than two pixels or so cannot be told by its twin lines;
    where even the usual one cannot, it is taken to be there or not, half and half, unless all kinds of edge show its
    band, which blur makes look wider.
    """
    kinds = np.atleast_2d(worth)
    sharp = bool((kinds[1:, 0] >= kinds[1:, 1:].max(axis=1)).all())
    if rounded is not None and rounded < (_SURE_ROUNDED if later else SURE_SHARP) and sharp:
        faint = _FAINT_U_MM[resolves_rounding(px_per_mm)]
        return Rounding(0, 0.0, float(np.hypot(faint, _USUAL_U_MM * 2 * np.sqrt(rounded * (1 - rounded)))))
    return _by_scores(kinds, length, px_per_mm, rounded is not None and rounded > _SURE_ROUNDED)


def rounding_on_bench(
    worth: FloatArray, length: float, px_per_mm: float, rounded: float, *, black: bool = False
) -> Rounding:
    """As `settled_rounding`, beside a bench, where a foot hides in shadow and no light on paper tells more later.

    Pixels that do not resolve the usual rounding may show its band all round, but not that there is none. black : whether
    the sheet is, so that a band could only be its shadow.
    """
    if resolves_rounding(px_per_mm):
        return _by_both(np.atleast_2d(worth).sum(axis=0) / length, px_per_mm, rounded)
    if black:
        return open_rounding(px_per_mm, black=True)
    if rounded <= _SURE_ROUNDED:
        return _in_coarse_pixels(settled_rounding(worth, length, px_per_mm), px_per_mm)
    mean = np.atleast_2d(worth).sum(axis=0) / length
    return _in_coarse_pixels(_best(np.where(np.array(ROUNDINGS) == USUAL_MM, mean, -np.inf), px_per_mm), px_per_mm)


def _by_both(mean: FloatArray, px_per_mm: float, rounded: float) -> Rounding:
    """The rounding by mean scores (R,) and the shape of steps together: what the usual one scores over sharp edges counts
    for as much as it would among roundings.
    """
    radii = np.array(ROUNDINGS)
    gain = float(mean[radii == USUAL_MM][0] - mean[radii == 0][0])
    logit = gain / _TOLD_APART + _logit(rounded)
    likely = 1 / (1 + np.exp(-logit))
    doubt = _USUAL_U_MM * 2 * float(np.sqrt(likely * (1 - likely)))
    if likely < 0.5:
        return Rounding(0, 0.0, float(np.hypot(_FAINT_U_MM[1], doubt)))
    unusual = _UNUSUAL_COST * (radii != USUAL_MM)
    best = _best(np.where(radii * px_per_mm >= _RESOLVED_PX, mean - unusual, -np.inf), px_per_mm)
    return Rounding(best.which, best.inset, float(np.hypot(best.doubt, doubt)))


def _by_scores(kinds: FloatArray, length: float, px_per_mm: float, banded: bool) -> Rounding:
    """The rounding whose steps score best; banded : whether a band is sure, so that where it can be resolved none is sharp."""
    radii = np.array(ROUNDINGS)
    if resolves_rounding(px_per_mm):
        told = (radii * px_per_mm >= _RESOLVED_PX) | ((radii == 0) & (not banded))
    else:
        shown = USUAL_MM * px_per_mm >= _HINTED_PX and bool((kinds[:, radii == USUAL_MM] > kinds[:, radii == 0]).all())
        told = radii == (USUAL_MM if shown else 0)
    mean = kinds.sum(axis=0) / length - _UNUSUAL_COST * ((radii > 0) & (radii != USUAL_MM))
    return _best(np.where(told, mean, -np.inf), px_per_mm)


def _best(mean: FloatArray, px_per_mm: float) -> Rounding:
    """The rounding of the best mean score (R,); -inf for those that are not to be chosen."""
    radii = np.array(ROUNDINGS)
    best = int(np.argmax(mean))
    credit = np.exp((mean - mean[best]) / _TOLD_APART)
    doubt = _RIM_SHARE * float((credit * np.abs(radii - radii[best])).max())
    if resolves_rounding(px_per_mm):
        return Rounding(best, 0.0, doubt)
    return Rounding(best, 0.0 if best else _USUAL_INSET_MM, float(np.hypot(doubt, _USUAL_U_MM)))


def rounding_by_costs(cost: Callable[[float], float], rounded: float) -> Rounding:
    """Choose the rounding by how ill edges in known light (`capture.edges.profiles`) are explained by a radius, mean per
    length of edge, and by how likely they are rounded by the shape of their steps.

    A band fits shadows and texture a little too, so one that helps no more than that is not believed.
    """
    usual = cost(USUAL_MM)
    gain = min(cost(0.0) - usual, _MOST_GAIN)
    shapes = _logit(rounded)
    both = 1 / (1 + np.exp((_EVEN_GAIN - gain) / _DOUBTFUL_GAIN - _SHAPES_SHARE * (shapes + _EVEN_SHAPES)))
    doubt = _USUAL_U_MM * 2 * float(np.sqrt(both * (1 - both)))
    if both < 0.5:
        return Rounding(0, 0.0, doubt)
    others = {radius: cost(radius) + _UNUSUAL_GAIN for radius in ROUNDINGS if radius not in (0.0, USUAL_MM)}
    costs = {USUAL_MM: usual, **others}
    return Rounding(ROUNDINGS.index(min(costs, key=lambda radius: costs[radius])), 0.0, doubt)


def _logit(rounded: float) -> float:
    """What the shape of steps says, as logarithmic odds; it is never surer than so much."""
    most = 1 / (1 + np.exp(-_MOST_LOGIT))
    share = float(np.clip(rounded, 1 - most, most))
    return float(np.log(share / (1 - share)))
