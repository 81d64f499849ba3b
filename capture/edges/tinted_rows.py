"""Rows across the edge of painted metal, read by the part of the metal's colour that the ground has not.

Seen along that colour the ground is black in light and shadow alike, the face is of one tone, and the wall below it, where
it shows, of some other one. Where a dark wall joins a shadow, or a lit wall the face, tone leads to the wrong line; here a
row's tint steps at the rim, at the wall's foot, or at both, and thickness and camera say how far apart these are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.blurred_step import risen
from capture.edges.flatten import View
from capture.edges.rims import LOWER, OUTLINE, WALL_SEEN_MM, RimPoints, Sheet
from capture.edges.strip import Contour, Lit, unroll
from fit.points import FloatArray

__all__ = ["COLOUR_BLUR_PX", "TintedRows", "tinted_rows", "way_from_ground"]

COLOUR_BLUR_PX = 1.2
"""A picture's blur with that of its colours, which are stored at half resolution (common practice, no source)."""
_STEP_MM = 0.04
_FACE_CLEAR_MM, _GROUND_CLEAR_MM = 1.0, 0.5
_SHIFT_MM, _SHIFT_STEP_MM = 1.2, 0.04
_DIMMEST, _BRIGHTEST = 0.2, 1.1
"""A wall's tint over its face's: less is what lit metal throws on the ground, more is seldom seen."""
_LEAST_TOLD, _NEAR_MM = 0.93, 0.2
_FOOT_MOVED_MM = 0.4
"""What light thrown from a bright wall on the ground before it may move its foot by, so that a third of it is in doubt."""


