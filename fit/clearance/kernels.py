"""The loops that must be compiled: splitting points into a tree of spheres, and the closest pair of two trees.

This file is imported only inside the functions that run it, so that nothing else waits for numba.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit  # noqa: TID253 - see the docstring
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["TreeArrays", "bound_slabs", "bound_spheres", "compiled", "search", "split", "within"]

IntArray = NDArray[np.int64]
TreeArrays = tuple[FloatArray, IntArray, FloatArray, FloatArray, FloatArray, FloatArray]


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Machine code of a function, kept on disk where there is a folder for it."""
    try:
        fast: Callable[..., Any] = njit(cache=True, nogil=True)(function)
    except RuntimeError:
        fast = njit(nogil=True)(function)
    return fast


@compiled
def _widest_axis(xyz: FloatArray, order: IntArray, first: int, last: int) -> int:
    axis, widest = 0, -1.0
    for k in range(3):
        low, high = math.inf, -math.inf
        for i in range(first, last):
            value = xyz[order[i], k]
            low, high = min(low, value), max(high, value)
        if high - low > widest:
            axis, widest = k, high - low
    return axis


@compiled
def _exchange(values: FloatArray, order: IntArray, i: int, j: int, pivot: float) -> tuple[int, int]:
    """One pass of Hoare's partition between i and j; returns where both ends met."""
    while i <= j:
        while values[order[i]] < pivot:
            i += 1
        while pivot < values[order[j]]:
            j -= 1
        if i <= j:
            order[i], order[j] = order[j], order[i]
            i += 1
            j -= 1
    return i, j


