"""Round holes in painted metal, told by the part of the metal's colour that the ground in them has not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_at
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.strip import Contour, Lit
from capture.edges.tinted_rows import TintedRows, tinted_rows
from fit.points import FloatArray

__all__ = ["tinted_hole"]

_SMOOTH_MM, _INSIDE_MM, _BEYOND_MM = 0.2, 2.4, 1.4
_ROWS = 72
_GRIDS = ((0.9, 0.1), (0.12, 0.02))
_LEAST_RADIUS_MM, _LEAST_SHARE = 1.5, 0.15
"""A rim is closed and its rows must agree, so that less colour is enough than for a single edge."""
_LEAST_ROWS = 0.6
_STRANGE = 9.0
"""A row that costs more than its best place by so much more than noise does is led by something else."""


def tinted_hole(lit: Lit, bench: Bench, known: FaceKnowledge, start: Circle) -> Edge | None:
    """The rim of the hole about a circle good to a mm, told by tint; None where the metal has too little colour of its own
    or too few rows agree.
    """
    if start.radius < _LEAST_RADIUS_MM:
        return None
    contour = _rim(start.x, start.y, start.radius, known)
    beyond = max(float(known.sheet.wall(bench, contour).max()), 0.0) + _BEYOND_MM
    reach = _INSIDE_MM, min(beyond, 1.2 * start.radius)
    rows = tinted_rows(lit, bench, known.sheet, contour, reach, _SMOOTH_MM, _LEAST_SHARE)
    if rows is None:
        return None
    ray = -contour.outward
    move = _likeliest(rows, ray)
    x, y, radius = np.array([start.x, start.y, start.radius]) + move
    at = -(ray @ move[:2] + move[2])  # outward is into the hole
    place, told = rows.near(at)
    if told.mean() < _LEAST_ROWS:
        return None
    edge = edge_at(lit, bench, known, _rim(x, y, radius, known))
    return replace(edge, picked=rows.rim_points(known.sheet, at, place - at, told), cover=float(told.mean()))


def _rim(x: float, y: float, radius: float, known: FaceKnowledge) -> Contour:
    """The rim at `_ROWS` directions, the same ones whatever its radius."""
    return circle_contour(x, y, radius, known.sheet.height, 2 * np.pi * radius / (_ROWS + 0.5))


def _likeliest(rows: TintedRows, rays: FloatArray) -> FloatArray:
    """Move (dx, dy, dr) of the circle that costs least, its rows' rays being (M, 2)."""
    over = np.minimum(rows.cost - rows.cost.min(axis=1, keepdims=True), _STRANGE)
    best = np.zeros(3)
    for span, step in _GRIDS:
        ticks = np.arange(-span, span + step / 2, step)
        moves = best + np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
        cost = np.zeros(len(moves))
        for ray, row in zip(rays, over, strict=True):
            cost += np.interp(-(moves[:, :2] @ ray + moves[:, 2]), rows.shifts, row)
        best = moves[int(np.argmin(cost))]
    return best
