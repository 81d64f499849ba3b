"""Rows across the edge of black metal or rubber: face and wall are of nearly one tone, and the ground begins at the foot.

Where the wall shows, no step tells the rim; thickness and camera say how far inside the foot it lies.
"""

from __future__ import annotations

import numpy as np

from capture.edges.blurred_step import risen
from capture.edges.flatten import View
from capture.edges.rim_rows import SHIFTS, RimRows
from capture.edges.rims import WALL_SEEN_MM, Sheet
from capture.edges.strip import Contour, Lit, toned
from fit.points import FloatArray

__all__ = ["black_rows"]

_STEP_MM, _SMOOTH_MM, _WALL_STEP_MM = 0.04, 0.4, 0.04
_INSIDE_MM, _BEYOND_MM, _FADES_MM = 2.4, 1.2, 0.9
"""How much of the face and of the ground beyond the foot is looked at, and how far a shadow at the foot fades evenly."""
_WALL_TONES = (0.3, 0.5, 0.8, 1.0, 1.3)
"""The wall's tone over the face's that are tried: from one in shadow to one that light falls on."""
_CERTAINTY = 2.0
"""How sharply a row's cost counts, over what rows leave at their best: neighbours share a pixel's worth of noise."""


def black_rows(lit: Lit, view: View, sheet: Sheet, contour: Contour) -> RimRows:
    """Rows across a contour good to a mm. What noise is, is told by what the rows leave at their best places."""
    wall = sheet.wall(view, contour)
    tones = toned(lit, view, contour, (-_INSIDE_MM, max(float(wall.max()), 0.0) + _BEYOND_MM), _SMOOTH_MM, _STEP_MM)
    tone, blur = tones.tone.astype(float), 1 / tones.px_per_mm
    cost, told = np.empty((len(tone), len(SHIFTS))), np.empty((len(tone), len(SHIFTS)))
    widths = np.where(wall > WALL_SEEN_MM, np.rint(wall / _WALL_STEP_MM) * _WALL_STEP_MM, 0.0)
    for width in np.unique(widths):
        rows, near = np.flatnonzero(widths == width), tones.offsets < width + _BEYOND_MM
        seen = tone[rows][:, near]
        cost[rows] = _left(seen, _made_of(tones.offsets[near], float(width), blur))
        spread = ((seen - seen.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))
        told[rows] = 1 - cost[rows] / np.maximum(spread, 1e-12)[:, None]
    noise = max(float(np.median(cost.min(axis=1))), 1e-12)
    return RimRows(wall, cost * _CERTAINTY / noise, told, np.ones(cost.shape, bool))


def _made_of(offset: FloatArray, width: float, blur: float) -> FloatArray:
    """(C, S, T, 3) what the tone across a rim at each of `SHIFTS` is made of, for each tone of a wall so wide: metal, ground
    and the ground's shadow.
    """
    past = offset - SHIFTS[:, None]
    rim, foot = risen(past / blur), risen((past - width) / blur)
    fading = foot * np.clip(past - width, 0, _FADES_MM)
    tones = _WALL_TONES if width else (1.0,)
    return np.array([np.stack([1 - rim + share * (rim - foot), foot, fading], axis=-1) for share in tones])


def _left(tone: FloatArray, made_of: FloatArray) -> FloatArray:
    """Squares (M, S) that rows (M, T, 3) leave unexplained with the wall's best tone."""
    basis, _ = np.linalg.qr(made_of)
    told = np.einsum("cstq,mtk->mcsqk", basis, tone, optimize=True)
    left = (tone**2).sum(axis=(1, 2))[:, None, None] - (told**2).sum(axis=(3, 4))
    return np.asarray(left.min(axis=1))
