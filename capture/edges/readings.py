"""What the tone steps beside a rounded edge may be: every reading of each step, and where it would put the contour.

A rounded edge shows a band between the end of the flat face and the outline of the solid. Where light makes the band
brighter or darker than both its sides, it shows two steps, which blur drives apart; else one step lies anywhere from one
side of the band to the other, where depends on how the metal shines in this light. That is much the same along all edges
of one photo, so a `LOOK` says where single steps lie, and the looks are weighed by how well they agree with everything
seen. The lower rim, where the wall shows, knows no rounding, but lies in its own shadow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.rims import FACE_LINE, HIDDEN, LOWER, Sheet
from capture.edges.strip import Strip
from fit.points import FloatArray

__all__ = ["HIDDEN_LOOKS", "WALL_LOOKS", "Look", "Readings", "readings"]

_BAND, _OUTLINE, _MIDDLE, _FACE = range(4)
_WALL_BAND, _WALL_ANY, _WALL_FACE, _WALL_MIDDLE, _WALL_FOOT = range(4, 9)
_LOWER, _KINDS = 9, 10
_AS_POINTS = np.array([HIDDEN, HIDDEN, FACE_LINE, FACE_LINE, *[FACE_LINE] * 5, LOWER])

_WALL_SEEN_MM = 0.06
_FAINT = 0.03
_STEP_U, _END_U, _BAND_U, _LOWER_U = 0.025, 0.035, 0.04, 0.06
_FOOT_MM = 0.04
"""mm. The shadow in the corner of wall and bench moves the lower rim outward."""
_SMOOTHED_PX = (0.6, 0.35)
"""What unrolling adds to a picture's blur: the smoothing before steps are sought, and sampling between pixels."""
_PAIR_MORE_MM, _PAIR_LEAST, _PAIR_RATIO, _PAIR_WORTH = 0.08, 0.6, 0.15, 1.5
_WALL_PLACES = ((_WALL_FACE, 0.2), (_WALL_MIDDLE, 0.5), (_WALL_FOOT, 0.8))
_WALL_SPREAD, _LOWER_WORTH = 0.1, 1.2
_GLARE_PX, _GLARE_U_PX = 0.7, 0.4
_NEAR_MM = 0.6
_HUE_MM, _LEAST_HUE = (0.08, 0.28), 0.1
_WALL_DRIVEN = 0.5


@dataclass(frozen=True, eq=False, slots=True)
class Readings:
    """Readings (N,) of the steps beside a contour.

    row : of the strip. offset : outward, of the step as seen, mm. place, spread : where it puts the true contour and the
    standard uncertainty of that, mm. worth : how clear the step is. kind : which reading. inset : how far inside the
    contour, in plan, that line is taken to lie, mm; glare comes on top.
    """

    row: NDArray[np.int_]
    offset: FloatArray
    place: FloatArray
    spread: FloatArray
    worth: FloatArray
    kind: NDArray[np.int_]
    inset: FloatArray

    @property
    def as_points(self) -> NDArray[np.int_]:
        """HIDDEN, LOWER or FACE_LINE for each."""
        return np.asarray(_AS_POINTS[self.kind])


@dataclass(frozen=True, eq=False, slots=True)
class Look:
    """One way the edge may look: credit beforehand, and weight (K,) of each kind of reading."""

    credit: float
    weights: FloatArray


def _look(credit: float, weights: dict[int, float]) -> Look:
    full = np.zeros(_KINDS)
    full[list(weights)] = list(weights.values())
    return Look(credit, full)


def _hidden(credit: float, outline: float, middle: float, face: float) -> Look:
    return _look(credit, {_BAND: 1.0, _OUTLINE: outline, _MIDDLE: middle, _FACE: face})


def _walled(kind: int) -> Look:
    return _look(1 / 3, {_WALL_BAND: 1.0, _WALL_ANY: 0.4, kind: 0.6, _LOWER: 1.0})


