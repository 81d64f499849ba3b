"""Where colour tells an edge better than tone does: grey metal on wood may be as bright as the wood, and its grain brighter.

Along the edge, metal and ground each have a mean colour and a grain about it. The direction of colour in which the means
differ most for their grain (R. A. Fisher, Ann. Eugen. 7 (1936) 179) turns the picture into one tone that steps once; a
blurred step of free levels is laid over it, row by row. Where the metal's wall is hidden, that is the outline of the solid.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from capture.edges.blurred_step import risen
from capture.edges.flatten import View
from capture.edges.rim_fit import Edge
from capture.edges.rims import NARROW_WALL_MM, OUTLINE, RimPoints, Sheet
from capture.edges.strip import Contour, Lit, Strip, unroll
from capture.edges.tinted_rows import COLOUR_BLUR_PX
from fit.paths.noise import local_noise
from fit.points import FloatArray

__all__ = ["told_by_colour"]

_REACH_MM, _STEP_MM, _SMOOTH_MM = 2.8, 0.04, 0.4
_BAND_MM = (1.0, 2.6)
_NEAR_MM = 5.0
_SHIFT_MM, _SHIFT_STEP_MM, _WINDOW_MM = 1.2, 0.02, 1.2
_LEAST_LIKENESS, _LEAST_APART = 0.85, 3.0
_LAG_MM, _CALMER, _CALM_PX = 0.75, 0.6, 0.15
"""An edge runs smooth: of two readings of it, taken every so many mm, one that strays so much less is the better; one
that strays by less than so many pixels needs no other."""
_LEAST_ROWS = 0.6


def told_by_colour(lit: Lit, view: View, sheet: Sheet, edge: Edge) -> Edge:
    """The edge with the rows whose wall hardly shows told by colour, where that is much the calmer reading; else as it was.

    White paper has no grain: beside it tone tells the edge.
    """
    if sheet.on_paper:
        return edge
    contour = edge.strip.contour
    wall = sheet.wall(view, contour)
    hidden = wall <= NARROW_WALL_MM
    stray = _wander(*_as_rows(edge, hidden), contour)
    if not stray * edge.strip.px_per_mm > _CALM_PX:
        return edge
    strip = unroll(lit, view, contour, (-_REACH_MM, _REACH_MM), _SMOOTH_MM, _STEP_MM)
    place, told = _places(strip)
    place -= np.maximum(wall, 0.0) / 2
    told &= hidden
    if told.sum() < _LEAST_ROWS * hidden.sum() or not _wander(place, told, contour) < _CALMER * stray:
        return edge
    return _with(edge, sheet, wall, place, told, ~hidden[edge.picked.row])


def _as_rows(edge: Edge, hidden: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Where the steps picked put the contour (M,) in each row, and the rows (M,) that have one and are hidden."""
    place, there = np.zeros(len(hidden)), np.zeros(len(hidden), bool)
    place[edge.picked.row] = edge.picked.offset + edge.picked.inset
    there[edge.picked.row] = True
    return place, there & hidden


def _wander(place: FloatArray, there: NDArray[np.bool_], contour: Contour) -> float:
    """How far a reading (M,) of an edge strays across it by itself, mm, at places so far apart that each counts."""
    every = max(1, round(_LAG_MM / contour.spacing))
    rows = np.flatnonzero(there)[::every]
    return local_noise(contour.xy[rows] + place[rows, None] * contour.outward[rows])


