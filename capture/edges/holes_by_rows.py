"""Holes and slots told by rows across their rims: in painted metal by its colour, in black metal and rubber by its tone.

Where pixels are too coarse to tell rim, rounding and wall apart, a row tells little of which step it shows; all rows
together tell the circle of which they are rim and foot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.black_rows import black_rows
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_at
from capture.edges.rim_rows import RimRows, likeliest_circle
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.slot_holes import stadium_of
from capture.edges.strip import Contour, Lit
from capture.edges.tinted_rows import TintKnowledge, tinted_rows
from fit.feature import Feature
from fit.points import FloatArray

__all__ = ["black_hole", "slot_by_rows", "tinted_hole"]

_INSIDE_MM, _BEYOND_MM = 2.4, 1.4
_ROWS = 72
_LEAST_RADIUS_MM, _TINT = 1.5, TintKnowledge(smooth=0.2, least_share=0.15, wall_tints=(0.0, 1.3))
"""A rim is closed and its rows must agree, so that less colour is enough than for a single edge."""
_LEAST_ROWS = 0.6
_SLOT_ROW_MM, _ALIKE_ROWS, _LEAST_TOLD = 0.8, 3, 0.93


def tinted_hole(lit: Lit, bench: Bench, known: FaceKnowledge, start: Circle) -> Edge | None:
    """The rim of the hole about a circle good to a mm, told by tint; None where the metal has too little colour of its own
    or too few rows agree.
    """
    return _hole(lit, bench, known, start, lambda contour: _tinted(lit, bench, known, contour, start.radius))


def black_hole(lit: Lit, bench: Bench, known: FaceKnowledge, start: Circle) -> Edge | None:
    """The same in metal or rubber as dark as the wall below its face."""
    return _hole(lit, bench, known, start, lambda contour: black_rows(lit, bench, known.sheet, contour))


def slot_by_rows(lit: Lit, bench: Bench, known: FaceKnowledge, slot: Feature, *, black: bool) -> Edge | None:
    """The rim of a slot good to a mm, told either way; None as of a hole."""
    contour = stadium_of(slot).contour(known.sheet.height, _SLOT_ROW_MM)
    if black:
        rows = black_rows(lit, bench, known.sheet, contour)
    elif (tinted := _tinted(lit, bench, known, contour, slot["width"] / 2)) is not None:
        rows = tinted
    else:
        return None
    at, explained = rows.along(_ALIKE_ROWS)
    return _told(edge_at(lit, bench, known, contour), known, rows, at) if explained >= _LEAST_TOLD else None


def _tinted(lit: Lit, bench: Bench, known: FaceKnowledge, contour: Contour, radius: float) -> RimRows | None:
    beyond = max(float(known.sheet.wall(bench, contour).max()), 0.0) + _BEYOND_MM
    reach = _INSIDE_MM, min(beyond, 1.2 * radius)
    tinted = tinted_rows(lit, bench, known.sheet, contour, reach, _TINT)
    return None if tinted is None else tinted.rows


def _hole(
    lit: Lit, bench: Bench, known: FaceKnowledge, start: Circle, rows_of: Callable[[Contour], RimRows | None]
) -> Edge | None:
    if start.radius < _LEAST_RADIUS_MM:
        return None
    contour = _rim(start.x, start.y, start.radius, known)
    rows = rows_of(contour)
    if rows is None:
        return None
    ray = -contour.outward
    move = likeliest_circle(rows, ray)
    x, y, radius = np.array([start.x, start.y, start.radius]) + move
    at = -(ray @ move[:2] + move[2])  # outward is into the hole
    return _told(edge_at(lit, bench, known, _rim(x, y, radius, known)), known, rows, at, at)


def _told(
    edge: Edge, known: FaceKnowledge, rows: RimRows, at: FloatArray, base: FloatArray | float = 0.0
) -> Edge | None:
    """The edge with the rows told near a rim at outward offsets (M,), its own contour being at `base`; None where too few
    agree.
    """
    place, told = rows.near(at)
    if told.mean() < _LEAST_ROWS:
        return None
    return replace(edge, picked=rows.rim_points(known.sheet, at, place - base, told), cover=float(told.mean()))


def _rim(x: float, y: float, radius: float, known: FaceKnowledge) -> Contour:
    """The rim at `_ROWS` directions, the same ones whatever its radius."""
    return circle_contour(x, y, radius, known.sheet.height, 2 * np.pi * radius / (_ROWS + 0.5))
