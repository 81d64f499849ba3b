"""The loops behind a gap's U95 that must be compiled: pairs that compete, smallest gaps of many worlds, the crowd.

This file is imported only inside the functions that run it, so that nothing else waits for numba.
"""

from __future__ import annotations

import math

import numpy as np

from fit.clearance.kernels import IntArray, TreeArrays, compiled, search, within
from fit.points import FloatArray

__all__ = ["count_below", "crowd", "nearest_pairs", "nearest_points", "partners", "smallest_gaps"]


@compiled
def partners(
    fixed: tuple[FloatArray, FloatArray], moving: tuple[FloatArray, FloatArray], apart: float, reach: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs whose gap is within `reach` of the smallest: where each moving point's run starts (m + 1,), their fixed points
    and the square of how far they lie aside (mm²).

    fixed and moving are places across the gap (n, 2) and heights (n,), all in mm; the gap is `apart` less both heights.
    """
    least = math.inf
    for j in range(len(moving[1])):
        for i in range(len(fixed[1])):
            aside = (fixed[0][i, 0] - moving[0][j, 0]) ** 2 + (fixed[0][i, 1] - moving[0][j, 1]) ** 2
            least = min(least, aside + (apart - fixed[1][i] - moving[1][j]) ** 2)
    most, start = (math.sqrt(least) + reach) ** 2, np.zeros(len(moving[1]) + 1, np.int64)
    which, asides = [0 for _ in range(0)], [0.0 for _ in range(0)]
    for j in range(len(moving[1])):
        for i in range(len(fixed[1])):
            aside = (fixed[0][i, 0] - moving[0][j, 0]) ** 2 + (fixed[0][i, 1] - moving[0][j, 1]) ** 2
            if aside + (apart - fixed[1][i] - moving[1][j]) ** 2 <= most:
                which.append(i)
                asides.append(aside)
        start[j + 1] = len(which)
    return start, np.array(which, np.int64), np.array(asides, np.float64)


@compiled
def smallest_gaps(
    fixed: FloatArray, moving: FloatArray, pairs: tuple[IntArray, IntArray, FloatArray], apart: float
) -> FloatArray:
    """Smallest gap (D,) mm of each world, for heights (D, n) mm of both sides and the pairs that compete."""
    start, which, aside = pairs
    gaps = np.empty(len(fixed))
    for w in range(len(fixed)):
        highest, best = fixed[w].max(), math.inf
        for j in range(moving.shape[1]):
            least = apart - highest - moving[w, j]
            if least > 0.0 and least * least >= best:
                continue
            for k in range(start[j], start[j + 1]):
                height = apart - fixed[w, which[k]] - moving[w, j]
                best = min(best, aside[k] + height * height)
        gaps[w] = math.sqrt(best)
    return gaps


@compiled
def _comes_near(
    fixed: FloatArray, height: float, pairs: tuple[IntArray, IntArray, FloatArray], run: tuple[int, int], most: float
) -> bool:
    """Whether one of a moving point's pairs is nearer than the root of `most` (mm²), for heights (n,) of one world."""
    for k in range(run[0], run[1]):
        apart = height - fixed[pairs[1][k]]
        if pairs[2][k] + apart * apart <= most:
            return True
    return False


@compiled
def count_below(
    fixed: FloatArray, moving: FloatArray, pairs: tuple[IntArray, IntArray, FloatArray], apart: float, limit: float
) -> float:
    """Mean number, over the worlds, of moving points that come nearer than `limit` (mm) to a fixed one."""
    count = 0
    for w in range(len(fixed)):
        lowest = limit + fixed[w].max()
        for j in range(moving.shape[1]):
            height, run = apart - moving[w, j], (pairs[0][j], pairs[0][j + 1])
            if height <= lowest and _comes_near(fixed[w], height, pairs, run, limit * limit):
                count += 1
    return count / len(fixed)


@compiled
def nearest_pairs(
    fixed: TreeArrays, moving: TreeArrays, pose: tuple[FloatArray, FloatArray], nodes: IntArray, limit: float
) -> tuple[FloatArray, IntArray, IntArray]:
    """Gap (n,) mm of each moving node and its closest pair in tree order, -1 where nothing is nearer than limit (mm)."""
    gap, on_fixed, on_moving = np.empty(len(nodes)), np.empty(len(nodes), np.int64), np.empty(len(nodes), np.int64)
    for k in range(len(nodes)):
        gap[k], on_fixed[k], on_moving[k] = search(fixed, moving, pose, (0, nodes[k]), limit)
    return gap, on_fixed, on_moving


@compiled
def nearest_points(
    fixed: TreeArrays, moving: TreeArrays, pose: tuple[FloatArray, FloatArray], limit: float
) -> tuple[FloatArray, IntArray]:
    """Gap (n,) mm of each moving point and its nearest fixed one in tree order, -1 where none is nearer than limit (mm)."""
    xyz, count = moving[0], len(moving[0])
    gap, on_fixed = np.empty(count), np.empty(count, np.int64)
    run, none = np.array([[0, 1]]), np.zeros(1)
    for i in range(count):
        point = (xyz[i : i + 1], run, xyz[i : i + 1], none, moving[4][:1], none)
        gap[i], on_fixed[i], _ = search(fixed, point, pose, (0, 0), limit)
    return gap, on_fixed


@compiled
def crowd(
    fixed: TreeArrays,
    moving: TreeArrays,
    pose: tuple[FloatArray, FloatArray],
    nodes: tuple[IntArray, FloatArray],
    most: int,
) -> tuple[IntArray, int]:
    """Moving points in tree order that lie within a limit (mm) of a fixed one, looked for in the nodes given, each with its
    limit; of more than `most` points every n-th is asked. Returns them and n."""
    start, near, total = moving[1], [0 for _ in range(0)], 0
    for k in range(len(nodes[0])):
        node = nodes[0][k]
        if search(fixed, moving, pose, (0, node), nodes[1][k])[1] >= 0:
            near.append(k)
            total += start[node, 1] - start[node, 0]
    step, one, hits = max(1, total // most), np.empty(1, np.int64), [0 for _ in range(0)]
    for k in near:
        node = nodes[0][k]
        for i in range(start[node, 0], start[node, 1], step):
            if within(fixed, pose[0] @ moving[0][i] + pose[1], nodes[1][k], one):
                hits.append(i)
    return np.array(hits, np.int64), step
