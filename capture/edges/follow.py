"""Follow an edge all along a rough contour: the smooth line of offsets that explains the tone steps best."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View
from capture.edges.looks import other_look
from capture.edges.rims import Sheet, contour_score
from capture.edges.strip import Contour, Lit, Strip, unroll
from fit.points import FloatArray

__all__ = [
    "contour_along",
    "follow_edge",
    "line_beside",
    "resampled",
    "settle_edge",
    "smoothed",
    "thread",
    "trace_edge",
    "worth_along",
]


@dataclass(frozen=True, slots=True)
class _Window:
    """Offsets tried in one pass, mm: low to high by step; the tolerance of a step's place; how far into the material
    steps count against an offset; smoothing along the edge; cost of a change of offset per mm, in rows of full score;
    most steps that the offset may change by from row to row; score lost where what lies inside is not the material.
    """

    low: float
    high: float
    step: float
    reach: float
    inside: float
    smooth: float
    cost: float
    stride: int = 2
    look: float = 0.0

    @property
    def offsets(self) -> FloatArray:
        return np.arange(self.low, self.high + self.step / 2, self.step)


# Leaving a shadow's edge must be cheap; changing between the lines of one edge must not be, since edges run smooth.
_WIDE = _Window(-4.2, 1.6, 0.06, reach=0.14, inside=3.0, smooth=0.5, cost=4.0, stride=6, look=0.6)
_BESIDE = _Window(-2.0, 2.0, 0.06, reach=0.14, inside=1.5, smooth=0.5, cost=6.0, stride=4)
_AROUND = _Window(-4.0, 4.0, 0.08, reach=0.14, inside=3.0, smooth=0.4, cost=3.0, stride=8)
_FIRST = MappingProxyType({"wide": _WIDE, "beside": _BESIDE, "around": _AROUND})
_NEAR = _Window(-0.9, 0.9, 0.04, reach=0.1, inside=1.2, smooth=0.3, cost=25.0)
_CLOSE = _Window(-0.45, 0.45, 0.02, reach=0.07, inside=1.2, smooth=0.15, cost=25.0)
_LEADS = (
    _Window(-9.0, 9.0, 0.2, reach=0.3, inside=0.0, smooth=0.8, cost=0.3),
    _Window(-4.0, 4.0, 0.15, reach=0.25, inside=0.0, smooth=0.6, cost=0.7),
    _Window(-2.0, 2.0, 0.1, reach=0.2, inside=0.0, smooth=0.5, cost=2.0),
)
_SHADOW, _MASK_MM = 1.5, 0.5
"""How far a shadow falls per mm of thickness under a light 34° up (common practice to light from no lower, no source),
and how far outside the shadow a rough contour may lie, mm."""
_MARGIN_MM = 20.0
"""How far beyond the places asked for an edge is followed, so that they have forgotten where it was begun."""
_STRAY_COST = 0.15
"""Score lost at the far end of a lead's window, so that of two edges the nearer is meant."""


@dataclass(frozen=True, slots=True)
class _Sides:
    material_inside: bool
    closed: bool


def resampled(xy: FloatArray, spacing: float, sigma: float, closed: bool = True) -> FloatArray:
    """Spread points evenly along a polyline (N, 2) and smooth it by a Gaussian of `sigma` mm."""
    ring = np.vstack([xy, xy[:1]]) if closed else xy
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(ring, axis=0).T))]
    count = max(12, round(along[-1] / spacing))
    at = np.linspace(0.0, along[-1], count, endpoint=not closed)
    even = np.column_stack([np.interp(at, along, ring[:, i]) for i in (0, 1)])
    return smoothed(even, sigma / (along[-1] / count), closed)


def smoothed(values: FloatArray, sigma: float, closed: bool) -> FloatArray:
    """Gaussian smoothing down the rows; an open line keeps its ends by mirroring through them."""
    if sigma < 0.3:
        return values
    pad = min(int(3 * sigma) + 1, len(values) - 1)
    if closed:
        wide = np.concatenate([values[-pad:], values, values[:pad]])
    else:
        wide = np.concatenate([2 * values[:1] - values[pad:0:-1], values, 2 * values[-1:] - values[-2 : -pad - 2 : -1]])
    kernel = np.exp(-0.5 * (np.arange(-pad, pad + 1) / sigma) ** 2)
    return np.stack([np.convolve(c, kernel / kernel.sum(), "valid") for c in wide.T], axis=1)


def contour_along(xy: FloatArray, height: float, *, material_inside: bool, closed: bool = True) -> Contour:
    """A contour with outward normals from evenly spaced points in order.

    material_inside: for a closed ring, whether the sheet lies inside it; for an open line, whether it lies to its left.
    """
    tangent = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0) if closed else np.gradient(xy, axis=0)
    tangent = tangent / np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    right = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    if closed:
        x, y = xy.T
        anticlockwise = float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) > 0
        material_inside = material_inside == anticlockwise
    return Contour(xy, right if material_inside else -right, height, closed)


