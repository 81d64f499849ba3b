"""Which change of a planned set-up would help most: every one that can be made is tried."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from capture.forecast.expect import Expected, SetUp, camera_of, expected_sizes, least_distance
from capture.forecast.layout import Layout, layout_of
from fit.errors import CannotDetermine
from fit.units import format_length

__all__ = ["SOURCES", "advice_for"]

SOURCES = {
    "own": "noise along the edge",
    "edge": "where light shows the rim",
    "height": "height of the face",
    "caliper": "caliper readings of the print",
    "print": "print scale, not measured",
    "focal": "focal length",
    "lens": "lens",
    "target": "flatness of the print",
    "corners": "noise of the corners",
}
"""Sources of a budget in plain words."""

_WORTH = 0.05
"""Least gain, as a share of all U95 together, for which a change is worth its trouble (judgement, no source)."""
_TILT = math.radians(25.0)
_NEARER = 1.15
_SHARP_HEIGHT_U = 0.05
_SHARP_PRINT_U = 0.01
_MOST_STRIPS = 8
_FEW_STRIPS, _STRIPS_WORTH = 4, 1.1
_ONE_WAY = 0.8
_HELPS = {
    "edge": "soft even light and sharp, clean edges help",
    "own": "a sharper picture helps, and edges that are measured along more of their length",
    "caliper": "read it with care over the longest side, several times",
    "height": "measure the height at several places",
    "target": "glue or tape the print to something flat",
    "corners": "a sharp picture and even light on the print help",
}
"""What can be done about a source beyond the set-up."""

Trial = tuple[str, SetUp]


def advice_for(setup: SetUp, found: Sequence[Expected], unit_out: str = "mm") -> str:
    """One line: the change that narrows the typical sizes most, what it does to the one it helps most and which source
    of its ± gets smaller; and the next best change.

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
        gains.append((float(np.mean(np.log(ratios))), words, found[best], sizes[best]))
    worth = sorted((gain for gain in gains if gain[0] > _WORTH), key=lambda gain: -gain[0])[:2]
    if not worth:
        return _as_it_is(setup, found, unit_out)
    told = []
    for _, words, before, after in worth:
        was, will = (format_length(0.0, size.value.u95, unit_out).split()[-1] for size in (before, after))
        told.append(f"{words} ({after.name}: {was} becomes {will}, less from {_lessened(before, after)})")
    sentence = "; or ".join(told)
    return sentence[0].upper() + sentence[1:] + "."


def _as_it_is(setup: SetUp, found: Sequence[Expected], unit_out: str) -> str:
    """What carries most and what helps there, where no change does; what the strips beyond four are worth."""
    source = _largest(found)
    told = f"Most comes from {SOURCES.get(source, source)}: {_HELPS.get(source, 'nothing in this set-up helps much')}."
    count = len(setup.layout.pieces)
    if setup.layout.pieces[0].kind == "frame" or count <= _FEW_STRIPS:
        return told
    fewer = expected_sizes(replace(setup, layout=layout_of(setup.part, _FEW_STRIPS)))
    ratios = [a.value.u95 / b.value.u95 for a, b in zip(fewer, found, strict=True)]
    most = int(np.argmax(ratios))
    if ratios[most] < _STRIPS_WORTH:
        return told
    was, now = (format_length(0.0, size.value.u95, unit_out).split()[-1] for size in (fewer[most], found[most]))
    return f"{told} Keep the {count} strips: four would make the {found[most].name} {was}, not {now}."


def _largest(found: Sequence[Expected]) -> str:
    """The source that carries most of all sizes together, every size counting alike."""
    shares: dict[str, float] = defaultdict(float)
    for size in found:
        for source, part in size.value.budget().items():
            shares[source] += (part / size.value.u95) ** 2
    return max(shares, key=lambda source: shares[source])


def _lessened(before: Expected, after: Expected) -> str:
    """The source whose part of a size's U95 a change makes smaller by most (in squares, as they add)."""
    was, will = before.value.budget(), after.value.budget()
    cut = {source: part**2 - will.get(source, 0.0) ** 2 for source, part in was.items()}
    source = max(cut, key=lambda name: cut[name])
    return SOURCES.get(source, source)


def _changes(setup: SetUp) -> Iterator[Trial]:
    """Words for each change and the set-up after it."""
    if setup.print_u is None:
        yield "measure the print's two sides with a caliper", replace(setup, print_u=0.02)
    elif setup.print_u > 1.5 * _SHARP_PRINT_U:
        words = f"read the print's two sides to ±{2 * _SHARP_PRINT_U:g} mm (the mean of five careful readings)"
        yield words, replace(setup, print_u=_SHARP_PRINT_U)
    if setup.camera is None and not setup.learned:
        yield "learn the lens with 'edgewright camera'", replace(setup, learned=True)
        if setup.tilt < _TILT - 0.1:
            yield "shoot at a tilt of 25°", _moved_back(replace(setup, tilt=_TILT))
    if setup.height_u > 1.2 * _SHARP_HEIGHT_U:
        sharp = replace(setup, height_u=_SHARP_HEIGHT_U, foot_u=min(setup.foot_u, _SHARP_HEIGHT_U))
        yield f"measure the height of the face to ±{2 * _SHARP_HEIGHT_U:g} mm", sharp
    if setup.foot_u > 1.2 * _SHARP_HEIGHT_U:
        yield "measure the sheet's thickness with a caliper", replace(setup, foot_u=_SHARP_HEIGHT_U)
    least = least_distance(setup)
    if camera_of(setup).distance > _NEARER * least:
        nearest = math.ceil(least / 10) * 10
        yield f"go as near as {nearest:g} mm", replace(setup, distance=float(nearest))
    yield from _strips_otherwise(setup)


def _moved_back(setup: SetUp) -> SetUp:
    """A tilted view takes in less: step back as far as it needs."""
    least = least_distance(setup)
    return setup if setup.distance is None or setup.distance > least else replace(setup, distance=least)


def _strips_otherwise(setup: SetUp) -> Iterator[Trial]:
    count = len(setup.layout.pieces)
    if any(piece.kind == "frame" for piece in setup.layout.pieces):
        return
    if _parallel(setup.layout):
        again = replace(setup, layout=layout_of(setup.part, count))
        yield "lay the strips along all four sides of the part, not all one way", _moved_back(again)
    elif count < _MOST_STRIPS:
        more = {1: 2, 2: 4, 3: 4}.get(count, count + 2)
        words = {2: "two", 4: "four", 6: "six", 7: "seven", 8: "eight"}.get(more, str(more))
        yield f"use {words} strips", _moved_back(replace(setup, layout=layout_of(setup.part, more)))


def _parallel(layout: Layout) -> bool:
    """Whether three strips or more all lie one way: then only their short sides tell the print's scale across."""
    twice = 2 * layout.places[:, 0]
    return len(twice) > 2 and bool(np.hypot(np.cos(twice).mean(), np.sin(twice).mean()) > _ONE_WAY)
