"""Other readings next to a given one: pieces dropped, merged, turned from line to arc, put in, corners made or smoothed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from fit.paths.draft import Draft
from fit.paths.screen import Outlook

__all__ = ["near_joint", "near_piece"]

_SHARE = 0.15
_TOLD = float("nan")
"""A curvature that the points are to tell."""


def _rebuilt(here: Draft, bounds: list[int], arcs: list[bool], corners: list[bool], fresh: set[int]) -> Draft:
    """A reading from bounds, kinds and corners; pieces not in `fresh` keep the curvature they had, known by their start."""
    known = {(b, k != 0): k for b, k in zip(here.bounds, here.curvatures, strict=False)}
    places = dict(zip(here.bounds, here.joints, strict=True))
    curvatures = [
        known[(bounds[i], arc)] if i not in fresh and (bounds[i], arc) in known else _TOLD if arc else 0.0
        for i, arc in enumerate(arcs)
    ]  # fmt: skip
    made = list(corners)
    for i in range(len(arcs)):  # two lines in a row would be one without a corner
        if not arcs[i] and not arcs[i - 1] and (i or here.closed) and len(arcs) > 1:
            made[i] = True
    return Draft(bounds, curvatures, made, [places.get(b) for b in bounds], here.closed)


def near_piece(here: Draft, i: int, may: Outlook, at: int) -> Iterator[Draft]:
    """Readings that change piece i, which is piece `at` of the chain whose outlook is given."""
    if may.straighten[at] or may.bend[at]:
        yield _other_kind(here, i)
    if not here.curvatures[i] and (here.corners[i] or (i + 1 < len(here) and here.corners[i + 1])):
        yield from _smooth_bends(here, i)
    if may.drop[at]:
        yield from _drops(here, i)
    for row, (width, arc) in enumerate(((2, False), (2, True), (3, False), (3, True))):
        if may.merge[row, at] and i + width <= len(here):
            yield _merged(here, i, width, arc)
    if may.split[at]:
        yield from _splits(here, i)


def _other_kind(here: Draft, i: int) -> Draft:
    arcs = here.arcs
    arcs[i] = not arcs[i]
    return _rebuilt(here, here.bounds, arcs, here.corners, {i})


def _smooth_bends(here: Draft, i: int) -> Iterator[Draft]:
    """A line between corners read as a bend, tangent at both ends or at one: how a tight bend of few points looks."""
    ends = [j for j in (i, i + 1) if j < len(here) and here.corners[j]]
    for smooth in (ends, *([j] for j in ends if len(ends) > 1)):
        arcs, corners = here.arcs, [c and j not in smooth for j, c in enumerate(here.corners)]
        arcs[i] = True
        yield _rebuilt(here, here.bounds, arcs, corners, {i})


def _merged(here: Draft, i: int, width: int, arc: bool) -> Draft:
    bounds, arcs, corners = here.bounds, here.arcs, here.corners
    ends = bounds[: i + 1] + bounds[i + width :]
    left = corners[: i + 1] + corners[i + width :]
    return _rebuilt(here, ends, [*arcs[:i], arc, *arcs[i + width :]], left, {i})


def _drops(here: Draft, i: int) -> Iterator[Draft]:
    bounds, arcs, corners = here.bounds, here.arcs, here.corners
    if len(arcs) < 2 or (here.closed and i in (0, len(arcs) - 1)):
        return
    if 0 < i < len(arcs) - 1:
        middle = [(bounds[i] + bounds[i + 1]) // 2]
        ends = bounds[:i] + middle + bounds[i + 2 :]
    else:
        ends = bounds[:1] + bounds[2:] if i == 0 else bounds[:-2] + bounds[-1:]
    yield _rebuilt(here, ends, arcs[:i] + arcs[i + 1 :], corners[:i] + corners[i + 1 :], set())


def _splits(here: Draft, i: int) -> Iterator[Draft]:
    bounds, arcs, corners = here.bounds, here.arcs, here.corners
    span = bounds[i + 1] - bounds[i]
    if span < 12:
        return
    halves = [bounds[i] + span // 2]
    for kinds in ((True, True), (True, False), (False, True)) if arcs[i] else ((True, False), (False, True)):
        new = [*arcs[:i], *kinds, *arcs[i + 1 :]]
        smooth = [*corners[: i + 1], False, *corners[i + 1 :]]
        yield _rebuilt(here, bounds[: i + 1] + halves + bounds[i + 1 :], new, smooth, {i, i + 1})
    thirds = [bounds[i] + span // 3, bounds[i] + 2 * span // 3]
    for kind in (not arcs[i], True):
        new = [*arcs[:i], arcs[i], kind, arcs[i], *arcs[i + 1 :]]
        smooth = [*corners[: i + 1], False, False, *corners[i + 1 :]]
        yield _rebuilt(here, bounds[: i + 1] + thirds + bounds[i + 1 :], new, smooth, {i, i + 1, i + 2})


def near_joint(here: Draft, j: int, may: Outlook, at: int) -> Iterator[Draft]:
    """Readings that change the joint before piece j (`at` in the outlook): sharp or smooth, a line or an arc put in."""
    bounds, arcs, corners = here.bounds, here.arcs, here.corners
    if here.closed and j == 0:
        return
    if may.sharpen[at] or may.smooth[at]:
        yield _rebuilt(here, bounds, arcs, [*corners[:j], not corners[j], *corners[j + 1 :]], set())
    if not may.insert[at]:
        return
    before = max(2, int(_SHARE * (bounds[j] - bounds[j - 1])))
    after = max(2, int(_SHARE * (bounds[j + 1] - bounds[j])))
    ends = [*bounds[:j], bounds[j] - before, bounds[j] + after, *bounds[j + 1 :]]
    if min(b - a for a, b in pairwise(ends)) < 2:
        return
    for kind in (False, True) if arcs[j - 1] and arcs[j] else (True,):
        new = [*arcs[:j], kind, *arcs[j:]]
        yield _rebuilt(here, ends, new, [*corners[:j], False, False, *corners[j + 1 :]], {j})