def follow_edge(
    picture: Lit,
    view: View,
    sheets: Sequence[Sheet],
    rough: FloatArray,
    *,
    material_inside: bool,
    first: str = "wide",
    closed: bool = True,
) -> list[tuple[Strip, FloatArray, FloatArray]]:
    """Follow a sheet's edge along a rough contour (N, 2) mm: `line_beside`, then `settle_edge`."""
    line = line_beside(picture, view, sheets[0], rough, material_inside=material_inside, first=first, closed=closed)
    return settle_edge(picture, view, sheets, line, material_inside=material_inside, closed=closed)


def line_beside(
    picture: Lit, view: View, sheet: Sheet, rough: FloatArray, *, material_inside: bool, first: str, closed: bool = True
) -> FloatArray:
    """The line (M, 2) of a sheet's edge along a rough contour (N, 2) mm, good to a tenth of a mm.

    Parameters
    ----------
    material_inside : whether the sheet lies inside a closed contour, or to the left of an open one.
    first : how the search begins: ``wide``, some mm inward, as a contour drawn round a hard shadow needs; ``beside``, two
        mm either way, as a line led to the nearest step needs; ``around``, four mm either way, as a rough guess needs;
        ``near``, where the contour is good to half a mm.
    """
    sides = _Sides(material_inside, closed)
    line = resampled(rough, 0.4, 0.8, closed)
    if first in _FIRST:
        line = _searched(picture, view, sheet, line, sides, _reaching(_FIRST[first], sheet))
    line = resampled(line, 0.3, 0.5, closed)
    return resampled(_searched(picture, view, sheet, line, sides, _NEAR), 0.25, 0.25, closed)


def settle_edge(
    picture: Lit, view: View, sheets: Sequence[Sheet], line: FloatArray, *, material_inside: bool, closed: bool = True
) -> list[tuple[Strip, FloatArray, FloatArray]]:
    """Where a sheet's edge runs close to its line (M, 2) mm, for each rounding of it that is to be tried.

    Returns for each sheet the strip along the line, the edge's outward offsets (M,) on it and the seen wall.
    """
    sides = _Sides(material_inside, closed)
    _, wall, strip = _unrolled(picture, view, sheets[0], line, sides, _CLOSE, placed=True)
    scores = np.stack([_scored(strip, sheet, wall, _CLOSE) for sheet in sheets])
    return [(strip, _CLOSE.offsets[best], wall) for best in _threaded(scores, _CLOSE, closed)]


def _reaching(window: _Window, sheet: Sheet) -> _Window:
    """The window as far in as the shadow of so thick a sheet may lie out."""
    return replace(window, low=min(window.low, -_SHADOW * sheet.thickness - _MASK_MM)) if window.look else window


def worth_along(
    picture: Lit, view: View, sheet: Sheet, rough: FloatArray, near: Callable[[FloatArray], NDArray[np.bool_]]
) -> FloatArray:
    """Score (M,) of the best edge beside a closed rough contour at those of its places (N, 2) that are `near`."""
    contour = contour_along(resampled(rough, 0.4, 0.8), sheet.height, material_inside=True)
    asked = near(contour.xy)
    if not asked.any():
        return np.zeros(0)
    stretch = _stretch(asked, round(_MARGIN_MM / contour.spacing))
    contour = Contour(contour.xy[stretch], contour.outward[stretch], contour.height, len(stretch) == len(asked))
    wall, strip = _beside(picture, view, sheet, contour, _WIDE)
    score = _scored(strip, sheet, wall, _WIDE)
    best = score[_threaded(score, _WIDE, contour.closed), np.arange(len(wall))]
    return np.asarray(best[asked[stretch]])


def _stretch(asked: NDArray[np.bool_], margin: int) -> NDArray[np.int_]:
    """The shortest run of a ring's places that holds all asked for and `margin` more at either end."""
    places = np.flatnonzero(asked)
    gaps = np.diff(places, append=places[0] + len(asked))
    last = int(gaps.argmax())
    if gaps[last] <= 2 * margin:
        return np.arange(len(asked))
    first = int(places[(last + 1) % len(places)]) - margin
    return np.arange(first, first + len(asked) - int(gaps[last]) + 2 * margin + 1) % len(asked)


def trace_edge(picture: Lit, view: View, height: float, guide: FloatArray, closed: bool) -> FloatArray:
    """The clearest continuous edge (N, 2) beside a guide that is good to a few mm, whichever side the metal is on.

    Steps of tone are followed as they are, cheaply at first so that a guide that cuts corners does no harm.
    """
    line = resampled(guide, 0.5, 1.0, closed)
    for window in _LEADS:
        contour = contour_along(line, height, material_inside=True, closed=closed)
        strip = unroll(picture, view, contour, (window.low - 0.3, window.high + 0.3), window.smooth, 0.04, placed=False)
        offsets = window.offsets
        rows = np.repeat(offsets[:, None], len(line), axis=1)
        score = strip.around(rows, window.reach) - _STRAY_COST * (np.abs(rows) / window.high) ** 2
        best = offsets[thread(score.T, window.step * window.cost, window.stride, closed)]
        line = resampled(line + best[:, None] * contour.outward, 0.5, 0.6, closed)
    return line