HIDDEN_LOOKS = (
    _hidden(0.5, 0.8, 0.15, 0.05),
    _hidden(0.35, 0.2, 0.6, 0.2),
    _hidden(0.15, 0.05, 0.15, 0.8),
)
"""Where the wall is hidden the outline, with paper behind it, mostly gives the clearer step."""
WALL_LOOKS = tuple(_walled(kind) for kind, _ in _WALL_PLACES)


@dataclass(frozen=True, eq=False, slots=True)
class _Steps:
    """Steps (N,) and the band each may belong to: its width (mm), its outer side outward from the contour, and how far
    blur drives the lines of a bright or dark band from its sides.
    """

    row: NDArray[np.int_]
    offset: FloatArray
    glare: FloatArray
    worth: FloatArray
    rise: FloatArray
    wall: FloatArray
    outer: FloatArray
    width: FloatArray
    apart: FloatArray
    sigma: float

    @property
    def at(self) -> FloatArray:
        """Offsets with what burnt-out light does to them undone."""
        return np.asarray(self.offset + _GLARE_PX * self.glare)

    @property
    def seen(self) -> NDArray[np.bool_]:
        return np.asarray(self.wall > _WALL_SEEN_MM)


def readings(strip: Strip, sheet: Sheet, wall: FloatArray, blur_px: float) -> Readings:
    """All readings of the steps on a strip made along a contour with the seen wall (M,) of a sheet with a rounded edge.

    blur_px : the picture's own blur (standard deviation), px.
    """
    steps = _steps(strip, sheet, wall, float(np.hypot(blur_px, np.hypot(*_SMOOTHED_PX))) / strip.px_per_mm)
    pairs, alone = _paired(steps)
    told = [*_pair_readings(steps, sheet, pairs), *_single_readings(steps, sheet, alone), _lower_readings(steps)]
    index, kind, place, spread, share = (np.concatenate(parts) for parts in zip(*told, strict=True))
    near = np.abs(place) < _NEAR_MM
    index, kind, place, spread, share = (a[near] for a in (index.astype(int), kind.astype(int), place, spread, share))
    spread = np.hypot(spread, _GLARE_U_PX * np.abs(steps.glare[index]))
    inset = place - steps.at[index] + np.where(kind == _LOWER, steps.wall[index], 0.0)
    worth = share * steps.worth[index] * _hue_worth(strip, steps, kind == _LOWER, index)
    return Readings(steps.row[index], steps.offset[index], place, spread, worth, kind, inset)


def _hue_worth(strip: Strip, steps: _Steps, lower: NDArray[np.bool_], index: NDArray[np.int_]) -> FloatArray:
    """Where hue tells part from paper: an upper line has the part inside, a lower rim paper outside; shadows' edges not."""
    if strip.hue is None:
        return np.ones(len(index))
    row, at, (near, far) = steps.row[index], steps.offset[index], _HUE_MM
    inside, outside = strip.part_share(at - far, at - near, row), strip.part_share(at + near, at + far, row)
    return np.clip(np.where(lower, 1.0 - outside, inside), _LEAST_HUE, 1.0)


def _steps(strip: Strip, sheet: Sheet, wall: FloatArray, sigma: float) -> _Steps:
    row, offset, strength, rise = strip.steps()
    size = np.abs(rise) * np.sqrt(2 * np.pi) * sigma
    here = wall[row]
    # The wall begins a rounding's radius below the face, which shows a share of the whole wall further out.
    below = sheet.rounding / max(sheet.thickness, sheet.rounding)
    outer = np.where(here > _WALL_SEEN_MM, below * np.maximum(here, 0.0), -sheet.outline_shift(wall)[row])
    width = sheet.rounding + outer
    return _Steps(
        row,
        offset,
        strip.glare(row, offset) / strip.px_per_mm,
        strength * size / (size + _FAINT),
        rise,
        here,
        outer,
        width,
        np.hypot(width / 2, sigma) - width / 2,
        sigma,
    )


