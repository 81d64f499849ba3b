"""An edge that blur hides in the flank of a stronger step beside it: it shows as that flank's shoulder, not as a step.

Where a narrow wall or shadow is nearly as dark as the face, or nearly as bright, the step found is its far side. The face
ends where its tone first changes, and over some centimetres of edge a change too weak to be seen row by row stands out.
Where wall and face look alike no tone changes, but then the ground begins where geometry says that a wall shows.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.blurred_step import risen
from capture.edges.candidates import BLACK
from capture.edges.follow import smoothed
from capture.edges.lengths import Across, Lengths, lengths_along
from capture.edges.moved import contour_told, moved_in
from capture.edges.rim_fit import Edge
from capture.edges.rims import WALL_SEEN_MM, Sheet
from capture.edges.strip import Contour, Lit, sampled
from fit.points import FloatArray

__all__ = ["at_its_shoulder"]

_LENGTH_MM, _TOGETHER, _LEAST_TOGETHER = 4.0, 8, 4
_ACROSS = Across(0.1, -40, 25, np.arange(-25, 16), 1, 3.9, 2.4, 0.01)
"""Four mm of face and two and a half beyond it; steps are sought from 2.5 mm inside to 1.5 mm outside."""
_SMOOTH_MM, _GROUND_MM, _COMMON = 2.0, 0.5, 3
_APART = 1.2
"""Two steps nearer to each other than so many standard deviations of the blur are one."""
_LEAST_IN, _LEAST_STEP = 0.2, 0.1
"""How far inside the face's end as found a first step must lie, mm, and its least share of the contrast."""
_LEAST_OF_FACE, _CLEAR_OF_BLUR, _DEEP_MM = 0.2, 2.5, 1.5
"""So many standard deviations of the blur from the other one, where no blur is mistaken for it, a share of the face's own
tone does: beside black rubber its shadow is but little of what there is to the ground."""
_BETTER, _MOST_LEFT = 5.0, 100.0
"""How many times less two steps must leave unexplained than one, and the most that they may, in variances."""
_FOUND_MM = 0.6
"""How far the second step may lie from where the face was found to end: blur drives two steps apart."""
_AGREE, _MOST = 0.5, 0.6
"""Least share of an edge that must show the shoulder: what shows in a few places only is texture. Where hardly more do, it is
as likely nearer."""
_WALL_MM, _CLEAR_SIGMAS, _BEYOND_MM, _PLACES = 0.15, 1.5, 0.6, 8
_SAME_LOOK, _SAME_SHARE = 0.12, 0.25
"""By how much, in the logarithm of tone, one ground may differ from place to place, and as a share of what is to the face."""
_COLOURED = 0.5
"""Least ratio of two colours, as a logarithm, of what is painted."""
_DARKEST, _CLIPPED = 1e-3, -0.1


