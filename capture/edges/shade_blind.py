"""Painted metal beside ground of another colour, told apart whatever shadow lies on the ground.

A shadow takes light off the ground and leaves its colour. Seen along the part of the metal's colour that is at right angles
to the ground's, the ground is black in light and shadow alike, and linear light steps once, where the metal ends. Walls are
of the metal's colour too, so only an edge whose wall is hidden is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View
from capture.edges.rim_fit import Edge
from capture.edges.rims import NARROW_WALL_MM, OUTLINE, RimPoints, Sheet
from capture.edges.strip import Lit, Strip, unroll
from capture.edges.tinted import COLOUR_BLUR_PX, step_places
from fit.points import FloatArray

__all__ = ["told_in_shadow", "way_from_ground"]

_REACH_MM, _STEP_MM, _SMOOTH_MM = 2.8, 0.04, 0.4
_BAND_MM = (1.0, 2.6)
_LEAST_SHARE, _SURE_SHARE, _LEAST_APART = 0.2, 0.4, 6.0
"""Least share of the metal's light that is not of the ground's colour; share from which that alone tells the edge, since light
from the room colours shadows a little; and least step in standard deviations of grain."""
_LEAST_LIKENESS, _LEAST_ROWS = 0.9, 0.6


def told_in_shadow(lit: Lit, view: View, sheet: Sheet, edge: Edge) -> Edge | None:
    """The edge with its rows told by the colour that the ground has not; None where that is too little, or walls show."""
    contour = edge.strip.contour
    wall = sheet.wall(view, contour)
    hidden = wall <= NARROW_WALL_MM
    if sheet.on_paper or hidden.mean() < _LEAST_ROWS:
        return None
    strip = unroll(lit, view, contour, (-_REACH_MM, _REACH_MM), _SMOOTH_MM, _STEP_MM, placed=False)
    told_apart = _without_the_ground(strip)
    if told_apart is None:
        return None
    tint, share = told_apart
    if share < _SURE_SHARE and (edge.picked.kind == OUTLINE).mean() > 0.5:  # by colour already, and calmer
        return None
    place, likeness = step_places(strip, tint, COLOUR_BLUR_PX / strip.px_per_mm)
    told = hidden & (likeness > _LEAST_LIKENESS)
    if told.sum() < _LEAST_ROWS * len(told):
        return None
    by_colour = _with_places(edge, place - np.maximum(wall, 0.0) / 2, told, sheet.outline_shift(wall))
    return by_colour if share > _SURE_SHARE else _halfway(by_colour, edge)


def way_from_ground(metal: FloatArray, ground: FloatArray, least_share: float) -> FloatArray | None:
    """Unit direction (3,) of the part of the metal's colour that the ground has not; None where it has too little."""
    way = metal - (metal @ ground) / max(float(ground @ ground), 1e-12) * ground
    length = float(np.linalg.norm(way))
    return way / length if length >= least_share * np.linalg.norm(metal) else None


def _halfway(by_colour: Edge, by_tone: Edge) -> Edge:
    """The edge by colour moved half way to where tone tells it, in doubt by as much as the two are apart."""
    colour, tone = by_colour.picked, by_tone.picked
    apart = float(np.median(tone.offset + tone.inset) - np.median(colour.offset + colour.inset))
    return replace(by_colour, picked=replace(colour, offset=colour.offset + apart / 2), rival=2 * apart)


def _without_the_ground(strip: Strip) -> tuple[FloatArray, float] | None:
    """Tones (M, T) along the metal's colour at right angles to the ground's, less outside, and the share of it that this is;
    None where it has too little.
    """
    assert strip.tone is not None
    offset = strip.start + strip.step * np.arange(strip.tone.shape[1])
    low, high = _BAND_MM
    inside, outside = ((offset > a) & (offset < b) for a, b in ((-high, -low), (low, high)))
    metal, ground = (np.median(strip.tone[:, band].reshape(-1, 3).astype(float), axis=0) for band in (inside, outside))
    way = way_from_ground(metal, ground, _LEAST_SHARE)
    if way is None:
        return None
    tint = strip.tone @ way
    step = tint[:, inside].mean() - tint[:, outside].mean()
    grain = tint[:, inside].std() + tint[:, outside].std()
    share = float(way @ metal / np.linalg.norm(metal))
    return (np.asarray(-tint, float), share) if step > _LEAST_APART * grain else None


def _with_places(edge: Edge, place: FloatArray, told: NDArray[np.bool_], inset: FloatArray) -> Edge:
    """The edge with the steps (M,) of the rows told in place of all those picked."""
    row = np.flatnonzero(told)
    kind, strength = np.full(len(row), OUTLINE), np.ones(len(row))
    return replace(edge, picked=RimPoints(row, place[row], kind, strength, inset[row]), cover=len(row) / len(told))
