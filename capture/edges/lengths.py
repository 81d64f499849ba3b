"""Tone across short lengths of an edge, averaged along each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.flatten import largest_channel
from capture.edges.rims import Sheet
from capture.edges.strip import Contour, Lit, sampled
from fit.points import FloatArray

__all__ = ["BENCH", "FARTHER", "NEAR", "WIDE", "Across", "Lengths", "joined", "lengths_along"]

FARTHER: FloatArray = np.arange(1.5, 4.6, 0.2, dtype=np.float64)
"""Outward offsets at which tone is sampled farther out, mm."""
_SAMPLED_PX = 0.3
_BURNT, _MOSTLY = 0.97, 0.9


@dataclass(frozen=True, eq=False, slots=True)
class Across:
    """What is sampled across an edge, and which places of the edge are tried on that.

    step : mm between samples; first, last : of them, in steps outward. moves : places of the edge tried, in steps.
    thin : every so many samples are compared. face, paper : mm of them that count. noise : what a profile that is
    understood may be off by, as a share of the paper's tone. sloping : the face's tone may run on a slope.
    """

    step: float
    first: int
    last: int
    moves: NDArray[np.int_]
    thin: int
    face: float
    paper: float
    noise: float
    sloping: bool = False

    @property
    def offsets(self) -> FloatArray:
        """(D,) outward, mm."""
        return np.arange(self.first, self.last, dtype=np.float64) * self.step

    @property
    def shifts(self) -> FloatArray:
        """(S,) outward places of the edge tried, mm."""
        return np.asarray(self.moves * self.step)


NEAR = Across(0.04, -26, 36, np.arange(-14, 15), 2, 0.5, 0.8, 0.004)
WIDE = Across(0.08, -44, 46, np.arange(-36, 32, 2), 1, 3.4, 3.5, 0.01, sloping=True)
"""A few tenths of a millimetre to either side, and as far as a shadow's other end may lie; of the former every other sample
is compared, as blur leaves no more to be told."""
BENCH = Across(0.04, -46, 60, NEAR.moves, 2, 1.6, 0.9, 0.004, sloping=True)
"""The same places as `NEAR`, with more of the face, since nothing is known of the light on the ground."""


@dataclass(frozen=True, eq=False, slots=True)
class Lengths:
    """Short lengths (W) of an edge.

    middle, facing (W, 2) : where, mm, and unit vector away from the metal. wall (W,) : seen, mm. blur (W,) : standard
    deviation, mm. tone (W, D) : across; burnt (W, D) : whether the picture clips it. far (W, E) : tone farther out, at
    `FARTHER`. row (M,) : which length each row of the contour belongs to.
    """

    middle: FloatArray
    facing: FloatArray
    wall: FloatArray
    blur: FloatArray
    tone: FloatArray
    burnt: NDArray[np.bool_]
    far: FloatArray
    row: NDArray[np.int_]

    def thinned(self, every: int) -> Lengths:
        """Every n-th length only."""
        return Lengths(*(getattr(self, f.name)[::every] for f in fields(self)))


def lengths_along(
    lit: Lit, bench: Bench, sheet: Sheet, contour: Contour, length: float, over: Across = NEAR
) -> Lengths:
    """Mean tone across each `length` mm of a contour, at the offsets of `over`."""
    many = max(4, round(len(contour.xy) * contour.spacing / length))
    first = np.linspace(0, len(contour.xy), many + 1).astype(int)[:-1]
    count = np.diff(np.r_[first, len(contour.xy)])

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, first, axis=0) / count.reshape(-1, *[1] * (values.ndim - 1)))

    near, _ = sampled(lit.pixels, bench, contour, over.offsets)
    far, _ = sampled(lit.pixels, bench, contour, FARTHER)
    half = np.full(len(contour.xy), 0.5)
    scale = np.linalg.norm(bench.project(contour.at(half)) - bench.project(contour.at(-half)), axis=1)
    facing = mean(contour.outward)
    return Lengths(
        mean(contour.xy),
        facing / np.hypot(*facing.T)[:, None],
        mean(sheet.wall(bench, contour)),
        np.hypot(bench.blur, _SAMPLED_PX) / mean(scale),
        mean(_grey(near)),
        mean((largest_channel(near) > _BURNT).astype(float)) > 1 - _MOSTLY,
        mean(_grey(far)),
        np.repeat(np.arange(many), count),
    )


def _grey(tone: NDArray[np.float32]) -> FloatArray:
    """Mean (M, D) of three channels (M, D, 3); NumPy's own over so short an axis takes four times as long."""
    total = tone[..., 0] + tone[..., 1]
    total += tone[..., 2]
    total /= 3
    return total.astype(float)


def joined(several: Sequence[Lengths]) -> Lengths:
    """Lengths of several edges as if of one; their rows are told no more."""
    names = [f.name for f in fields(Lengths)]
    return Lengths(*(np.concatenate([getattr(one, name) for one in several]) for name in names))
