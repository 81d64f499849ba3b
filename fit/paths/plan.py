"""A reading of an edge before it is fitted: which pieces, roughly where; and how readings are cut, changed and fitted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import chain_through, layout
from fit.paths.cut import Cut
from fit.paths.moments import free_curvature
from fit.paths.refine import ROUNDS, Fit, Rows, refine
from fit.points import FloatArray

__all__ = [
    "Edge",
    "Pieces",
    "Plan",
    "Price",
    "fit_plan",
    "free_numbers",
    "joint_at",
    "needed_corners",
    "part_plan",
    "plan_between",
    "plan_of",
    "plan_of_cut",
    "plan_piece",
    "replaced",
    "rolled",
]

Flags = Sequence[bool] | NDArray[np.bool_]

_KINK = math.radians(25.0)


@dataclass(frozen=True, eq=False, slots=True)
class Edge:
    """Ordered points (N, 2) mm in the path's plane, weights 1/σ² (N,) and their places (N,) in the list as given."""

    xy: FloatArray
    weight: FloatArray
    index: NDArray[np.int_]

    def part(self, first: int, last: int) -> Edge:
        """Points first … last − 1; counts on past the end of a closed edge."""
        which: slice | NDArray[np.int_] = slice(first, last)
        if first < 0 or last > len(self.xy):
            which = np.arange(first, last) % len(self.xy)
        return Edge(self.xy[which], self.weight[which], self.index[which])


@dataclass(frozen=True, eq=False, slots=True)
class Plan:
    """Pieces in order: joints (K + 1, 2), curvatures (K,; 0 = line), corners (K,) at the starts, bounds (K + 1,)."""

    joints: FloatArray
    curvatures: FloatArray
    corners: NDArray[np.bool_]
    bounds: NDArray[np.int_]
    closed: bool = False

    def __len__(self) -> int:
        return len(self.curvatures)

    @property
    def kinds(self) -> str:
        """Such as ``LALcL``: lines, arcs and, between them, corners."""
        return "".join(
            ("c" if c else "") + ("A" if k else "L") for k, c in zip(self.curvatures, self.corners, strict=True)
        )


def free_numbers(arcs: NDArray[np.bool_], corners: NDArray[np.bool_]) -> int:
    """Free numbers of a chain beyond those that every chain has: one per line and corner, two per arc."""
    return len(arcs) + int(arcs.sum()) + int(corners.sum())


@dataclass(frozen=True, slots=True)
class Price:
    """What a reading pays in χ²: `number` for each free number and once more for the place of an arc or a corner, `kink`
    on top for each corner of little turn.
    """

    number: float
    kink: float = 0.0

    def of(self, arcs: Flags, corners: Flags, turns: FloatArray | None = None) -> float:
        """Price of pieces of these kinds (K,), with corners (K,) before them that turn by `turns` (K,), all much if None."""
        numbers = len(arcs) + 2 * int(sum(arcs)) + 2 * int(sum(corners))
        kinks = 0 if turns is None else int((np.asarray(corners) & (np.abs(turns) < _KINK)).sum())
        return self.number * numbers + self.kink * kinks

    def times(self, factor: float) -> Price:
        """A higher or a lower one."""
        return Price(factor * self.number, factor * self.kink)


def needed_corners(arcs: NDArray[np.bool_], corners: NDArray[np.bool_], closed: bool) -> NDArray[np.bool_]:
    """Corners, with those added without which two lines in a row would be one."""
    lines = ~arcs & ~np.roll(arcs, 1)
    if not closed:
        lines[0] = False
    return corners | (lines & (len(arcs) > 1))


def _rough_length(xy: FloatArray) -> float:
    """Length of a run of points by nine of them, so that noise does not lengthen it."""
    few = xy[np.linspace(0, len(xy) - 1, min(9, len(xy))).astype(int)]
    return float(np.hypot(*np.diff(few, axis=0).T).sum())


def plan_piece(edge: Edge, first: int, last: int, arc: bool) -> float:
    """Curvature to start a piece from: of the free circle through its points, 0 for a line."""
    if not arc:
        return 0.0
    part = edge.part(first, last)
    if len(part.xy) < 4:
        return 1e-3
    return free_curvature(part.xy, part.weight) or 1e-9


def joint_at(edge: Edge, index: int) -> FloatArray:
    """Place between point index − 1 and index."""
    n = len(edge.xy)
    return 0.5 * (edge.xy[(index - 1) % n] + edge.xy[index % n])


def plan_of_cut(edge: Edge, cut: Cut, closed: bool) -> Plan:
    """The cut's pieces, tangent wherever an arc takes part."""
    ends = cut.bounds
    joints = np.array([joint_at(edge, i) for i in ends])
    if not closed:
        joints[0], joints[-1] = edge.xy[0], edge.xy[-1]
    curvatures = np.array(
        [plan_piece(edge, a, b, arc) for a, b, arc in zip(ends[:-1], ends[1:], cut.arcs, strict=True)]
    )
    corners = needed_corners(cut.arcs, np.zeros(len(cut.arcs), dtype=bool), closed)
    return Plan(joints, curvatures, corners, ends, closed)


