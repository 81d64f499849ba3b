"""A contour's neighbourhood unrolled: tone along lines square to it, and where that tone steps.

Rows follow the contour, columns run outward from the material. Tone is turned to linear light first, because a blurred
step keeps its middle there and not in file values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View, largest_channel
from capture.edges.steps import clear_steps, placed_steps, slope_across, texture_along
from fit.points import FloatArray

__all__ = [
    "Contour",
    "Lit",
    "Palette",
    "Strip",
    "Tones",
    "at_least",
    "at_most",
    "linear_light",
    "sampled",
    "toned",
    "unroll",
]

_CLIPPED = 0.985
_ROWS_AT_ONCE = 32
_SIDE_MM, _SIDE_PX = (0.12, 0.25, 0.5), (1.5, 2.5, 4.0)


@dataclass(frozen=True, eq=False, slots=True)
class Palette:
    """Hue of bare paper (3,) and the way from it to the part's hue (3,), each as shares of the channels' sum."""

    paper: FloatArray
    to_part: FloatArray

    def part_share(self, tone: NDArray[np.float32]) -> NDArray[np.float32]:
        """How far the hue of tones (M, T, 3) is from paper (0) to part (1); shadow and light leave it alone."""
        import cv2

        along = self.to_part / (self.to_part @ self.to_part)
        weighed, total = np.moveaxis(cv2.transform(tone, np.array([along, np.ones(3)])), -1, 0)
        share = weighed / np.maximum(total, 1e-4)
        share -= self.paper @ along
        return np.clip(share, -0.5, 1.5, out=share)


@dataclass(frozen=True, eq=False, slots=True)
class Lit:
    """A picture in linear light, 65535 white, with the hues of paper and part where these differ enough to tell.

    faintest : slope that counts as texture however smooth the face, as a share of the steepest beside an edge.
    """

    pixels: NDArray[np.uint16]
    palette: Palette | None = None
    faintest: float = 0.02


@dataclass(frozen=True, eq=False, slots=True)
class Contour:
    """Places along an edge: x, y (M, 2) mm on the plane z = height, unit outward normals (M, 2), closed or open."""

    xy: FloatArray
    outward: FloatArray
    height: float
    closed: bool = True

    @property
    def spacing(self) -> float:
        """Mean distance between neighbours, mm."""
        steps = np.diff(self.xy, axis=0, append=self.xy[:1]) if self.closed else np.diff(self.xy, axis=0)
        return float(np.hypot(*steps.T).mean())

    def at(self, offset: FloatArray) -> FloatArray:
        """Places (M, 3) at outward offsets (M,) mm."""
        return np.column_stack([self.xy + offset[:, None] * self.outward, np.full(len(self.xy), self.height)])


@dataclass(frozen=True, eq=False, slots=True)
class Tones:
    """What shows beside a contour: at outward offsets (T,) mm, `step` apart, its tone (M, T, 3), 0 to 1, linear.

    px_per_mm : mean scale of the picture here.
    """

    contour: Contour
    offsets: FloatArray
    step: float
    tone: NDArray[np.float32]
    px_per_mm: float

    @property
    def start(self) -> float:
        """Offset of the first column, mm."""
        return float(self.offsets[0])


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """Tone steps beside a contour.

    Attributes
    ----------
    start, step : mm, outward offset of the first column and between columns.
    strength (M, T) : 0 to 1 at the columns where the tone steps, by how clearly it does over the face's texture.
    shift (M, T) : sub-column place of that step, in columns; None where steps are only counted.
    total (M, T + 1) : strengths summed up to each column.
    hue (M, T + 1) : the part's share of hue summed up to each column; None where hue tells nothing.
    clipped (M, T + 1) : columns so bright that the picture clips them, counted up to each; None where there are none.
    tone (M, T, 3) : what was sampled, 0 to 1, linear; None in strips not made from a picture.
    px_per_mm : mean scale of the picture here.
    """

    contour: Contour
    start: float
    step: float
    strength: FloatArray
    shift: FloatArray | None
    total: FloatArray
    px_per_mm: float
    hue: FloatArray | None = None
    clipped: FloatArray | None = None
    tone: NDArray[np.float32] | None = None

    def between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Strength summed over offsets [low, high), both (..., M), low ones first."""
        more = self.total.take(self._places(high))
        more -= self.total.take(self._places(low))
        return more

    def around(self, offset: FloatArray, reach: float) -> FloatArray:
        """Strength near an offset (..., M), 1 at most."""
        return at_most(self.between(offset - reach, offset + reach), 1.0)

    def thinned(self, every: int) -> Strip:
        """The strip with every n-th row only, for coarse searches."""
        if every == 1:
            return self
        rows = slice(None, None, every)
        hue = None if self.hue is None else self.hue[rows].copy()
        strength, total = self.strength[rows], self.total[rows].copy()
        return replace(self, strength=strength, shift=None, total=total, hue=hue, clipped=None, tone=None)

    def part_share(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Mean share of the part's hue over offsets [low, high), both (..., M)."""
        if self.hue is None:
            return np.zeros(np.broadcast(low, high).shape)
        first, last = self._places(low), self._places(high)
        share = self.hue.take(last)
        share -= self.hue.take(first)
        last -= first
        share /= at_least(last, 1)
        return share

    def glare(self, row: NDArray[np.int_], offset: FloatArray) -> FloatArray:
        """Where steps (N,) at outward offsets have a clipped side: 1 outside, -1 inside, 0 none or both."""
        outside, inside = (self._clipped_beside(row, offset, side) for side in (1.0, -1.0))
        return outside - inside

    def _clipped_beside(self, row: NDArray[np.int_], offset: FloatArray, side: float) -> FloatArray:
        """Share (N,) of one side's tone that is clipped, right beside the step and further on, whichever is less."""
        if self.clipped is None:
            return np.zeros(len(row))
        reach = np.maximum(_SIDE_MM, np.array(_SIDE_PX) / self.px_per_mm)
        at = np.array([self.clipped[row, self._column(offset + side * d)] for d in reach])
        widths = np.diff(reach)[:, None] / self.step
        return np.asarray(np.clip(np.abs(np.diff(at, axis=0)) / widths, 0, 1).min(axis=0))

    def _whole(self, offset: FloatArray) -> NDArray[np.int32]:
        """Columns nearest to offsets, within the strip or not."""
        column = np.asarray(offset - self.start)
        column /= self.step
        np.rint(column, out=column)
        return column.astype(np.int32)  # processors turn floats into short integers several at once, into long ones not

    def _column(self, offset: FloatArray) -> NDArray[np.int32]:
        return at_least(at_most(self._whole(offset), self.total.shape[1] - 1), 0)

    def _places(self, offset: FloatArray) -> NDArray[np.int32]:
        """Where the running sums (M, T + 1) at offsets (..., M) stand, all rows put one after the other."""
        rows, columns = self.total.shape
        place, first = self._whole(offset), np.arange(0, rows * columns, columns, dtype=np.int32)
        place += first
        np.maximum(place, first, out=place)
        return np.minimum(place, first + np.int32(columns - 1), out=place)

    def nearest(self, offset: FloatArray, reach: float) -> tuple[FloatArray, FloatArray]:
        """Offset (M,) and strength (M,) of the best step within `reach` of `offset`; strength 0 where there is none."""
        if self.shift is None:
            message = "Steps of this strip are counted, not placed."
            raise ValueError(message)
        half = round(reach / self.step)
        window = np.arange(-half, half + 1)
        columns = np.rint((offset - self.start) / self.step).astype(int)[:, None] + window
        known = (columns >= 0) & (columns < self.strength.shape[1])
        columns = np.clip(columns, 0, self.strength.shape[1] - 1)
        rows = np.arange(len(columns))[:, None]
        worth = np.where(known, self.strength[rows, columns], 0.0) * (1 - 0.5 * np.abs(window) / max(half, 1))
        best = columns[rows[:, 0], worth.argmax(axis=1)]
        strength = np.where(worth.max(axis=1) > 0, self.strength[rows[:, 0], best], 0.0)
        return self.start + (best + self.shift[rows[:, 0], best]) * self.step, strength


_Array = TypeVar("_Array", bound=NDArray[Any])


def at_most(values: _Array, limit: float) -> _Array:
    """Values (..., M) cut to a limit in place: a third of the time that NumPy takes beside a single number."""
    return np.minimum(values, _row(values, limit), out=values)


def at_least(values: _Array, limit: float) -> _Array:
    """The same from below."""
    return np.maximum(values, _row(values, limit), out=values)


def _row(values: _Array, limit: float) -> _Array:
    row = np.empty(values.shape[-1:], values.dtype)
    row.fill(limit)
    return row  # type: ignore[return-value]


def linear_light(
    pixels: NDArray[np.uint8], where: tuple[slice, slice] = (slice(None), slice(None))
) -> NDArray[np.uint16]:
    """Undo the sRGB curve (IEC 61966-2-1) of an 8-bit picture; 65535 is white. Outside `where` it stays black."""
    import cv2

    level = np.arange(256) / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    curve = np.rint(65535 * linear).astype(np.uint16)
    light = np.zeros(pixels.shape, np.uint16)
    inside, shown = light[where], pixels[where]
    for first in range(0, len(shown), _ROWS_AT_ONCE):  # few enough to stay in the processor's cache
        rows = slice(first, first + _ROWS_AT_ONCE)
        inside[rows] = cv2.LUT(shown[rows], curve)
    return light


def unroll(
    picture: Lit,
    view: View,
    contour: Contour,
    reach: tuple[float, float],
    smooth: float,
    step: float = 0.02,
    *,
    placed: bool = True,
) -> Strip:
    """Sample tone across a contour and find where it steps.

    Parameters
    ----------
    reach : outward offsets of the first and last column, mm. smooth : Gaussian sigma along the contour, mm.
    placed : whether steps are placed to fractions of a column, a quarter of the work; searches only count them.
    """
    tones = toned(picture, view, contour, reach, smooth, step)
    tone, scale = tones.tone, tones.px_per_mm
    sigma = 0.6 / scale / step
    perceived = slope_across(np.sqrt(tone), sigma, step)
    texture = texture_along(perceived, tones.offsets, round(3.0 / contour.spacing), picture.faintest)
    strength, rows, columns = clear_steps(perceived, texture)
    shift = placed_steps(slope_across(tone, sigma, step), rows, columns) if placed else None
    hue = None if picture.palette is None else _summed(picture.palette.part_share(tone))
    clipped = _summed((largest_channel(tone) > _CLIPPED).astype(float)) if tone.max() > _CLIPPED else None
    return Strip(contour, tones.start, step, strength, shift, _summed(strength), scale, hue, clipped, tone)


def toned(picture: Lit, view: View, contour: Contour, reach: tuple[float, float], smooth: float, step: float) -> Tones:
    """Sample tone across a contour, as `unroll` does, and leave it at that."""
    offsets = np.arange(reach[0], reach[1], step)
    tone, px_per_mm = sampled(picture.pixels, view, contour, offsets)
    return Tones(contour, offsets, step, _smooth_rows(tone, smooth / contour.spacing, contour.closed), px_per_mm)


def _summed(values: NDArray[Any]) -> FloatArray:
    """(M, T + 1): sums of the columns before each."""
    sums = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, dtype=float, out=sums[:, 1:])
    return sums


