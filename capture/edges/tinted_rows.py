"""Rows across the edge of painted metal, read by the part of the metal's colour that the ground has not.

Seen along that colour the ground is black in light and shadow alike, the face is of one tone, and the wall below it, where
it shows, of some other one. Where a dark wall joins a shadow, or a lit wall the face, tone leads to the wrong line; here a
row's tint steps at the rim, at the wall's foot, or at both, and thickness and camera say how far apart these are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.edges.blurred_step import risen
from capture.edges.flatten import View
from capture.edges.rim_rows import SHIFTS, RimRows
from capture.edges.rims import WALL_SEEN_MM, Sheet
from capture.edges.strip import Contour, Lit, unroll
from fit.points import FloatArray

__all__ = ["COLOUR_BLUR_PX", "TintKnowledge", "Tinted", "tinted_rows"]

COLOUR_BLUR_PX = 1.2
"""A picture's blur with that of its colours, which are stored at half resolution (common practice, no source)."""
_STEP_MM = 0.04
_FACE_CLEAR_MM, _GROUND_CLEAR_MM = 1.0, 0.5


@dataclass(frozen=True, eq=False, slots=True)
class Tinted:
    """rows : what each row tells. share : how much of the metal's light is not of the ground's colour. apart : step between
    metal and ground in standard deviations of grain.
    """

    rows: RimRows
    share: float
    apart: float


@dataclass(frozen=True, slots=True)
class TintKnowledge:
    """What is known of a tint before it is read: Gaussian sigma along the contour over which it is the same, mm; least share
    of the metal's light that must be its own; least and most of the wall's tint over the face's.
    """

    smooth: float
    least_share: float
    wall_tints: tuple[float, float]


def tinted_rows(
    lit: Lit, view: View, sheet: Sheet, contour: Contour, reach: tuple[float, float], known: TintKnowledge
) -> Tinted | None:
    """Rows across a contour good to a mm; None where the metal has too little colour of its own, or no ground shows.

    reach : how far into the face and beyond the wall to look, mm.
    """
    wall = sheet.wall(view, contour)
    inside, outside = reach
    strip = unroll(lit, view, contour, (-inside, outside), known.smooth, _STEP_MM, placed=False)
    assert strip.tone is not None
    offset = np.asarray(strip.start + strip.step * np.arange(strip.tone.shape[1]), float)
    tone = strip.tone.astype(float)
    face = (offset > -inside) & (offset < -_FACE_CLEAR_MM)
    open_ground = offset > np.maximum(wall, 0)[:, None] + _GROUND_CLEAR_MM
    if not open_ground.any():
        return None
    metal, ground = np.median(tone[:, face].reshape(-1, 3), axis=0), tone[open_ground].mean(axis=0)
    way = _way_from_ground(metal, ground, known.least_share)
    if way is None:
        return None
    tint = tone @ way
    tint = tint / float(np.median(tint[:, face]))
    grains = float(tint[:, face].std()), float(tint[open_ground].std())
    noise, blur = max(*grains, 0.02), COLOUR_BLUR_PX / strip.px_per_mm
    cost, told, lit_wall = _explained(tint, offset, np.where(wall > WALL_SEEN_MM, wall, 0.0), blur, known.wall_tints)
    independent = strip.step / max(blur, strip.step) / 2
    share = float(way @ metal / np.linalg.norm(metal))
    rows = RimRows(wall, cost * independent / noise**2, told, lit_wall > 0.5)
    return Tinted(rows, share, 1 / max(sum(grains), 1e-6))


def _way_from_ground(metal: FloatArray, ground: FloatArray, least_share: float) -> FloatArray | None:
    """Unit direction (3,) of the part of the metal's colour that the ground has not; None where it has too little."""
    way = metal - (metal @ ground) / max(float(ground @ ground), 1e-12) * ground
    length = float(np.linalg.norm(way))
    return way / length if length >= least_share * np.linalg.norm(metal) else None


def _explained(
    tint: FloatArray, offset: FloatArray, wall: FloatArray, blur: float, wall_tints: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Squares left (M, S), share explained (M, S) and the wall's tint over the face's (M, S), the rim being at each shift.

    Face and wall have each their tint, fitted row by row; the ground has none.
    """
    past = (offset - SHIFTS[:, None]) / blur
    rim = risen(past)
    face = 1 - rim
    cost, lit_wall = np.empty((len(tint), len(SHIFTS))), np.zeros((len(tint), len(SHIFTS)))
    for i, (row, width) in enumerate(zip(tint, wall, strict=True)):
        band = rim - risen(past - width / blur) if width else np.zeros_like(rim)
        ff, fb, bb = (face * face).sum(axis=1), (face * band).sum(axis=1), (band * band).sum(axis=1) + 1e-9
        fr, br = face @ row, band @ row
        level = (fr * bb - br * fb) / (ff * bb - fb * fb)
        share = np.clip((br - fb * level) / bb, wall_tints[0] * level, wall_tints[1] * level)
        level = (fr - fb * share) / ff
        cost[i] = ((row - level[:, None] * face - share[:, None] * band) ** 2).sum(axis=1)
        lit_wall[i] = share / np.maximum(level, 1e-6)
    spread = ((tint - tint.mean(axis=1, keepdims=True)) ** 2).sum(axis=1, keepdims=True)
    return cost, 1 - cost / np.maximum(spread, 1e-9), lit_wall