def _searched(picture: Lit, view: View, sheet: Sheet, line: FloatArray, sides: _Sides, window: _Window) -> FloatArray:
    """One pass: unroll along the line, score offsets in the window, thread the best smooth line through them."""
    contour, wall, strip = _unrolled(picture, view, sheet, line, sides, window)
    best = window.offsets[_threaded(_scored(strip, sheet, wall, window), window, sides.closed)]
    return line + best[:, None] * contour.outward


def _unrolled(
    picture: Lit, view: View, sheet: Sheet, line: FloatArray, sides: _Sides, window: _Window, *, placed: bool = False
) -> tuple[Contour, FloatArray, Strip]:
    contour = contour_along(line, sheet.height, material_inside=sides.material_inside, closed=sides.closed)
    return contour, *_beside(picture, view, sheet, contour, window, placed=placed)


def _beside(
    picture: Lit, view: View, sheet: Sheet, contour: Contour, window: _Window, *, placed: bool = False
) -> tuple[FloatArray, Strip]:
    """The seen wall (M,) along a contour, and the strip beside it as wide as a window needs."""
    wall = sheet.wall(view, contour)
    reach = (window.low - window.inside - 0.3, window.high + float(max(wall.max(), 0)) + 0.5)
    return wall, unroll(picture, view, contour, reach, window.smooth, min(window.step, 0.03), placed=placed)


def _scored(strip: Strip, sheet: Sheet, wall: FloatArray, window: _Window) -> FloatArray:
    """Score (G, M) of every offset of the window at every row."""
    rows = np.repeat(window.offsets[:, None], len(wall), axis=1)
    score = contour_score(strip, sheet, rows, wall, window.reach, window.inside)
    return score - window.look * other_look(strip, window.offsets) if window.look else score


def _threaded(score: FloatArray, window: _Window, closed: bool) -> NDArray[np.int_]:
    """Column per row (..., M) of the best path through scores (..., G, M)."""
    return thread(np.swapaxes(score, -1, -2), window.step * window.cost, window.stride, closed)


def thread(score: FloatArray, column_cost: float, stride: int, closed: bool) -> NDArray[np.int_]:
    """Column per row (..., M) of the best path through scores (..., M, G), moving at most `stride` columns a row.

    Dynamic programming; a ring is gone round twice, so that its second round has forgotten where the first began.
    """
    if closed:
        rows = score.shape[-2]
        half, twice = rows // 2, np.concatenate([score, score], axis=-2)
        path = _best_way(twice, column_cost, stride, half)
        return np.concatenate([path[..., rows - half : rows], path[..., : rows - half]], axis=-1)
    return _best_way(score, column_cost, stride)


def _best_way(score: FloatArray, column_cost: float, stride: int, first: int = 0) -> NDArray[np.int_]:
    """Column of every row from `first` on (..., M - first) of the best path through scores (..., M, G)."""
    *several, rows, _ = score.shape
    cost = column_cost * np.abs(np.arange(-stride, stride + 1))
    reached = _reached(np.moveaxis(score, -2, 0), cost)[first:]
    path = np.empty((*several, rows - first), dtype=int)
    for each in np.ndindex(*several):
        path[each] = _way_back(reached[:, *each], cost)
    return path


def _way_back(reached: FloatArray, cost: FloatArray) -> list[int]:
    """Column per row of the best path whose last rows reached (M, G + 2 s) tells of."""
    stride, width = len(cost) // 2, len(cost)
    at = int(reached[-1, stride:-stride].argmax())
    path = [at]
    for row in reached[-2::-1]:
        at += int((row[at : at + width] - cost).argmax()) - stride
        path.append(at)
    return path[::-1]


def _reached(score: FloatArray, cost: FloatArray) -> FloatArray:
    """Score (M, ..., G + 2 s) of the best path to each place of scores (M, ..., G), s columns of -inf on either side.

    cost : (2 s + 1,) of a row's move by -s to s columns.
    """
    *several, columns = score.shape
    stride = len(cost) // 2
    padded = np.full((*several, columns + 2 * stride), -np.inf)
    reached = padded[..., stride : stride + columns]
    reached[:] = score
    moved = np.moveaxis(np.lib.stride_tricks.sliding_window_view(padded, columns, axis=-1), -2, 1)
    options, best = np.empty(moved.shape[1:]), np.empty(score.shape[1:])
    fall = cost.reshape(-1, *(1 for _ in several))
    for before, here in zip(moved[:-1], reached[1:], strict=True):
        np.subtract(before, fall, out=options)
        here += np.maximum.reduce(options, axis=0, out=best)
    return padded
