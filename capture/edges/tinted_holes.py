"""Round holes in painted metal, told by the part of the metal's colour that the ground in them has not.

Seen along that colour (`capture.edges.shade_blind`) the ground is black in light and shadow alike, the face is of one
tone, and the hole's wall, where it shows, of some other one. Where a dark wall joins a shadow, or a lit wall the face, tone
leads to the wrong line; here a row's tint steps at the rim, at the wall's foot, or at both, and thickness and camera say how
far apart these are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.blurred_step import risen
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_at
from capture.edges.rims import LOWER, OUTLINE, WALL_SEEN_MM, RimPoints
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.shade_blind import way_from_ground
from capture.edges.strip import Contour, Lit, unroll
from capture.edges.tinted import COLOUR_BLUR_PX
from fit.points import FloatArray

__all__ = ["tinted_hole"]

_STEP_MM, _SMOOTH_MM, _INSIDE_MM, _BEYOND_MM = 0.04, 0.2, 2.4, 1.4
_FACE_MM, _GROUND_CLEAR_MM = (-2.4, -1.0), 0.5
_SHIFT_MM, _SHIFT_STEP_MM = 1.2, 0.04
_ROWS = 72
_GRIDS = ((0.9, 0.1), (0.12, 0.02))
_LEAST_RADIUS_MM, _LEAST_SHARE = 1.5, 0.15
"""A rim is closed and its rows must agree, so that less colour is enough than for a single edge."""
_BRIGHTEST = 1.3
_LEAST_TOLD, _LEAST_ROWS, _NEAR_MM = 0.93, 0.6, 0.2
_FOOT_MOVED_MM = 0.4
"""What light thrown from a bright wall on the ground before it may move its foot by, so that a third of it is in doubt."""
_STRANGE = 9.0
"""A row that costs more than its best place by so much more than noise does is led by something else."""


@dataclass(frozen=True, eq=False, slots=True)
class _Rows:
    """What each row (M,) about a circle tells: its ray, seen wall, costs (M, S) of the rim at each of the shifts, the
    share of tint explained at each, and the wall's tint over the face's at each.
    """

    ray: FloatArray
    wall: FloatArray
    shifts: FloatArray
    cost: FloatArray
    told: FloatArray
    lit_wall: FloatArray


def tinted_hole(lit: Lit, bench: Bench, known: FaceKnowledge, start: Circle) -> Edge | None:
    """The rim of the hole about a circle good to a mm, told by tint; None where the metal has too little colour of its own
    or too few rows agree.
    """
    if start.radius < _LEAST_RADIUS_MM:
        return None
    rows = _rows(lit, bench, known, _rim(start.x, start.y, start.radius, known), start.radius)
    if rows is None:
        return None
    move = _likeliest(rows)
    x, y, radius = np.array([start.x, start.y, start.radius]) + move
    at = _outward(rows, move)
    place, told = _near(rows, at)
    if told.mean() < _LEAST_ROWS:
        return None
    return _edge(lit, bench, known, _rim(x, y, radius, known), (place - at, told, _foot_tells(rows, at)))


def _rim(x: float, y: float, radius: float, known: FaceKnowledge) -> Contour:
    """The rim at `_ROWS` directions, the same ones whatever its radius."""
    return circle_contour(x, y, radius, known.sheet.height, 2 * np.pi * radius / (_ROWS + 0.5))


def _rows(lit: Lit, bench: Bench, known: FaceKnowledge, contour: Contour, radius: float) -> _Rows | None:
    wall = known.sheet.wall(bench, contour)
    reach = min(max(float(wall.max()), 0.0) + _BEYOND_MM, 1.2 * radius)
    strip = unroll(lit, bench, contour, (-_INSIDE_MM, reach), _SMOOTH_MM, _STEP_MM, placed=False)
    assert strip.tone is not None
    offset = np.asarray(strip.start + strip.step * np.arange(strip.tone.shape[1]), float)
    tone = strip.tone.astype(float)
    face = (offset > _FACE_MM[0]) & (offset < _FACE_MM[1])
    open_ground = offset > np.maximum(wall, 0)[:, None] + _GROUND_CLEAR_MM
    if not open_ground.any():
        return None
    metal, ground = np.median(tone[:, face].reshape(-1, 3), axis=0), tone[open_ground].mean(axis=0)
    way = way_from_ground(metal, ground, _LEAST_SHARE)
    if way is None:
        return None
    tint = tone @ way
    tint = tint / float(np.median(tint[:, face]))
    noise = max(float(tint[:, face].std()), float(tint[open_ground].std()), 0.02)
    blur = COLOUR_BLUR_PX / strip.px_per_mm
    shifts = np.arange(-_SHIFT_MM, _SHIFT_MM + 1e-9, _SHIFT_STEP_MM)
    cost, told, lit_wall = _explained(tint, offset, np.where(wall > WALL_SEEN_MM, wall, 0.0), shifts, blur)
    independent = strip.step / max(blur, strip.step) / 2
    return _Rows(-contour.outward, wall, shifts, cost * independent / noise**2, told, lit_wall)


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
        share = np.clip((br - fb * level) / bb, 0.0, _BRIGHTEST * level)
        level = (fr - fb * share) / ff
        cost[i] = ((row - level[:, None] * face - share[:, None] * band) ** 2).sum(axis=1)
        lit_wall[i] = share / np.maximum(level, 1e-6)
    spread = ((tint - tint.mean(axis=1, keepdims=True)) ** 2).sum(axis=1, keepdims=True)
    return cost, 1 - cost / np.maximum(spread, 1e-9), lit_wall


def _likeliest(rows: _Rows) -> FloatArray:
    """Move (dx, dy, dr) of the circle that costs least."""
    over = np.minimum(rows.cost - rows.cost.min(axis=1, keepdims=True), _STRANGE)
    best = np.zeros(3)
    for span, step in _GRIDS:
        ticks = np.arange(-span, span + step / 2, step)
        moves = best + np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
        cost = np.zeros(len(moves))
        for ray, row in zip(rows.ray, over, strict=True):
            cost += np.interp(-(moves[:, :2] @ ray + moves[:, 2]), rows.shifts, row)
        best = moves[int(np.argmin(cost))]
    return best


def _outward(rows: _Rows, move: FloatArray) -> FloatArray:
    """Where the moved circle lies in each row: outward is into the hole."""
    return -(rows.ray @ move[:2] + move[2])


def _near(rows: _Rows, at: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Each row's own best place near the circle, and whether it tells one."""
    apart = np.abs(rows.shifts - at[:, None]) > _NEAR_MM
    cost = np.where(apart, np.inf, rows.cost)
    best = np.clip(cost.argmin(axis=1), 1, len(rows.shifts) - 2)
    each = np.arange(len(best))
    before, here, after = (rows.cost[each, best + i] for i in (-1, 0, 1))
    bend = before - 2 * here + after
    place = rows.shifts[best] + np.clip((before - after) / (2 * np.maximum(bend, 1e-9)), -1, 1) * _SHIFT_STEP_MM
    lowest = (here <= before) & (here <= after)
    return place, lowest & (rows.told[each, best] > _LEAST_TOLD)


