"""The light on the paper of one photo: the open paper's tone over the sheet, and the sheet's own shadows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.edges.lengths import FARTHER, NEAR, Lengths
from capture.edges.shade import Beside, Shade, fitted_shade, missed_by, refitted_shade
from fit.points import FloatArray

if TYPE_CHECKING:
    from capture.edges.rims import Sheet

__all__ = ["PaperLight", "light_in_holes", "light_on_paper"]

_OUTERMOST = 6
_SIZE_MM = 40.0
_ROUNDS = 8
_BLURS, _BESIDE_MM, _SURE_MM = 2.2, 0.02, 0.35
_FARTHEST_MM, _HOLE_SHARE, _HOLE_LEAST_MM = 4.3, 0.9, 0.5
_DARKEST, _BRIGHTEST = 0.05, 1.25
_EVERY, _NEAREST_MM = 3, 0.1
_LEAST_TONE, _LEAST_SAMPLES = 1e-3, 200
_MISSED, _BETTER = 1.3, 1.8
"""Light that explains what shows in round holes worse than this, and so many times worse than holes alone can, is not theirs.
On 60 ray-traced plates the three whose outline ran on a shadow's end came to 2.8 to 5.9 times, all but five others to less
than 1.8."""


@dataclass(frozen=True, eq=False, slots=True)
class PaperLight:
    """level (6,) : the open paper's tone as a quadratic over places from the middle (2,) of the sheet, in `_SIZE_MM`."""

    shade: Shade
    level: FloatArray
    middle: FloatArray

    def with_rounding(self, radius: float) -> PaperLight:
        """The same beside edges of another rounding."""
        return replace(self, shade=replace(self.shade, rounding=radius))

    def off(self, xy: FloatArray) -> FloatArray:
        """Places (W, 2) from the middle of the sheet, mm."""
        return xy - self.middle

    def open_at(self, xy: FloatArray) -> FloatArray:
        """Tone (W,) of open paper at places (W, 2)."""
        return np.maximum(_powers(self.off(xy)) @ self.level, _LEAST_TONE)


def light_on_paper(
    outline: Lengths, holes: Sequence[tuple[Lengths, float]], sheet: Sheet, before: PaperLight | None = None
) -> PaperLight:
    """From the lengths of the outline and of round holes with their radii (mm).

    before : the light as told by contours less good than these; without it the paper nearest to the edges is left out,
    since they may be a few tenths off.
    """
    middle = outline.middle.mean(axis=0) if before is None else before.middle
    level = _open_level(outline, middle)
    beside = _together([(outline, _FARTHEST_MM), *_in_holes(holes)], level, middle, before is not None)
    if before is None:
        return PaperLight(fitted_shade(beside, sheet.thickness, sheet.rounding), level, middle)
    return PaperLight(refitted_shade(beside, replace(before.shade, rounding=sheet.rounding)), level, middle)


def light_in_holes(light: PaperLight, holes: Sequence[tuple[Lengths, float]]) -> PaperLight | None:
    """What round holes alone tell of the light, where that is other than what all edges together told; else None.

    A ring is round, so it is not taken for its shadow's end, as a stretch of an outline may be.
    """
    if not holes:
        return None
    beside = _together(_in_holes(holes), light.level, light.middle, sure=False)
    missed = missed_by(light.shade, beside)
    if len(beside.tone) < _LEAST_SAMPLES or missed < _MISSED:
        return None
    shade = refitted_shade(beside, light.shade, roughly=True)
    return replace(light, shade=shade) if missed_by(shade, beside) * _BETTER < missed else None


def _in_holes(holes: Sequence[tuple[Lengths, float]]) -> list[tuple[Lengths, float]]:
    """Lengths of holes, each with how far from its wall the paper shows, mm."""
    return [(hole, max(_HOLE_LEAST_MM, _HOLE_SHARE * radius)) for hole, radius in holes]


def _together(told: Sequence[tuple[Lengths, float]], level: FloatArray, middle: FloatArray, sure: bool) -> Beside:
    """The samples of several edges, each out to its own distance, mm."""
    parts = [_beside(lengths, level, middle, farthest, sure) for lengths, farthest in told]
    return Beside(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def _powers(off: FloatArray) -> FloatArray:
    x, y = off.T / _SIZE_MM
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def _open_level(outline: Lengths, middle: FloatArray) -> FloatArray:
    """Quadratic through the tone farthest outside the outline, robust against what else lies there."""
    tone, rows = np.median(outline.far[:, -_OUTERMOST:], axis=1), _powers(outline.middle - middle)
    weight = np.ones(len(tone))
    for _ in range(_ROUNDS):
        level = np.linalg.lstsq(rows * weight[:, None], tone * weight, rcond=None)[0]
        off = tone - rows @ level
        weight = 1 / (1 + (off / (3 * float(np.median(np.abs(off))) + 0.004)) ** 2)
    return np.asarray(level)


def _beside(
    lengths: Lengths, level: FloatArray, middle: FloatArray, farthest: float, sure: bool
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Tone, distance from the foot, facing and place of the samples of paper."""
    near = (NEAR.offsets > _NEAREST_MM) & (FARTHER[0] > NEAR.offsets)
    offset = np.r_[NEAR.offsets[near][::_EVERY], FARTHER]
    place = lengths.middle - middle
    seen = np.concatenate([lengths.tone[:, near][:, ::_EVERY], lengths.far], axis=1)
    tone = seen / (_powers(place) @ level)[:, None]
    wall = np.maximum(lengths.wall, 0.0)
    clear = _BLURS * lengths.blur + _BESIDE_MM if sure else np.full(len(wall), _SURE_MM)
    use = (offset > (wall + clear)[:, None]) & (offset < farthest) & (tone > _DARKEST) & (tone < _BRIGHTEST)
    row, column = np.nonzero(use)
    return tone[use], offset[column] - lengths.wall[row], lengths.facing[row], place[row]
