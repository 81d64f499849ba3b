"""On which side of an edge the metal lies, told by the look of the metal beside the other picks of the same sheet.

A dark band between two bright areas may be wall and shadow of a sheet on either side of it. Round a hole there is metal
all about, and many edges leave no doubt; what their metal looks like tells the doubtful ones apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from capture.edges.flatten import View
from capture.edges.strip import Contour, Lit
from fit.points import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capture.edges.candidates import Candidate, Lead
    from capture.edges.open_ground import OpenGround

    _Apart = Callable[[Candidate, Candidate], float]

__all__ = ["HELD_SHARE", "face_tone", "ground_tone", "metal_tones", "of_this_metal", "share_of_metal"]

_INSIDE_MM, _OUTSIDE_MM = (-2.2, -0.7), (3.5, 6.0)
_SURE_SHARE = 0.5
_DEEP_MM, _JUST_INSIDE_MM, _HUES_APART = (-5.0, -3.0), (-0.6, -0.2), 0.5
"""Outward of an edge, mm: its metal, and what a shadow's end has the ground's hue in; how far apart in hue both must be."""
_ALIKE, _ALIKE_IN_HUE, _UNLIKE = 0.08, 0.125, 2.0
"""Metal of one sheet under one light is alike to this in the logarithm of tone; what is this many times farther from it
than another candidate's is not metal."""
_HUE_TIMES = 3.0
"""Light changes the tone of a metal so many times more than its hue."""
_ODD, _ENOUGH, _NEAREST = 0.25, 3, 3
HELD_SHARE, _HOLE_MM = 0.35, 250.0
_BAND_ROWS = 6
_SAME_EDGE_MM, _CROSSING_MM = 5.0, 0.5
"""How near a hole must lie to tell on which side of an edge metal is, and the least share of the best score of a candidate
so told; lines that start nearer to the edge may be its own."""
_GROUND_TELLS = 2.5
"""Logarithm of how much likelier metal and ground must be the other way round."""
_LEAST_SHARE = 0.5
"""Of the best score, below which a candidate is not what is meant, whatever its metal looks like."""


def face_tone(lit: Lit, view: View, contour: Contour) -> FloatArray:
    """Logarithm of the median tone (3,) in linear light of the metal just inside a contour."""
    return _tone(lit, view, contour, _INSIDE_MM)


def ground_tone(lit: Lit, view: View, contour: Contour) -> FloatArray:
    """Logarithm of the median tone (3,) in linear light of what lies outside a contour, clear of a thin sheet's shadow."""
    return _tone(lit, view, contour, _OUTSIDE_MM)


def share_of_metal(lit: Lit, view: View, contour: Contour, ground: FloatArray) -> float:
    """How far the hue just inside a contour is from the ground's (its tone (3,) given; 0) to the metal's deeper inside (1);
    1 where the two hardly differ. A shadow's end has the ground's hue on both its sides.
    """
    away = _hue(_tone(lit, view, contour, _DEEP_MM) - ground)
    if _HUE_TIMES * np.abs(away).max() < _HUES_APART:
        return 1.0
    near = _tone(lit, view, contour, _JUST_INSIDE_MM)
    return float(_hue(near - ground) @ away / (away @ away))


def _hue(tone: FloatArray) -> FloatArray:
    return tone - tone.mean()