def _paired(steps: _Steps) -> tuple[NDArray[np.int_], NDArray[np.bool_]]:
    """First of each two neighbours (P,) that may be the two sides of one band, and which steps (N,) are in no pair."""
    first = np.arange(max(len(steps.row) - 1, 0))
    after = first + 1
    gap = steps.at[after] - steps.at[first]
    size = np.abs(steps.rise)
    less, more = np.minimum(size[first], size[after]), np.maximum(size[first], size[after])
    band = (steps.row[first] == steps.row[after]) & (steps.rise[first] * steps.rise[after] < 0)
    band &= (gap > _PAIR_LEAST * steps.width[first]) & (less > _PAIR_RATIO * more)
    band &= gap < steps.width[first] + 2 * steps.apart[first] + _PAIR_MORE_MM
    pairs = first[band]
    alone = np.ones(len(steps.row), bool)
    alone[pairs] = alone[pairs + 1] = False
    return pairs, alone


_Told = tuple[NDArray[np.int_], NDArray[np.int_], FloatArray, FloatArray, FloatArray]


def _told(
    index: NDArray[np.int_], kind: int, place: FloatArray, spread: FloatArray | float, share: float = 1.0
) -> _Told:
    like = np.ones(len(index))
    return index, np.full(len(index), kind), place, spread * like, share * like


def _pair_readings(steps: _Steps, sheet: Sheet, first: NDArray[np.int_]) -> list[_Told]:
    """A band's middle is told without its blur; where the wall shows, a highlight need not fill the band."""
    last = first + 1
    middle = (steps.at[first] + steps.at[last]) / 2
    place = middle + (sheet.rounding - steps.outer[first]) / 2
    fainter = np.where(steps.worth[last] < steps.worth[first], last, first)
    told = []
    for kind, chosen, spread in (
        (_BAND, ~steps.seen[first], np.full(len(first), _BAND_U)),
        (_WALL_BAND, steps.seen[first], np.hypot(_BAND_U, 0.7 * steps.width[first] / np.sqrt(12))),
    ):
        told.append(_told(fainter[chosen], kind, place[chosen], spread[chosen], _PAIR_WORTH))
    return told


def _single_readings(steps: _Steps, sheet: Sheet, alone: NDArray[np.bool_]) -> list[_Told]:
    """One step alone lies at either side of the band or anywhere between."""
    hidden, walled = np.flatnonzero(alone & ~steps.seen), np.flatnonzero(alone & steps.seen)
    at, outer, width = steps.at, steps.outer, steps.width
    anywhere = np.hypot(width / np.sqrt(12), _STEP_U)
    middle = at + (sheet.rounding - outer) / 2
    told = [
        _told(hidden, _OUTLINE, (at - outer)[hidden], _END_U),
        _told(hidden, _MIDDLE, middle[hidden], anywhere[hidden]),
        _told(hidden, _FACE, (at + sheet.rounding)[hidden], _END_U),
        _told(walled, _WALL_ANY, middle[walled], anywhere[walled]),
    ]
    for kind, share in _WALL_PLACES:
        place = at + sheet.rounding - share * width
        told.append(_told(walled, kind, place[walled], np.hypot(_STEP_U, _WALL_SPREAD * width)[walled]))
    return told


def _lower_readings(steps: _Steps) -> _Told:
    walled = np.flatnonzero(steps.seen)
    # A wall narrower than the blur is a dark band of its own, whose lines are driven apart.
    driven = _WALL_DRIVEN * (np.hypot(steps.wall / 2, steps.sigma) - steps.wall / 2)
    place, spread = steps.at - steps.wall - _FOOT_MM - driven, np.hypot(_LOWER_U, driven)
    return _told(walled, _LOWER, place[walled], spread[walled], _LOWER_WORTH)