@compiled
def _median(values: FloatArray, order: IntArray, first: int, last: int) -> int:
    """Put the median of order[first:last] in its place, smaller ones before it (Hoare's FIND, CACM 4 (1961) 321)."""
    middle, left, right = (first + last) // 2, first, last - 1
    while left < right:
        i, j = _exchange(values, order, left, right, values[order[(left + right) // 2]])
        if j < middle:
            left = i
        if middle < i:
            right = j
    return middle


@compiled
def split(xyz: FloatArray, order: IntArray, start: IntArray, depth: int) -> None:
    """Sort `order` so that each node of the complete binary tree owns a run of it, halved across its longest side.

    Node i has the children 2i+1 and 2i+2 and owns order[start[i, 0]:start[i, 1]].
    """
    for node in range(2**depth - 1):
        first, last = start[node, 0], start[node, 1]
        axis = _widest_axis(xyz, order, first, last)
        middle = _median(xyz[:, axis], order, first, last)
        start[2 * node + 1, 0], start[2 * node + 1, 1] = first, middle
        start[2 * node + 2, 0], start[2 * node + 2, 1] = middle, last


@compiled
def bound_spheres(xyz: FloatArray, start: IntArray, centre: FloatArray, radius: FloatArray) -> None:
    """Centre (of its points' box) and radius of every node's bounding sphere; xyz is in tree order."""
    for node in range(len(radius)):
        first, last = start[node, 0], start[node, 1]
        for k in range(3):
            low, high = math.inf, -math.inf
            for i in range(first, last):
                low, high = min(low, xyz[i, k]), max(high, xyz[i, k])
            centre[node, k] = 0.5 * (low + high)
        largest = 0.0
        for i in range(first, last):
            largest = max(largest, _square(xyz, i, centre[node, 0], centre[node, 1], centre[node, 2]))
        radius[node] = math.sqrt(largest)


@compiled
def _flattest(spread: FloatArray) -> FloatArray:
    """Unit vector across which a symmetric (3, 3) spread is least: power iteration on trace·I - spread, by squaring."""
    power = -spread
    trace = spread[0, 0] + spread[1, 1] + spread[2, 2]
    for k in range(3):
        power[k, k] += trace
    for _ in range(5):
        square = np.zeros((3, 3))
        for i in range(3):
            for j in range(3):
                square[i, j] = power[i, 0] * power[0, j] + power[i, 1] * power[1, j] + power[i, 2] * power[2, j]
        size = square[0, 0] + square[1, 1] + square[2, 2]
        if size <= 0.0:
            return np.array([0.0, 0.0, 1.0])
        power = square / size
    longest = 0
    for k in range(1, 3):
        if power[k, k] > power[longest, longest]:
            longest = k
    length = math.sqrt(power[longest, 0] ** 2 + power[longest, 1] ** 2 + power[longest, 2] ** 2)
    return power[longest] / length


@compiled
def bound_slabs(xyz: FloatArray, start: IntArray, centre: FloatArray, normal: FloatArray, thick: FloatArray) -> None:
    """Direction across which each node is flattest, and how far its points lie from the centre along it."""
    for node in range(len(thick)):
        spread = np.zeros((3, 3))
        for i in range(start[node, 0], start[node, 1]):
            x, y, z = xyz[i, 0] - centre[node, 0], xyz[i, 1] - centre[node, 1], xyz[i, 2] - centre[node, 2]
            spread[0, 0] += x * x
            spread[0, 1] += x * y
            spread[0, 2] += x * z
            spread[1, 1] += y * y
            spread[1, 2] += y * z
            spread[2, 2] += z * z
        spread[1, 0], spread[2, 0], spread[2, 1] = spread[0, 1], spread[0, 2], spread[1, 2]
        across = _flattest(spread)
        largest = 0.0
        for i in range(start[node, 0], start[node, 1]):
            height = 0.0
            for k in range(3):
                height += (xyz[i, k] - centre[node, k]) * across[k]
            largest = max(largest, abs(height))
        normal[node] = across
        thick[node] = largest


@compiled
def _square(xyz: FloatArray, i: int, x: float, y: float, z: float) -> float:
    return float((xyz[i, 0] - x) ** 2 + (xyz[i, 1] - y) ** 2 + (xyz[i, 2] - z) ** 2)


@compiled
def _place(xyz: FloatArray, i: int, turn: FloatArray, shift: FloatArray) -> tuple[float, float, float]:
    a, b, c = xyz[i, 0], xyz[i, 1], xyz[i, 2]
    return (
        turn[0, 0] * a + turn[0, 1] * b + turn[0, 2] * c + shift[0],
        turn[1, 0] * a + turn[1, 1] * b + turn[1, 2] * c + shift[1],
        turn[2, 0] * a + turn[2, 1] * b + turn[2, 2] * c + shift[2],
    )


@compiled
def _scan(
    fixed: TreeArrays,
    moving: TreeArrays,
    pose: tuple[FloatArray, FloatArray],
    nodes: tuple[int, int],
    best: tuple[float, int, int],
) -> tuple[float, int, int]:
    """Closest pair of two leaves; points outside the fixed leaf's sphere by more than the best so far are skipped."""
    xyz_f, start_f, centre_f, radius_f = fixed[0], fixed[1], fixed[2], fixed[3]
    xyz_m, start_m = moving[0], moving[1]
    f, m = nodes
    least, best_f, best_m = best
    square = least * least
    for i in range(start_m[m, 0], start_m[m, 1]):
        x, y, z = _place(xyz_m, i, pose[0], pose[1])
        if _square(centre_f, f, x, y, z) > (least + radius_f[f]) ** 2:
            continue
        for j in range(start_f[f, 0], start_f[f, 1]):
            d = _square(xyz_f, j, x, y, z)
            if d < square:
                square, least, best_f, best_m = d, math.sqrt(d), j, i
    return least, best_f, best_m


@compiled
def _reach(tree: TreeArrays, node: int, along: float) -> float:
    """How far a node's disc reaches in a direction whose cosine with the disc's normal is given."""
    lean = abs(along)
    return tree[5][node] * lean + tree[3][node] * math.sqrt(max(0.0, 1.0 - lean * lean))


@compiled
def _low(
    fixed: TreeArrays, moving: TreeArrays, pose: tuple[FloatArray, FloatArray], nodes: tuple[int, int], best: float
) -> float:
    """No two points of these nodes are nearer than this.

    First by their spheres; where that does not decide against `best`, by how far both discs reach along the one's
    normal and along the other's, since the distance is at least the gap between their shadows on any direction.
    """
    f, m = nodes
    x, y, z = _place(moving[2], m, pose[0], pose[1])
    x, y, z = x - fixed[2][f, 0], y - fixed[2][f, 1], z - fixed[2][f, 2]
    low = math.sqrt(x * x + y * y + z * z) - fixed[3][f] - moving[3][m]
    if low >= best:
        return low
    n, o, turn = fixed[4][f], moving[4][m], pose[0]
    a = turn[0, 0] * o[0] + turn[0, 1] * o[1] + turn[0, 2] * o[2]
    b = turn[1, 0] * o[0] + turn[1, 1] * o[1] + turn[1, 2] * o[2]
    c = turn[2, 0] * o[0] + turn[2, 1] * o[1] + turn[2, 2] * o[2]
    both = n[0] * a + n[1] * b + n[2] * c
    by_fixed = abs(x * n[0] + y * n[1] + z * n[2]) - fixed[5][f] - _reach(moving, m, both)
    by_moving = abs(x * a + y * b + z * c) - moving[5][m] - _reach(fixed, f, both)
    return max(low, by_fixed, by_moving)


@compiled
def search(
    fixed: TreeArrays, moving: TreeArrays, pose: tuple[FloatArray, FloatArray], roots: tuple[int, int], bound: float
) -> tuple[float, int, int]:
    """Smallest distance below `bound` between the nodes `roots` of two trees, the second moved by pose.

    Depth first, the nearer pair of children first; a pair of spheres that cannot hold a smaller distance is dropped.
    Returns the distance and the places of both points in tree order, or (bound, -1, -1) where nothing is nearer.
    """
    best = (bound, -1, -1)
    stack, lows, top = np.empty((256, 2), np.int64), np.empty(256), 1
    stack[0, 0], stack[0, 1], lows[0] = roots[0], roots[1], -math.inf
    while top > 0:
        top -= 1
        f, m = stack[top, 0], stack[top, 1]
        if lows[top] >= best[0]:
            continue
        ends_f, ends_m = 2 * f + 1 >= len(fixed[3]), 2 * m + 1 >= len(moving[3])
        if ends_f and ends_m:
            best = _scan(fixed, moving, pose, (f, m), best)
            continue
        on_fixed = ends_m or (not ends_f and fixed[3][f] >= moving[3][m])
        f0, m0 = (2 * f + 1, m) if on_fixed else (f, 2 * m + 1)
        f1, m1 = (2 * f + 2, m) if on_fixed else (f, 2 * m + 2)
        low0 = _low(fixed, moving, pose, (f0, m0), best[0])
        low1 = _low(fixed, moving, pose, (f1, m1), best[0])
        if low0 < low1:
            f0, m0, low0, f1, m1, low1 = f1, m1, low1, f0, m0, low0
        if low0 < best[0]:
            stack[top, 0], stack[top, 1], lows[top] = f0, m0, low0
            top += 1
        if low1 < best[0]:
            stack[top, 0], stack[top, 1], lows[top] = f1, m1, low1
            top += 1
    return best


@compiled
def within(tree: TreeArrays, place: FloatArray, reach: float, found: IntArray) -> int:
    """Write the places in tree order of the points within `reach` of a place; stops when `found` is full."""
    xyz, start, centre, radius = tree[0], tree[1], tree[2], tree[3]
    stack, top, count = np.empty(64, np.int64), 1, 0
    stack[0] = 0
    while top > 0 and count < len(found):
        top -= 1
        node = stack[top]
        if math.sqrt(_square(centre, node, place[0], place[1], place[2])) - radius[node] > reach:
            continue
        if 2 * node + 1 < len(radius):
            stack[top], stack[top + 1] = 2 * node + 1, 2 * node + 2
            top += 2
            continue
        for i in range(start[node, 0], start[node, 1]):
            if count < len(found) and _square(xyz, i, place[0], place[1], place[2]) <= reach * reach:
                found[count] = i
                count += 1
    return count