@dataclass(frozen=True, eq=False, slots=True)
class Pieces:
    """Pieces that are known to be there: roughly where they meet, joints (K − 1, 2) mm, or (K, 2) from the start of the
    first one on where the path is closed; curvatures (K,) 1/mm, above zero to the left, 0 for lines; corners (K,) at their
    starts, as few as can be where not told.
    """

    joints: FloatArray
    curvatures: FloatArray
    corners: NDArray[np.bool_] | None = None


def plan_between(edge: Edge, pieces: Pieces, closed: bool = False) -> tuple[Edge, Plan] | None:
    """The plan of pieces that are roughly known, and the edge, a closed one turned to start with the first of them; None
    where one of them would have hardly a point.
    """
    joints, curvatures, n = pieces.joints, pieces.curvatures, len(edge.xy)
    at = np.array([int(np.argmin(((edge.xy - joint) ** 2).sum(axis=1))) for joint in joints])
    ends = joints[:1] if closed else edge.xy[-1:]
    if closed:
        onward = edge.xy[(at + 1) % n] - edge.xy[at - 1]
        at = (at + (((edge.xy[at] - joints) * onward).sum(axis=1) < 0)) % n
        edge, at = edge.part(int(at[0]), int(at[0]) + n), (at - at[0]) % n
    else:
        joints, at = np.vstack([edge.xy[:1], joints]), np.append(0, at)
    bounds = np.append(at, n)
    if (np.diff(bounds) < 2).any():
        return None
    corners = np.zeros(len(curvatures), dtype=bool) if pieces.corners is None else pieces.corners
    corners = needed_corners(curvatures != 0, corners, closed)
    return edge, Plan(np.vstack([joints, ends]), curvatures, corners, bounds, closed)


def plan_of(fit: Fit) -> Plan:
    """A fitted chain as a plan to start from again."""
    chain = fit.chain
    return Plan(layout(chain).joints, chain.curvatures, chain.corners, fit.bounds, chain.closed)


def replaced(plan: Plan, first: int, last: int, new: Plan) -> Plan:
    """The plan with pieces first … last − 1 given way to those of `new`, whose bounds count from the same point."""
    corners = new.corners.copy()
    corners[0] = plan.corners[first]
    joined = replace(
        plan,
        joints=np.concatenate([plan.joints[: first + 1], new.joints[1:-1], plan.joints[last:]]),
        curvatures=np.concatenate([plan.curvatures[:first], new.curvatures, plan.curvatures[last:]]),
        corners=np.concatenate([plan.corners[:first], corners, plan.corners[last:]]),
        bounds=np.concatenate([plan.bounds[: first + 1], plan.bounds[first] + new.bounds[1:-1], plan.bounds[last:]]),
    )
    return replace(joined, corners=needed_corners(joined.curvatures != 0, joined.corners, joined.closed))


def fit_plan(
    edge: Edge, plan: Plan, extra: Rows | None = None, settle: float = 1e-3, rounds: int = ROUNDS
) -> Fit | None:
    """Fit the plan's pieces together to all points; None where they find no hold."""
    travelled = np.array(
        [_rough_length(edge.part(a, max(b, a + 2)).xy) for a, b in zip(plan.bounds[:-1], plan.bounds[1:], strict=True)]
    )
    chain = chain_through(plan.joints, plan.curvatures, plan.corners, travelled, plan.closed)
    return refine(edge.xy, edge.weight, chain, plan.bounds, extra, settle=settle, rounds=rounds)


def part_plan(plan: Plan, first: int, last: int) -> tuple[int, Plan]:
    """Pieces first … last − 1 as an open plan, and its first point; of a closed plan the numbers may run past its end."""
    k, n = len(plan), int(plan.bounds[-1])
    if plan.closed and (first, last) == (0, k):
        return 0, plan
    which = np.arange(first, last) % k
    laps = np.arange(first, last + 1) // k if plan.closed else 0
    ends = plan.bounds[np.arange(first, last + 1) % k] + laps * n if plan.closed else plan.bounds[first : last + 1]
    joints = np.concatenate([plan.joints[which], plan.joints[[which[-1] + 1]]])
    corners = plan.corners[which].copy()
    corners[0] = False
    return int(ends[0]), Plan(joints, plan.curvatures[which], corners, ends - ends[0])


def rolled(edge: Edge, plan: Plan, first: int) -> tuple[Edge, Plan]:
    """A closed plan that starts with another of its pieces."""
    k, n = len(plan), len(edge.xy)
    first %= k
    if first == 0:
        return edge, plan
    start = int(plan.bounds[first])
    bounds = np.concatenate([plan.bounds[first:-1], plan.bounds[: first + 1] + n]) - start
    joints = np.concatenate([plan.joints[first:-1], plan.joints[: first + 1]])
    return edge.part(start, start + n), replace(
        plan,
        joints=joints,
        curvatures=np.roll(plan.curvatures, -first),
        corners=np.roll(plan.corners, -first),
        bounds=bounds,
    )
