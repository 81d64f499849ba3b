"""Whether a sheet's edges are rounded, told by the shape of their tone steps.

A sharp edge is as steep as the picture's blur lets it be, on the metal's side at least, where no shadow falls. A rounded
one shows a band between the end of the flat face and the outline of the solid. Where light makes the band brighter or
darker than both its sides it shows two opposite steps, about as far apart as blur drives the sides of any narrow band;
elsewhere one step that is wider than blur alone. Shadows make such pairs and wide steps too, but along the edges that face
away from the light only and mostly wider apart; so all that an edge shows is averaged over where it faces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View
from capture.edges.strip import Contour, Strip
from fit.points import FloatArray

__all__ = ["NO_SHAPES", "StepShapes", "rounded_share", "step_shapes"]

_WINDOW_MM = 3.0
_REACH_MM, _BESIDE_MM = 0.9, 0.6
_HIDDEN_MM = -0.02
_SMOOTH_PX, _SAMPLED_PX, _FOLLOWED_MM = 0.6, 0.3, 0.015
"""What blurs an averaged step besides the picture's blur: smoothing, sampling between pixels, the line followed."""
_LEAST_STEP = 0.15
_BAND_MM = 0.24
_WIDE = 1.1
_SECTORS = 12
_WIDE_CREDIT = 0.4
_EVEN, _DOUBTFUL = 0.19, 0.035
"""The evidence at which rounded and sharp are as likely, and how much more makes it e times likelier. On 45 ray-traced
plates of 5 and 12 MP sharp edges gave 0.02 to 0.18; rounded ones of bare metal 0.18 to 0.5, of matt paint, which shows the
outline alone and so does as well as sharp, 0.05 to 0.3."""


@dataclass(frozen=True, eq=False, slots=True)
class StepShapes:
    """What an edge shows, each (W,) for short lengths of it: where it faces, radians; whether as a pair of steps such as a
    rounding shows; whether as one step wider than blur.
    """

    facing: FloatArray
    paired: NDArray[np.bool_]
    wide: NDArray[np.bool_]


NO_SHAPES = StepShapes(np.zeros(0), np.zeros(0, bool), np.zeros(0, bool))
"""Of an edge that shows none."""


def step_shapes(strip: Strip, view: View, at: FloatArray, wall: FloatArray, blur_px: float) -> StepShapes:
    """Shapes of the steps along an edge that runs at outward offsets (M,) on a strip, where its wall (M,) is hidden.

    blur_px : the picture's own blur (standard deviation), px.
    """
    profile, x = _profiles(strip, at)
    length = max(1, round(_WINDOW_MM / strip.contour.spacing))
    groups = [slice(i, i + length) for i in range(0, len(at) - length + 1, length)]
    groups = [rows for rows in groups if (wall[rows] < _HIDDEN_MM).all()]
    scale = _scale_across(view, strip.contour)
    told = [_shape(profile[rows].mean(axis=0), x, float(scale[rows].mean()), blur_px) for rows in groups]
    outward = np.array([strip.contour.outward[rows].mean(axis=0) for rows in groups]).reshape(-1, 2)
    paired, wide = np.array(told, bool).reshape(-1, 2).T
    return StepShapes(np.arctan2(outward[:, 1], outward[:, 0]), paired, wide)


def rounded_share(shapes: Sequence[StepShapes]) -> float:
    """How likely it is, 0 to 1, that the edges are rounded and show it."""
    facing, paired, wide = (
        np.concatenate([getattr(shape, name) for shape in shapes]) for name in ("facing", "paired", "wide")
    )
    sector = np.floor((facing + np.pi) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
    told = paired + _WIDE_CREDIT * wide
    if not len(told):
        return 0.5
    evidence = float(np.mean([told[sector == one].mean() for one in np.unique(sector)]))
    return float(1 / (1 + np.exp((_EVEN - evidence) / _DOUBTFUL)))


def _profiles(strip: Strip, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Perceived brightness (M, C) of every row about its own offset, and the columns' offsets (C,) from it, mm."""
    assert strip.tone is not None
    reach = round(_REACH_MM / strip.step)
    window = np.arange(-reach, reach + 1)
    middle = np.rint((at - strip.start) / strip.step).astype(int)
    columns = np.clip(middle[:, None] + window, 0, strip.tone.shape[1] - 1)
    rows = np.arange(len(at))[:, None]
    perceived: FloatArray = np.sqrt(strip.tone[rows, columns].mean(axis=2)).astype(float)
    return perceived, np.asarray(window * strip.step, dtype=float)


def _scale_across(view: View, contour: Contour) -> FloatArray:
    """Pixels per mm (M,) square to the edge."""
    half = np.full(len(contour.xy), 0.5)
    return np.asarray(np.linalg.norm(view.project(contour.at(half)) - view.project(contour.at(-half)), axis=1))


def _shape(profile: FloatArray, x: FloatArray, scale: float, blur_px: float) -> tuple[bool, bool]:
    """Whether one averaged profile shows a rounding's pair of steps, and whether one step wider than blur."""
    step = x[1] - x[0]
    slope = np.gradient(_smoothed(profile, _SMOOTH_PX / scale / step), step)
    size = np.abs(slope)
    beside = np.abs(x) < _BESIDE_MM
    peak = beside[1:-1] & (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:])
    peak &= size[1:-1] >= _LEAST_STEP * size[beside].max()
    places = np.flatnonzero(peak) + 1
    if not len(places):
        return False, False
    blur = float(np.hypot(np.linalg.norm([blur_px, _SAMPLED_PX, _SMOOTH_PX]) / scale, _FOLLOWED_MM))
    main = places[size[places].argmax()]
    opposite = places[slope[places] * slope[main] < 0]
    if len(opposite):
        apart = float(np.abs(_top(size, x, opposite) - _top(size, x, np.array([main]))).min())
        return (apart / 2) ** 2 - blur**2 < (_BAND_MM / 2) ** 2, False
    return False, _inner_half_width(size, x, int(places[0])) > _WIDE * np.sqrt(2 * np.log(2)) * blur


def _smoothed(profile: FloatArray, sigma: float) -> FloatArray:
    half = int(4 * sigma) + 1
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    return np.convolve(np.pad(profile, half, mode="edge"), kernel / kernel.sum(), "valid")


def _top(size: FloatArray, x: FloatArray, at: NDArray[np.int_]) -> FloatArray:
    """Places of maxima between the columns, by a parabola through three."""
    before, here, after = size[at - 1], size[at], size[at + 1]
    bend = np.minimum(before - 2 * here + after, -1e-12)
    return np.asarray(x[at] + (x[1] - x[0]) * np.clip((before - after) / (2 * bend), -1, 1))


def _inner_half_width(size: FloatArray, x: FloatArray, peak: int) -> float:
    """From the innermost maximum inward to half of it, mm."""
    low = np.flatnonzero(size[:peak] <= size[peak] / 2)
    if not len(low):
        return float(x[peak] - x[0])
    i = int(low[-1])
    share = (size[peak] / 2 - size[i]) / (size[i + 1] - size[i])
    return float(_top(size, x, np.array([peak]))[0] - x[i] - share * (x[1] - x[0]))