def sampled(
    pixels: NDArray[np.uint16], view: View, contour: Contour, offsets: FloatArray
) -> tuple[NDArray[np.float32], float]:
    """Tone (M, T, 3), 0 to 1. The projection along each line is a quadratic through three exact places."""
    import cv2

    far = float(np.abs(offsets).max())
    rows = len(contour.xy)
    exact = view.project(np.concatenate([contour.at(np.full(rows, s)) for s in (-far, 0.0, far)]))
    back, here, ahead = exact.reshape(3, rows, 2)
    slope, bend = (ahead - back) / (2 * far), (ahead + back - 2 * here) / (2 * far**2)
    powers = np.stack([np.ones_like(offsets), offsets, offsets**2])
    column, row = (np.column_stack([here[:, i], slope[:, i], bend[:, i]]) @ powers for i in (0, 1))
    column, row = column.astype(np.float32), row.astype(np.float32)
    tone = cv2.remap(pixels, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    tone = np.divide(tone.reshape(*row.shape, -1), np.float32(65535), dtype=np.float32)
    return tone, float(np.linalg.norm(slope, axis=1).mean())


def _smooth_rows(tone: NDArray[np.float32], sigma: float, closed: bool) -> NDArray[np.float32]:
    """Smooth along the contour; the ring of a closed one wraps."""
    import cv2

    if sigma < 0.3:
        return tone
    pad = int(3 * sigma) + 1
    rows, columns, channels = tone.shape
    sheet = tone.reshape(rows, columns * channels)
    if closed:
        sheet = np.concatenate([sheet[np.arange(-pad, 0) % rows], sheet, sheet[np.arange(pad) % rows]])
    else:
        sheet = cv2.copyMakeBorder(sheet, pad, pad, 0, 0, cv2.BORDER_REPLICATE)
    kernel = cv2.getGaussianKernel(2 * pad + 1, sigma)
    smoothed = cv2.sepFilter2D(np.ascontiguousarray(sheet), cv2.CV_32F, np.ones(1), kernel)
    return np.asarray(smoothed[pad : pad + rows]).reshape(rows, columns, channels)
