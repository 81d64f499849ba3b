"""Other readings next to a given one: pieces dropped, merged, turned from line to arc, put in, corners made or smoothed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fit.paths.plan import Edge, Plan, joint_at, needed_corners, plan_piece
from fit.paths.screen import Outlook

__all__ = ["near_joint", "near_piece"]

_SHARE = 0.15


def _rebuilt(edge: Edge, plan: Plan, bounds: list[int], arcs: list[bool], corners: list[bool], fresh: set[int]) -> Plan:
    """A plan from bounds, kinds and corners; pieces not in `fresh` keep the curvature they had, known by their start."""
    known = {(int(a), bool(k)): float(k) for a, k in zip(plan.bounds[:-1], plan.curvatures, strict=True)}
    places = {int(b): joint for b, joint in zip(plan.bounds, plan.joints, strict=True)}
    joints = np.array([places[b] if b in places else joint_at(edge, b) for b in bounds])
    curvatures = [
        known[(bounds[i], arc)] if i not in fresh and (bounds[i], arc) in known
        else plan_piece(edge, bounds[i], bounds[i + 1], arc)
        for i, arc in enumerate(arcs)
    ]  # fmt: skip
    made = needed_corners(np.array(arcs), np.array(corners), plan.closed)
    return Plan(joints, np.array(curvatures), made, np.array(bounds), plan.closed)


def _lists(plan: Plan) -> tuple[list[int], list[bool], list[bool]]:
    return [int(b) for b in plan.bounds], [bool(k) for k in plan.curvatures], [bool(c) for c in plan.corners]


def near_piece(edge: Edge, plan: Plan, i: int, may: Outlook, at: int) -> Iterator[Plan]:
    """Readings that change piece i, which is piece `at` of the chain whose outlook is given."""
    if may.straighten[at] or may.bend[at]:
        yield _other_kind(edge, plan, i)
    if not plan.curvatures[i] and (plan.corners[i] or (i + 1 < len(plan) and plan.corners[i + 1])):
        yield _smooth_bend(edge, plan, i)
    if may.drop[at]:
        yield from _drops(edge, plan, i)
    for row, (width, arc) in enumerate(((2, False), (2, True), (3, False), (3, True))):
        if may.merge[row, at] and i + width <= len(plan):
            yield _merged(edge, plan, i, width, arc)
    if may.split[at]:
        yield from _splits(edge, plan, i)


def _other_kind(edge: Edge, plan: Plan, i: int) -> Plan:
    bounds, arcs, corners = _lists(plan)
    arcs[i] = not arcs[i]
    return _rebuilt(edge, plan, bounds, arcs, corners, {i})


def _smooth_bend(edge: Edge, plan: Plan, i: int) -> Plan:
    """A line between corners read as a bend: how a tight bend of few points looks before tangency."""
    bounds, arcs, corners = _lists(plan)
    arcs[i] = True
    corners[i : i + 2] = [False] * len(corners[i : i + 2])
    return _rebuilt(edge, plan, bounds, arcs, corners, {i})


def _merged(edge: Edge, plan: Plan, i: int, width: int, arc: bool) -> Plan:
    bounds, arcs, corners = _lists(plan)
    ends = bounds[: i + 1] + bounds[i + width :]
    left = corners[: i + 1] + corners[i + width :]
    return _rebuilt(edge, plan, ends, [*arcs[:i], arc, *arcs[i + width :]], left, {i})


def _drops(edge: Edge, plan: Plan, i: int) -> Iterator[Plan]:
    bounds, arcs, corners = _lists(plan)
    if len(arcs) < 2 or (plan.closed and i in (0, len(arcs) - 1)):
        return
    if 0 < i < len(arcs) - 1:
        middle = [(bounds[i] + bounds[i + 1]) // 2]
        ends = bounds[:i] + middle + bounds[i + 2 :]
    else:
        ends = bounds[:1] + bounds[2:] if i == 0 else bounds[:-2] + bounds[-1:]
    kept_corners = corners[:i] + corners[i + 1 :]
    yield _rebuilt(edge, plan, ends, arcs[:i] + arcs[i + 1 :], kept_corners, set())


def _splits(edge: Edge, plan: Plan, i: int) -> Iterator[Plan]:
    bounds, arcs, corners = _lists(plan)
    span = bounds[i + 1] - bounds[i]
    if span < 12:
        return
    halves = [bounds[i] + span // 2]
    for kinds in ((True, True), (True, False), (False, True)) if arcs[i] else ((True, False), (False, True)):
        new = [*arcs[:i], *kinds, *arcs[i + 1 :]]
        yield _rebuilt(
            edge,
            plan,
            bounds[: i + 1] + halves + bounds[i + 1 :],
            new,
            [*corners[: i + 1], False, *corners[i + 1 :]],
            {i, i + 1},
        )
    thirds = [bounds[i] + span // 3, bounds[i] + 2 * span // 3]
    for kind in (not arcs[i], True):
        new = [*arcs[:i], arcs[i], kind, arcs[i], *arcs[i + 1 :]]
        ends = bounds[: i + 1] + thirds + bounds[i + 1 :]
        yield _rebuilt(edge, plan, ends, new, [*corners[: i + 1], False, False, *corners[i + 1 :]], {i, i + 1, i + 2})


def near_joint(edge: Edge, plan: Plan, j: int, may: Outlook, at: int) -> Iterator[Plan]:
    """Readings that change the joint before piece j (`at` in the outlook): sharp or smooth, a line or an arc put in."""
    bounds, arcs, corners = _lists(plan)
    if may.sharpen[at] or may.smooth[at]:
        corners[j] = not corners[j]
        yield _rebuilt(edge, plan, bounds, arcs, corners, set())
        corners[j] = not corners[j]
    if not may.insert[at]:
        return
    before = max(2, int(_SHARE * (bounds[j] - bounds[j - 1])))
    after = max(2, int(_SHARE * (bounds[j + 1] - bounds[j])))
    ends = [*bounds[:j], bounds[j] - before, bounds[j] + after, *bounds[j + 1 :]]
    if (np.diff(ends) < 2).any():
        return
    for kind in (False, True) if arcs[j - 1] and arcs[j] else (True,):
        new = [*arcs[:j], kind, *arcs[j:]]
        yield _rebuilt(edge, plan, ends, new, [*corners[:j], False, False, *corners[j + 1 :]], {j})
