"""Painted metal beside ground of another colour, told apart whatever shadow lies on the ground.

A shadow takes light off the ground and leaves its colour, so that along the part of the metal's colour which the ground has
not (`capture.edges.tinted_rows`) linear light steps where the metal ends, and nowhere else.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View
from capture.edges.moved import offsets_told
from capture.edges.rim_fit import Edge
from capture.edges.rims import NARROW_WALL_MM, OUTLINE, RimPoints, Sheet
from capture.edges.strip import Contour, Lit
from capture.edges.tinted_rows import TintKnowledge, tinted_rows
from fit.points import FloatArray

__all__ = ["told_in_shadow"]

_REACH_MM, _ROW_MM, _ALIKE_MM = 2.8, 0.8, 6.0
_SURE_SHARE, _LEAST_APART = 0.3, 3.0
"""Share of the metal's light that is not of the ground's colour from which that alone tells the edge, since light
from the room colours shadows a little, and from which an edge is told whose wall shows; and least step in standard
deviations of grain."""
_LEAST_TOLD, _LEAST_ROWS = 0.95, 0.6
_END_MM = 5.0
_TINT = TintKnowledge(smooth=0.8, least_share=0.2, wall_tints=(0.2, 1.2))
"""A wall's tint over its face's: less is what lit metal throws on the ground, more is seldom seen."""


def told_in_shadow(lit: Lit, view: View, sheet: Sheet, edge: Edge) -> Edge | None:
    """The edge with its rows told by the colour that the ground has not; None where that is too little."""
    if sheet.on_paper:
        return None
    contour = edge.strip.contour
    every = max(1, round(_ROW_MM / contour.spacing))
    thin = Contour(contour.xy[::every], contour.outward[::every], contour.height, contour.closed)
    beyond = max(float(sheet.wall(view, thin).max()), 0.0) + _REACH_MM
    tinted = tinted_rows(lit, view, sheet, thin, (_REACH_MM, beyond), _TINT)
    if tinted is None or tinted.apart < _LEAST_APART:
        return None
    sure, hidden = tinted.share > _SURE_SHARE, float(np.median(tinted.rows.wall)) <= NARROW_WALL_MM
    if not sure and not hidden:  # how bright the wall is would decide
        return None
    if not sure and (edge.picked.kind == OUTLINE).mean() > 0.5:  # by colour already, and calmer
        return None
    rows = tinted.rows
    at, explained = rows.along(round(_ALIKE_MM / thin.spacing))
    place, told = rows.near(at)
    if explained < _LEAST_TOLD or told.mean() < _LEAST_ROWS:
        return None
    picked = rows.rim_points(sheet, at, place, told)
    by_colour = replace(edge, picked=replace(picked, row=picked.row * every), cover=float(told.mean()))
    found = by_colour if sure and hidden else _halfway(view, sheet, by_colour, edge)
    return _with_ends(view, sheet, found, edge, every)


def _halfway(view: View, sheet: Sheet, by_colour: Edge, by_tone: Edge) -> Edge:
    """The edge by colour moved half way to where tone tells it, in doubt by as much as the two are apart."""
    tone, colour = (float(np.median(offsets_told(view, sheet, edge))) for edge in (by_tone, by_colour))
    moved = replace(by_colour.picked, offset=by_colour.picked.offset + (tone - colour) / 2)
    return replace(by_colour, picked=moved, rival=2 * (tone - colour))


def _with_ends(view: View, sheet: Sheet, by_colour: Edge, by_tone: Edge, every: int) -> Edge:
    """The edge by colour, lengthened by every n-th row of tone at ends where colour tells nothing for more than some mm.

    Those rows are moved by what tone and colour differ by where both tell.
    """
    colour, tone = by_colour.picked, by_tone.picked
    clear = round(_END_MM / by_tone.strip.contour.spacing)
    beyond = (tone.row < colour.row[0] - clear) | (tone.row > colour.row[-1] + clear)
    more = np.flatnonzero(beyond)[::every]
    if not len(more):
        return by_colour
    both = np.isin(tone.row, colour.row)
    at_tone, at_colour = offsets_told(view, sheet, by_tone), offsets_told(view, sheet, by_colour)
    apart = np.median(at_colour[np.isin(colour.row, tone.row)] - at_tone[both]) if both.any() else 0.0
    order = np.argsort(np.concatenate([colour.row, tone.row[more]]), kind="stable")

    def joined(here: NDArray[Any], there: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([here, there[more]])[order]

    def moved(edge: RimPoints) -> FloatArray:
        return np.broadcast_to(np.asarray(edge.moved, dtype=float), edge.row.shape)

    picked = RimPoints(
        joined(colour.row, tone.row),
        joined(colour.offset, tone.offset),
        joined(colour.kind, tone.kind),
        joined(colour.strength, tone.strength),
        joined(colour.inset, tone.inset + apart),
        joined(moved(colour), moved(tone)),
    )
    rows = len(by_tone.strip.contour.xy) / every
    return replace(by_colour, picked=picked, cover=min(1.0, len(picked.row) / rows))
