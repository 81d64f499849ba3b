"""What rows across a rim tell of its place when rim and wall's foot are sought together, as far apart as geometry says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.rims import LOWER, OUTLINE, WALL_SEEN_MM, RimPoints, Sheet
from fit.points import FloatArray

__all__ = ["SHIFTS", "RimRows", "likeliest_circle"]

_SHIFT_STEP_MM = 0.04
SHIFTS = np.arange(-1.2, 1.2 + 1e-9, _SHIFT_STEP_MM)
"""Outward places of the rim that are tried, mm."""
_LEAST_TOLD, _NEAR_MM = 0.93, 0.2
_FOOT_MOVED_MM = 0.4
"""What light thrown from a bright wall on the ground before it may move its foot by, so that a third of it is in doubt."""
_GRIDS = ((0.9, 0.1), (0.12, 0.02))
_STRANGE = 9.0
"""A row that costs more than its best place by so much more than noise does is led by something else."""


@dataclass(frozen=True, eq=False, slots=True)
class RimRows:
    """What each row (M,) across a contour tells.

    wall : its seen width, mm. cost (M, S) : squares left with the rim at each of `SHIFTS`, in those of noise; told (M, S) :
    share of what there is to explain that is explained; foot (M, S) : whether the wall's foot is then the larger step.
    """

    wall: FloatArray
    cost: FloatArray
    told: FloatArray
    foot: NDArray[np.bool_]

    def along(self, alike: int) -> tuple[FloatArray, float]:
        """Where each row and so many on either side of it put the rim (M,), mm, and the share that they explain there."""
        import cv2

        best = cv2.blur(self.cost, (1, 2 * alike + 1), borderType=cv2.BORDER_REPLICATE).argmin(axis=1)
        return SHIFTS[best], float(np.median(self.told[np.arange(len(best)), best]))

    def near(self, at: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Each row's own best place near a rim at outward offsets (M,), and whether it tells one."""
        cost = np.where(np.abs(SHIFTS - at[:, None]) > _NEAR_MM, np.inf, self.cost)
        best = np.clip(cost.argmin(axis=1), 1, len(SHIFTS) - 2)
        each = np.arange(len(best))
        before, here, after = (self.cost[each, best + i] for i in (-1, 0, 1))
        bend = before - 2 * here + after
        place = SHIFTS[best] + np.clip((before - after) / (2 * np.maximum(bend, 1e-9)), -1, 1) * _SHIFT_STEP_MM
        lowest = (here <= before) & (here <= after)
        return place, lowest & (self.told[each, best] > _LEAST_TOLD)

    def rim_points(self, sheet: Sheet, at: FloatArray, place: FloatArray, told: NDArray[np.bool_]) -> RimPoints:
        """The rows told as steps of an edge whose rim lies at outward offsets (M,): the larger of rim and foot tells it."""
        nearest = np.clip(np.rint((at - SHIFTS[0]) / _SHIFT_STEP_MM).astype(int), 0, len(SHIFTS) - 1)
        foot = (self.wall > WALL_SEEN_MM) & self.foot[np.arange(len(at)), nearest]
        row = np.flatnonzero(told)
        shift = np.where(foot, 0.0, sheet.outline_shift(self.wall))
        offset = place + np.where(foot, self.wall, 0.0) - shift
        kind, moved = np.where(foot, LOWER, OUTLINE), np.where(foot, _FOOT_MOVED_MM, 0.0)
        return RimPoints(row, offset[row], kind[row], np.ones(len(row)), shift[row], moved[row])


def likeliest_circle(rows: RimRows, rays: FloatArray) -> FloatArray:
    """Move (dx, dy, dr) of the circle that costs least, its rows' rays being (M, 2)."""
    over = np.minimum(rows.cost - rows.cost.min(axis=1, keepdims=True), _STRANGE)
    best = np.zeros(3)
    for span, step in _GRIDS:
        ticks = np.arange(-span, span + step / 2, step)
        moves = best + np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
        cost = np.zeros(len(moves))
        for ray, row in zip(rays, over, strict=True):
            cost += np.interp(-(moves[:, :2] @ ray + moves[:, 2]), SHIFTS, row)
        best = moves[int(np.argmin(cost))]
    return best