def _places(strip: Strip) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Outward offset (M,) of the step of colour in each row, and whether there is a clear one."""
    assert strip.tone is not None
    offset = np.asarray(strip.start + strip.step * np.arange(strip.tone.shape[1]), float)
    tint, apart = _tint(strip.tone.astype(float), offset, round(_NEAR_MM / strip.contour.spacing))
    place, likeness = _step_places(strip, tint, COLOUR_BLUR_PX / strip.px_per_mm)
    return place, (likeness > _LEAST_LIKENESS) & (apart > _LEAST_APART)


def _step_places(strip: Strip, tint: FloatArray, blur: float) -> tuple[FloatArray, FloatArray]:
    """Outward offset (M,) of the rising step of a tint (M, T) that is likest to one blurred by so many mm, and how like it
    is (M,), 1 at most; 0 at either end of the search.
    """
    offset = np.asarray(strip.start + strip.step * np.arange(tint.shape[1]), float)
    shifts = np.arange(-_SHIFT_MM, _SHIFT_MM + 1e-9, _SHIFT_STEP_MM)
    within = np.abs(offset) < _WINDOW_MM + _SHIFT_MM
    likeness = _likeness(tint[:, within], offset[within], shifts, blur)
    best = np.clip(likeness.argmax(axis=1), 1, len(shifts) - 2)
    rows = np.arange(len(best))
    before, here, after = (likeness[rows, best + i] for i in (-1, 0, 1))
    bend = np.minimum(before - 2 * here + after, -1e-12)
    place = shifts[best] + np.clip((before - after) / (2 * bend), -1, 1) * _SHIFT_STEP_MM
    return place, np.where(likeness.argmax(axis=1) == best, here, 0.0)


def _tint(tone: FloatArray, offset: FloatArray, rows_near: int) -> tuple[FloatArray, FloatArray]:
    """Tones (M, T, 3) seen along the colour that tells ground from metal best nearby; how far apart (M,), in their grain."""
    low, high = _BAND_MM
    bands = [tone[:, (offset > a) & (offset < b)] for a, b in ((-high, -low), (low, high))]
    means = [_mean_near(band.mean(axis=1), rows_near) for band in bands]
    grain = np.zeros((len(tone), 3, 3))
    for band, mean in zip(bands, means, strict=True):
        off = band - mean[:, None]
        square = np.einsum("mti,mtj->mij", off, off) / band.shape[1]
        grain += _mean_near(square.reshape(len(tone), 9), rows_near).reshape(-1, 3, 3) / 2
    away = means[1] - means[0]
    grain += 1e-9 * np.eye(3)
    way = np.linalg.solve(grain, away[..., None])[..., 0]
    return np.einsum("mti,mi->mt", tone, way), np.sqrt(np.maximum((away * way).sum(axis=1), 0.0))


def _mean_near(values: FloatArray, half: int) -> FloatArray:
    """Running mean of rows (M, k) over `half` rows either way, or as many as there are."""
    total = np.vstack([np.zeros(values.shape[1]), np.cumsum(values, axis=0)])
    rows = np.arange(len(values))
    first, last = np.maximum(rows - half, 0), np.minimum(rows + half + 1, len(values))
    return np.asarray((total[last] - total[first]) / (last - first)[:, None])


def _likeness(tint: FloatArray, offset: FloatArray, shifts: FloatArray, blur: float) -> FloatArray:
    """Correlation (M, S) of rows (M, T) with a rising blurred step at each shift."""
    steps = risen((offset - shifts[:, None]) / blur)
    steps -= steps.mean(axis=1, keepdims=True)
    steps /= np.linalg.norm(steps, axis=1, keepdims=True)
    rows = tint - tint.mean(axis=1, keepdims=True)
    rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-12)
    return np.asarray(rows @ steps.T)


def _with(
    edge: Edge, sheet: Sheet, wall: FloatArray, place: FloatArray, told: NDArray[np.bool_], kept: NDArray[np.bool_]
) -> Edge:
    """The edge with the rows told by colour and those of its steps that are to be kept."""
    row, old = np.flatnonzero(told), edge.picked
    fields = (
        (row, old.row),
        (place[row], old.offset),
        (np.full(len(row), OUTLINE), old.kind),
        (np.ones(len(row)), old.strength),
        (sheet.outline_shift(wall)[row], old.inset),
    )
    order = np.argsort(np.concatenate([row, old.row[kept]]), kind="stable")
    picked = RimPoints(*(np.concatenate([new, before[kept]])[order] for new, before in fields))
    return replace(edge, picked=picked, cover=len(picked.row) / len(wall))