def _tone(lit: Lit, view: View, contour: Contour, band: tuple[float, float]) -> FloatArray:
    import cv2

    rows = np.full(len(contour.xy), 1.0)
    places = np.concatenate([contour.at(at * rows) for at in np.linspace(*band, _BAND_ROWS)])
    # OpenCV takes pictures of less than 32767 px a side: an outline of two metres has more places than that
    px = view.project(places).astype(np.float32).reshape(_BAND_ROWS, -1, 2)
    tone = cv2.remap(lit.pixels, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.log(np.median(tone.reshape(len(places), -1) / 65535, axis=0) + 1e-3)


def metal_tones(leads: Sequence[Lead]) -> list[Candidate]:
    """The candidates of one sheet that show metal beyond doubt; of three or more, those unlike all others are left out."""
    sure = [one.candidates[0] for one in leads if _sure(one)]
    if len(sure) < _ENOUGH:
        return sure
    return [c for c in sure if min(_differ(c, other) for other in sure if other is not c) < _ODD]


def _differ(one: Candidate, other: Candidate) -> float:
    return max(_tones_apart(one, other), _hue_apart(one.tone, other.tone))


def _sure(one: Lead) -> bool:
    """A hole has metal all about it; an edge is sure when nothing with its metal elsewhere does nearly as well."""
    first = one.candidates[0]
    if first.circles or one.pick.metal:
        return True
    others = [c for c in one.candidates if c.metal != first.metal]
    return bool(others) and all(c.score < _SURE_SHARE * first.score for c in others)


def of_this_metal(
    one: Lead, metal: Sequence[Candidate], leads: Sequence[Lead], ground: OpenGround | None = None
) -> list[Candidate]:
    """The candidates of a pick beyond which the open ground lies, whose metal reaches to a hole nearby or else looks like
    the sheet's; all of them where nothing tells. leads : of all picks of the sheet. ground : what it looks like, if known.
    """
    if one.candidates[0].circles or one.pick.metal:
        return list(one.candidates)
    candidates = _off_the_ground(one, ground) if ground else list(one.candidates)
    held = _with_a_hole(one, leads, candidates)
    if held and max(c.score for c in held) > HELD_SHARE * one.candidates[0].score:
        candidates = held
    if not metal or _sure(one):
        return candidates
    first, *others = candidates
    likely = [first, *(c for c in others if c.score > _LEAST_SHARE * first.score)]
    told = [_told(likely, metal, _tones_apart, _ALIKE), _told(likely, metal, _hues_apart, _ALIKE_IN_HUE)]
    kept = [candidate for i, candidate in enumerate(likely) if all(alike[i] for alike in told)]
    return kept or candidates


def _off_the_ground(one: Lead, ground: OpenGround) -> list[Candidate]:
    """The candidates whose metal is not what is known to be ground; all where that would leave none that explains much."""
    likely = [c for c in one.candidates if ground.favours(c.contour, c.tone, c.ground) > -_GROUND_TELLS]
    enough = HELD_SHARE * one.candidates[0].score
    return likely if any(c.score > enough for c in likely) else list(one.candidates)


def _told(likely: Sequence[Candidate], metal: Sequence[Candidate], apart: _Apart, alike: float) -> NDArray[np.bool_]:
    """Which candidates (C,) may be this metal. Brushed metal mirrors the room: where pieces of it differ among themselves,
    by so much may a candidate, and where none is like any, nothing is told.
    """
    unlike = np.array([_unlikeness(candidate, metal, apart) for candidate in likely])
    among = [apart(one, other) for i, one in enumerate(metal) for other in metal[:i]]
    usual = max(float(unlike.min()), alike, float(np.median(among)) if among else 0.0)
    return (unlike <= _UNLIKE * usual) | bool(unlike.min() > _ODD)


def _with_a_hole(one: Lead, leads: Sequence[Lead], candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates with the nearest hole abreast of them on their metal's side, if no other edge lies between: all about a
    hole there is metal.
    """
    line = one.candidates[0].contour
    holes = [other.candidates[0].circles[0] for other in leads if other.candidates[0].circles]
    middles = [np.array([hole.x, hole.y]) for hole in holes]
    feet = [_foot(line, middle) for middle in middles]
    far = np.array([away for away, _ in feet])
    if not len(far) or far.min() > _HOLE_MM:
        return []
    nearest = int(far.argmin())
    foot, middle = feet[nearest][1], middles[nearest]
    if far[nearest] < holes[nearest].radius + _SAME_EDGE_MM:  # it may be the hole's own rim
        return []
    edges = [other.candidates[0] for other in leads if other is not one]
    if any(not edge.circles and _between(edge.contour.xy, foot, middle) for edge in edges):
        return []
    return [c for c in candidates if _inside(c.contour, middle)]


def _foot(line: Contour, place: FloatArray) -> tuple[float, FloatArray]:
    """Distance from a place to a line, mm, and the line's nearest point; infinite where that is an open line's end."""
    away = np.hypot(*(line.xy - place).T)
    at = int(np.argmin(away))
    inner = line.closed or 0 < at < len(away) - 1
    return (float(away[at]) if inner else np.inf), line.xy[at]


def _between(line: FloatArray, foot: FloatArray, place: FloatArray) -> bool:
    """Whether a line (N, 2) crosses the way from a foot to a place, farther from the foot than edges near it may lie."""
    way = place - foot
    length = float(np.hypot(*way))
    along, across = (line - foot) @ way / length, (line - foot) @ np.array([-way[1], way[0]]) / length
    return bool(((np.abs(across) < _CROSSING_MM) & (along > _SAME_EDGE_MM) & (along < length)).any())


def _inside(line: Contour, place: FloatArray) -> bool:
    at = int(np.argmin(((line.xy - place) ** 2).sum(axis=1)))
    return bool((place - line.xy[at]) @ line.outward[at] < 0)


def _unlikeness(candidate: Candidate, metal: Sequence[Candidate], apart: _Apart) -> float:
    """How far a candidate is from the likest of the three nearest pieces of metal."""
    middle = candidate.contour.xy.mean(axis=0)
    near = sorted(metal, key=lambda m: float(np.hypot(*(m.contour.xy.mean(axis=0) - middle))))[:_NEAREST]
    return min(apart(candidate, m) for m in near)


def _tones_apart(one: Candidate, other: Candidate) -> float:
    return float(np.abs(one.tone - other.tone).max())


def _hues_apart(one: Candidate, other: Candidate) -> float:
    """Of the metal and, beside edges, of the ground: shadows change its tone, not its hue."""
    ground = 0.0 if one.circles or other.circles else _hue_apart(one.ground, other.ground)
    return math.hypot(_hue_apart(one.tone, other.tone), ground)


def _hue_apart(one: FloatArray, other: FloatArray) -> float:
    """How far apart in hue two logarithms of tone (3,) are, as much as light alone may set two tones apart."""
    return float(_HUE_TIMES * np.abs(_hue(one - other)).max())