def at_its_shoulder(lit: Lit, bench: Bench, sheet: Sheet, edge: Edge) -> Edge:
    """The edge with its steps taken to tell of the first, weaker one beside them where there is one; else as it is."""
    contour = _evened(contour_told(bench, sheet, edge))
    lengths = lengths_along(lit, bench, sheet, contour, _LENGTH_MM, _ACROSS)
    groups = np.array_split(np.arange(len(lengths.tone)), max(1, len(lengths.tone) // _TOGETHER))
    wall, rows = sheet.wall(bench, contour), [np.isin(lengths.row, group) for group in groups]
    hidden = [bool(np.median(wall[mine]) < 0) for mine in rows]
    firsts = np.array(
        [_first_step(lengths, group, -sheet.rounding, hidden=h) for group, h in zip(groups, hidden, strict=True)]
    )
    shows = np.isfinite(firsts)
    if shows.mean() < _AGREE:
        return moved_in(edge, -wall) if _wall_is_missed(lit, bench, contour, wall, lengths) else edge
    middles = np.array([mine.nonzero()[0].mean() for mine in rows])
    shift = np.interp(np.arange(len(lengths.row)), middles[shows], firsts[shows] + sheet.rounding)
    return _moved_by_half(edge, shift) if shows.mean() < _MOST else moved_in(edge, shift)


def _moved_by_half(edge: Edge, shift: FloatArray) -> Edge:
    """The edge moved half-way to a shoulder that half of it shows, in doubt by all of it."""
    moved = moved_in(edge, shift / 2)
    return replace(moved, picked=replace(moved.picked, moved=shift[moved.picked.row]))


def _wall_is_missed(lit: Lit, bench: Bench, contour: Contour, wall: FloatArray, lengths: Lengths) -> bool:
    """Whether a wall (M,) wide that must show beyond the edge does not: what lies there looks as the ground farther out does.

    The step found then is the foot of a wall of the face's own tone. Only paint and rubber tell that; a black wall too
    narrow for the pixels makes one step with its face, at its foot.
    """
    width, sigma = float(np.median(wall)), float(lengths.blur.mean())
    blur, narrow = _CLEAR_SIGMAS * sigma, width < max(_WALL_MM, _CLEAR_SIGMAS * sigma)
    if width < WALL_SEEN_MM:
        return False
    ends = ((-2.2, -0.7), (max(width / 2, blur), width), (width + blur, width + blur + _BEYOND_MM))
    places = np.concatenate([np.linspace(*end, _PLACES) for end in ends])
    tone = np.log(np.median(sampled(lit.pixels, bench, contour, places)[0], axis=0) + _DARKEST)
    face, near, ground = tone.reshape(3, _PLACES, -1).mean(axis=1)
    black = bool(face.mean() < BLACK)
    if black and width < _CLEAR_OF_BLUR * sigma:
        return True
    if narrow or (np.ptp(face) < _COLOURED and not black):  # bare metal mirrors the ground before it
        return False
    unlike = float(np.abs(near - ground).max())
    return bool(unlike < min(_SAME_LOOK, _SAME_SHARE * float(np.abs(near - face).max())) and near.max() < _CLIPPED)


def _evened(contour: Contour) -> Contour:
    """The contour without what steps err by from row to row, which would blur the mean across it."""
    xy = smoothed(contour.xy, _SMOOTH_MM / contour.spacing, contour.closed)
    off = ((xy - contour.xy) * contour.outward).sum(axis=1)
    return Contour(contour.xy + off[:, None] * contour.outward, contour.outward, contour.height, contour.closed)


def _first_step(lengths: Lengths, group: NDArray[np.int_], face_end: float, *, hidden: bool) -> float:
    """Outward place, mm, of a first step inside the one that all see, by the tone across several lengths; else nan.

    hidden : whether the wall is: what then lies between face and ground is shadow, and darker than the ground.
    """
    tone = lengths.tone[group]
    if len(tone) < _LEAST_TOGETHER:
        return float("nan")
    middle = np.median(tone, axis=0)
    contrast = float(np.ptp(middle))
    spread = 1.5 * np.median(np.abs(tone - middle), axis=0) / np.sqrt(len(tone)) + 0.004 * contrast
    sigma = float(lengths.blur[group].mean())
    places = _ACROSS.shifts
    one, two = _pairs(len(places), round(_APART * sigma / _ACROSS.step))
    normal, toward, whole = _normal(middle, 1 / spread**2, sigma)
    single = whole - _explained(normal, toward, np.arange(len(places))[:, None])[0]
    gained, size = _explained(normal, toward, np.column_stack([one, two]))
    best = int(np.argmax(gained))
    first, second = places[one[best]], places[two[best]]
    left = max(whole - float(gained[best]), 1e-9)
    inside = first < face_end - _LEAST_IN and abs(second - face_end) < _FOUND_MM
    face = float(np.median(middle[_ACROSS.offsets < -_DEEP_MM]))
    strong = abs(size[best, 0]) > _LEAST_STEP * contrast
    clear = second - first > _CLEAR_OF_BLUR * sigma and abs(size[best, 0]) > _LEAST_OF_FACE * face
    better = single.min() > _BETTER * left and left < _MOST_LEFT
    may_be = not hidden or size[best, 1] > 0
    return float(first) if inside and (strong or clear) and better and may_be else float("nan")


@cache
def _pairs(count: int, apart: int) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    return np.triu_indices(count, max(apart, 1))


def _normal(tone: FloatArray, weight: FloatArray, sigma: float) -> tuple[FloatArray, FloatArray, float]:
    """Normal matrix, its right side and the weighed square of all tone: level, slopes of face and ground, every step."""
    x, places = _ACROSS.offsets, _ACROSS.shifts
    slopes = [np.ones_like(x), np.minimum(x, 0.0), np.maximum(x - _GROUND_MM, 0.0)]
    parts = np.column_stack([*slopes, risen((x[:, None] - places) / sigma)])
    weighed = parts * weight[:, None]
    return parts.T @ weighed, tone @ weighed, float(weight @ tone**2)


def _explained(normal: FloatArray, toward: FloatArray, steps: NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
    """What each choice (C, k) of steps explains of the weighed square (C,), and their sizes (C, k)."""
    common = np.broadcast_to(np.arange(_COMMON), (len(steps), _COMMON))
    at = np.column_stack([common, steps + _COMMON])
    right = toward[at]
    size = np.linalg.solve(normal[at[:, :, None], at[:, None, :]], right[..., None])[..., 0]
    return np.asarray((size * right).sum(axis=1)), np.asarray(size[:, _COMMON:])
