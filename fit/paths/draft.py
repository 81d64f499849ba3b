"""A reading that may be worth a fit, in plain lists: many are made and few kept."""

from __future__ import annotations

from dataclasses import dataclass

from fit.paths.plan import Plan

__all__ = ["Draft", "draft_of"]


@dataclass(frozen=True, slots=True)
class Draft:
    """Pieces in order, as a `Plan` has them; a curvature of NaN and a joint of None are still to be told from the points."""

    bounds: list[int]
    curvatures: list[float]
    corners: list[bool]
    joints: list[tuple[float, float] | None]
    closed: bool

    def __len__(self) -> int:
        return len(self.curvatures)

    @property
    def arcs(self) -> list[bool]:
        """Which pieces are arcs."""
        return [kappa != 0 for kappa in self.curvatures]


def draft_of(plan: Plan) -> Draft:
    """A plan in plain lists."""
    joints: list[tuple[float, float] | None] = [(x, y) for x, y in plan.joints.tolist()]
    return Draft(plan.bounds.tolist(), plan.curvatures.tolist(), plan.corners.tolist(), joints, plan.closed)
