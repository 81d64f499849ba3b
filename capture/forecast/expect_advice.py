"""Which change of a planned set-up would help most: every one that can be made is tried."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from capture.forecast.expect import Expected, SetUp, camera_of, expected_sizes, least_distance
from capture.forecast.layout import layout_of
from fit.errors import CannotDetermine
from fit.units import format_length

__all__ = ["advice_for"]

_WORTH = 0.05
"""Least gain, as a share of all U95 together, for which a change is worth its trouble (judgement, no source)."""
_TILT = math.radians(25.0)
_NEARER = 1.15
_SHARP_HEIGHT_U = 0.05
_MOST_STRIPS = 8

Trial = tuple[str, SetUp]


def advice_for(setup: SetUp, found: Sequence[Expected], unit_out: str = "mm") -> str:
    """One sentence: the change that narrows the typical sizes most and what it does to the one it helps most; and the
    next best change.

    Changes are ranked by the mean of the logarithm of U95, so that small and large sizes count alike.
    """
    gains = []
    for words, other in _changes(setup):
        try:
            sizes = expected_sizes(other)
        except CannotDetermine:
            continue
        ratios = [a.value.u95 / b.value.u95 for a, b in zip(found, sizes, strict=True)]
        best = int(np.argmax(ratios))
        gains.append((float(np.mean(np.log(ratios))), words, best, sizes[best]))
    worth = sorted((gain for gain in gains if gain[0] > _WORTH), key=lambda gain: -gain[0])[:2]
    if not worth:
        return "No single change of this set-up helps much: soft even light and sharp, clean edges do."
    told = []
    for _, words, which, after in worth:
        was, will = (format_length(0.0, size.value.u95, unit_out).split()[-1] for size in (found[which], after))
        told.append(f"{words} ({after.name}: {was} becomes {will})")
    sentence = "; or ".join(told)
    return sentence[0].upper() + sentence[1:] + "."


def _changes(setup: SetUp) -> Iterator[Trial]:
    """Words for each change and the set-up after it."""
    if setup.print_u is None:
        yield "measure the print's two sides with a caliper", replace(setup, print_u=0.02)
    if setup.camera is None and not setup.learned:
        yield "learn the lens with 'edgewright camera'", replace(setup, learned=True)
        if setup.tilt < _TILT - 0.1:
            yield "shoot at a tilt of 25°", _moved_back(replace(setup, tilt=_TILT))
    if setup.height_u > 1.2 * _SHARP_HEIGHT_U:
        sharp = replace(setup, height_u=_SHARP_HEIGHT_U, foot_u=min(setup.foot_u, _SHARP_HEIGHT_U))
        yield f"measure the height of the face to ±{2 * _SHARP_HEIGHT_U:g} mm", sharp
    least = least_distance(setup)
    if camera_of(setup).distance > _NEARER * least:
        nearest = math.ceil(least / 10) * 10
        yield f"go as near as {nearest:g} mm", replace(setup, distance=float(nearest))
    yield from _more_strips(setup)


def _moved_back(setup: SetUp) -> SetUp:
    """A tilted view takes in less: step back as far as it needs."""
    least = least_distance(setup)
    return setup if setup.distance is None or setup.distance > least else replace(setup, distance=least)


def _more_strips(setup: SetUp) -> Iterator[Trial]:
    count = len(setup.layout.pieces)
    if setup.layout.pieces[0].kind == "frame" or count >= _MOST_STRIPS:
        return
    more = {1: 2, 2: 4, 3: 4}.get(count, count + 2)
    words = {2: "two", 4: "four", 6: "six", 7: "seven", 8: "eight"}.get(more, str(more))
    yield f"use {words} strips", _moved_back(replace(setup, layout=layout_of(setup.part, more)))