@dataclass(frozen=True, eq=False, slots=True)
class TintedRows:
    """What each row (M,) across a contour tells.

    wall : its seen width. shifts (S,) : outward places of the rim that were tried, mm. cost (M, S) : squares left with the
    rim at each, in those of noise; told (M, S) : share of the tint explained; lit_wall (M, S) : the wall's tint over the
    face's. share : how much of the metal's light is not of the ground's colour. apart : step between metal and ground in
    standard deviations of grain.
    """

    wall: FloatArray
    shifts: FloatArray
    cost: FloatArray
    told: FloatArray
    lit_wall: FloatArray
    share: float
    apart: float

    def near(self, at: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Each row's own best place near a rim at outward offsets (M,), and whether it tells one."""
        apart = np.abs(self.shifts - at[:, None]) > _NEAR_MM
        cost = np.where(apart, np.inf, self.cost)
        best = np.clip(cost.argmin(axis=1), 1, len(self.shifts) - 2)
        each = np.arange(len(best))
        before, here, after = (self.cost[each, best + i] for i in (-1, 0, 1))
        bend = before - 2 * here + after
        place = self.shifts[best] + np.clip((before - after) / (2 * np.maximum(bend, 1e-9)), -1, 1) * _SHIFT_STEP_MM
        lowest = (here <= before) & (here <= after)
        return place, lowest & (self.told[each, best] > _LEAST_TOLD)

    def rim_points(self, sheet: Sheet, at: FloatArray, place: FloatArray, told: NDArray[np.bool_]) -> RimPoints:
        """The rows told as steps of an edge whose rim lies at outward offsets (M,): the larger of rim and foot tells it."""
        each = np.arange(len(at))
        nearest = np.clip(np.rint((at - self.shifts[0]) / _SHIFT_STEP_MM).astype(int), 0, len(self.shifts) - 1)
        foot = (self.wall > WALL_SEEN_MM) & (self.lit_wall[each, nearest] > 0.5)
        row = np.flatnonzero(told)
        shift = np.where(foot, 0.0, sheet.outline_shift(self.wall))
        offset = place + np.where(foot, self.wall, 0.0) - shift
        kind, moved = np.where(foot, LOWER, OUTLINE), np.where(foot, _FOOT_MOVED_MM, 0.0)
        return RimPoints(row, offset[row], kind[row], np.ones(len(row)), shift[row], moved[row])


def tinted_rows(
    lit: Lit, view: View, sheet: Sheet, contour: Contour, reach: tuple[float, float], smooth: float, least_share: float
) -> TintedRows | None:
    """Rows across a contour good to a mm; None where the metal has too little colour of its own, or no ground shows.

    reach : how far into the face and beyond the wall to look, mm. smooth : Gaussian sigma along the contour, mm.
    """
    wall = sheet.wall(view, contour)
    inside, outside = reach
    strip = unroll(lit, view, contour, (-inside, outside), smooth, _STEP_MM, placed=False)
    assert strip.tone is not None
    offset = np.asarray(strip.start + strip.step * np.arange(strip.tone.shape[1]), float)
    tone = strip.tone.astype(float)
    face = (offset > -inside) & (offset < -_FACE_CLEAR_MM)
    open_ground = offset > np.maximum(wall, 0)[:, None] + _GROUND_CLEAR_MM
    if not open_ground.any():
        return None
    metal, ground = np.median(tone[:, face].reshape(-1, 3), axis=0), tone[open_ground].mean(axis=0)
    way = way_from_ground(metal, ground, least_share)
    if way is None:
        return None
    tint = tone @ way
    tint = tint / float(np.median(tint[:, face]))
    grains = float(tint[:, face].std()), float(tint[open_ground].std())
    noise, blur = max(*grains, 0.02), COLOUR_BLUR_PX / strip.px_per_mm
    shifts = np.arange(-_SHIFT_MM, _SHIFT_MM + 1e-9, _SHIFT_STEP_MM)
    cost, told, lit_wall = _explained(tint, offset, np.where(wall > WALL_SEEN_MM, wall, 0.0), shifts, blur)
    independent = strip.step / max(blur, strip.step) / 2
    share = float(way @ metal / np.linalg.norm(metal))
    return TintedRows(wall, shifts, cost * independent / noise**2, told, lit_wall, share, 1 / max(sum(grains), 1e-6))


def way_from_ground(metal: FloatArray, ground: FloatArray, least_share: float) -> FloatArray | None:
    """Unit direction (3,) of the part of the metal's colour that the ground has not; None where it has too little."""
    way = metal - (metal @ ground) / max(float(ground @ ground), 1e-12) * ground
    length = float(np.linalg.norm(way))
    return way / length if length >= least_share * np.linalg.norm(metal) else None


def _explained(
    tint: FloatArray, offset: FloatArray, wall: FloatArray, shifts: FloatArray, blur: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Squares left (M, S), share explained (M, S) and the wall's tint over the face's (M, S), the rim being at each shift.

    Face and wall have each their tint, fitted row by row; the ground has none.
    """
    past = (offset - shifts[:, None]) / blur
    rim = risen(past)
    face = 1 - rim
    cost, lit_wall = np.empty((len(tint), len(shifts))), np.zeros((len(tint), len(shifts)))
    for i, (row, width) in enumerate(zip(tint, wall, strict=True)):
        band = rim - risen(past - width / blur) if width else np.zeros_like(rim)
        ff, fb, bb = (face * face).sum(axis=1), (face * band).sum(axis=1), (band * band).sum(axis=1) + 1e-9
        fr, br = face @ row, band @ row
        level = (fr * bb - br * fb) / (ff * bb - fb * fb)
        share = np.clip((br - fb * level) / bb, _DIMMEST * level, _BRIGHTEST * level)
        level = (fr - fb * share) / ff
        cost[i] = ((row - level[:, None] * face - share[:, None] * band) ** 2).sum(axis=1)
        lit_wall[i] = share / np.maximum(level, 1e-6)
    spread = ((tint - tint.mean(axis=1, keepdims=True)) ** 2).sum(axis=1, keepdims=True)
    return cost, 1 - cost / np.maximum(spread, 1e-9), lit_wall
