"""Follow an edge all along a rough contour: the smooth line of offsets that explains the tone steps best."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from capture.flatten import View
from capture.rims import Sheet, contour_score
from capture.strip import Contour, Lit, Strip, unroll
from fit.points import FloatArray

__all__ = ["contour_along", "follow_edge", "resampled"]

_STRIDE = 2
_WIDE, _NEAR, _CLOSE = (-4.2, 1.6, 0.06), (-0.9, 0.9, 0.04), (-0.45, 0.45, 0.02)
_LEAP_COST, _SWERVE_COST = 1.5, 25.0
"""Cost of a change of offset per mm, in rows of full score: leaving a shadow's edge is cheap, changing between the lines
of one edge is not, since edges run smooth."""


def resampled(xy: FloatArray, spacing: float, sigma: float, closed: bool = True) -> FloatArray:
    """Spread points evenly along a polyline (N, 2) and smooth it by a Gaussian of `sigma` mm."""
    ring = np.vstack([xy, xy[:1]]) if closed else xy
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(ring, axis=0).T))]
    count = max(12, round(along[-1] / spacing))
    at = np.linspace(0.0, along[-1], count, endpoint=not closed)
    even = np.column_stack([np.interp(at, along, ring[:, i]) for i in (0, 1)])
    return _smoothed(even, sigma / (along[-1] / count), closed)


def _smoothed(values: FloatArray, sigma: float, closed: bool) -> FloatArray:
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
    picture: Lit, view: View, sheets: Sequence[Sheet], rough: FloatArray, *, material_inside: bool, wide: bool = True
) -> list[tuple[Strip, FloatArray, FloatArray]]:
    """Follow a sheet's edge along a rough closed contour (N, 2) mm.

    Parameters
    ----------
    sheets : the same sheet with each rounding to be tried; the first one leads to the edge, all are tried close to it.
    wide : search first over some mm, as a contour drawn round a hard shadow needs.

    Returns for each sheet the strip along the line found, the edge's outward offsets (M,) on it and the seen wall.
    """
    line = resampled(rough, 0.4, 0.8)
    if wide:
        line = _searched(picture, view, sheets[0], line, material_inside, _WIDE, 0.14, 0.5)[0]
    line = resampled(line, 0.3, 0.5)
    line = resampled(_searched(picture, view, sheets[0], line, material_inside, _NEAR, 0.1, 0.3)[0], 0.25, 0.25)
    found = []
    for sheet in sheets:
        _, strip, offset = _searched(picture, view, sheet, line, material_inside, _CLOSE, 0.07, 0.15)
        found.append((strip, offset, sheet.wall(view, strip.contour)))
    return found


def _searched(
    picture: Lit,
    view: View,
    sheet: Sheet,
    line: FloatArray,
    material_inside: bool,
    window: tuple[float, float, float],
    reach: float,
    smooth: float,
) -> tuple[FloatArray, Strip, FloatArray]:
    """One pass: unroll along the line, score offsets in the window, thread the best smooth ring through them."""
    low, high, step = window
    contour = contour_along(line, sheet.height, material_inside=material_inside)
    wall = sheet.wall(view, contour)
    inside = 3.0 if high - low > 3 else 1.2
    strip = unroll(
        picture, view, contour, (low - inside - 0.3, high + float(max(wall.max(), 0)) + 0.5), smooth, min(step, 0.03)
    )
    offsets = np.arange(low, high + step / 2, step)
    score = contour_score(strip, sheet, np.repeat(offsets[:, None], len(line), axis=1), wall, reach, inside)
    best = offsets[_thread(score.T, step * (_LEAP_COST if window == _WIDE else _SWERVE_COST))]
    return line + best[:, None] * contour.outward, strip, best


def _thread(score: FloatArray, column_cost: float) -> NDArray[np.int_]:
    """Column per row (M,) of the best path through a ring of scores (M, G), moving at most two columns a row.

    Dynamic programming over two rounds; the second round's start has forgotten where the first began.
    """
    rows, columns = score.shape
    twice = np.concatenate([score, score])
    moves = np.arange(-_STRIDE, _STRIDE + 1)
    cost = column_cost * np.abs(moves)[:, None]
    came = np.zeros((2 * rows, columns), dtype=np.int8)
    padded = np.full(columns + 2 * _STRIDE, -np.inf)
    reached = twice[0]
    windows = moves[:, None] + _STRIDE + np.arange(columns)
    for i in range(1, 2 * rows):
        padded[_STRIDE : _STRIDE + columns] = reached
        options = padded[windows] - cost
        choice = options.argmax(axis=0)
        came[i] = choice
        reached = twice[i] + options[choice, np.arange(columns)]
    path = np.empty(2 * rows, dtype=int)
    path[-1] = int(reached.argmax())
    for i in range(2 * rows - 1, 0, -1):
        path[i - 1] = path[i] + moves[came[i, path[i]]]
    half = rows // 2
    return np.concatenate([path[rows : rows + half], path[half:rows]])