def _foot_tells(rows: _Rows, at: FloatArray) -> NDArray[np.bool_]:
    """Rows whose wall is nearer in tint to the face than to the ground, so that its foot is the larger step."""
    each = np.arange(len(at))
    nearest = np.clip(np.rint((at - rows.shifts[0]) / _SHIFT_STEP_MM).astype(int), 0, len(rows.shifts) - 1)
    return (rows.wall > WALL_SEEN_MM) & (rows.lit_wall[each, nearest] > 0.5)


def _edge(
    lit: Lit,
    bench: Bench,
    known: FaceKnowledge,
    rim: Contour,
    rows: tuple[FloatArray, NDArray[np.bool_], NDArray[np.bool_]],
) -> Edge:
    """The rim's edge with the rows told: how far outward of it each lies, and whether it is the foot that tells."""
    off, told, foot = rows
    edge, wall = edge_at(lit, bench, known, rim), known.sheet.wall(bench, rim)
    row = np.flatnonzero(told)
    kind = np.where(foot, LOWER, OUTLINE)
    offset = off + np.where(foot, wall, 0.0)
    shift = np.where(foot, 0.0, known.sheet.outline_shift(wall))
    moved = np.where(foot, _FOOT_MOVED_MM, 0.0)
    picked = RimPoints(row, offset[row] - shift[row], kind[row], np.ones(len(row)), shift[row], moved[row])
    return replace(edge, picked=picked, cover=len(row) / len(told))
