"""A hand-walked edge put in order before it is fitted: rests, back-tracking and stray touches found and named."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.paths.noise import local_noise
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["Walk", "gap_notices", "tidy"]

_STRAY = 6.0
"""Standard deviations off the cubic through its neighbours that make a touch stray."""
_REST_SHARE, _REST_POINTS = 0.3, 4
_GAP = 6.0


@dataclass(frozen=True, eq=False, slots=True)
class Walk:
    """Places in the list as given: order (M,) of the points to fit, stray (S,) those left out; and what was done."""

    order: NDArray[np.int_]
    stray: NDArray[np.int_]
    notices: tuple[Notice, ...]


def tidy(xy: FloatArray, closed: bool, name: str) -> Walk:
    """Order and clean a walk (N, 2) mm; texts count points from 1 as given."""
    order = np.arange(len(xy))
    if closed and np.hypot(*(xy[-1] - xy[0])) < _REST_SHARE * np.median(np.hypot(*np.diff(xy, axis=0).T)):
        order = order[:-1]
    notices: list[Notice] = []
    rests = _resting(xy[order])
    if rests.any():
        order = order[~rests]
        text = f"The walk rested on the edge: {int(rests.sum())} repeated touches were left out."
        notices.append(Notice("rested", text, name))
    stray = order[_stray(xy[order])]
    order = order[~np.isin(order, stray)]
    turned, times = _in_order(xy[order])
    if times:
        text = f"The walk went back over itself {times} time{'s' if times > 1 else ''}; its points were put in order."
        notices.append(Notice("back-tracked", text, name))
        order = order[turned]
    return Walk(order, stray, tuple(notices))


def _resting(xy: FloatArray) -> NDArray[np.bool_]:
    """Mask (N,) of touches that repeat the one before while the tip rested; the first of each rest stays."""
    step = np.hypot(*np.diff(xy, axis=0).T)
    near = np.concatenate([[False], step < _REST_SHARE * np.median(step)])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]]).astype(int)))
    mask = np.zeros(len(xy), dtype=bool)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        spread = np.hypot(*(xy[first:last] - xy[first - 1]).T).max()
        if last - first >= _REST_POINTS and spread < 2 * _REST_SHARE * np.median(step):
            mask[first:last] = True
    return mask


def _stray(xy: FloatArray) -> NDArray[np.bool_]:
    """Mask (N,) of one to three touches in a row off the edge: far from the cubic through two neighbours on either side.

    A corner stands off that cubic too, but so do its neighbours' own cubics without it; a stray's do not.
    """
    mask = np.zeros(len(xy), dtype=bool)
    sigma = local_noise(xy)
    if len(xy) < 16 or not sigma > 0:
        return mask
    limit = _STRAY * 1.4 * sigma
    for run in (1, 2, 3):
        for _ in range(max(3, len(xy) // 50)):
            keep = np.flatnonzero(~mask)
            off = _off_cubic(xy[keep], run)
            suspects = [int(i) for i in np.argsort(-off)[:20] if off[i] > limit]
            found = next((i for i in suspects if _alone(xy[keep], i, run, max(limit / 2, off[i] / 4))), None)
            if found is None:
                break
            mask[keep[found : found + run]] = True
    return mask


def _alone(xy: FloatArray, i: int, run: int, limit: float) -> bool:
    """Whether the points beside a run of touches from i on agree with each other once it is left out."""
    left = min(i, 5)
    rest = np.concatenate([xy[i - left : i], xy[i + run : i + run + 5]])
    if len(rest) < 7:
        return False
    off = _off_cubic(rest, 1)
    return bool(off[max(left - 2, 2) : min(left + 2, len(rest) - 2)].max(initial=0) < limit)


def _off_cubic(xy: FloatArray, run: int) -> FloatArray:
    """Least distance (N,) of `run` points from each place on from the cubic through two neighbours on either side.

    Across the chord of the neighbours, in units that have one point's noise times √2.
    """
    n = len(xy)
    off = np.zeros(n)
    first = np.arange(2, n - run - 1)
    beside = np.stack([xy[first - 2], xy[first - 1], xy[first + run], xy[first + run + 1]])
    chord = beside[-1] - beside[0]
    chord = chord / np.maximum(np.hypot(*chord.T), 1e-12)[:, None]
    heights = np.array([_height(beside, chord, xy[first + k]) for k in range(run)])
    off[first] = np.abs(heights).min(axis=0)
    return off


def _height(beside: FloatArray, chord: FloatArray, point: FloatArray) -> FloatArray:
    """Signed distance (M,) of points from the cubic through four neighbours (4, M, 2), over its standard deviation."""
    offset = beside - point
    a = (offset * chord).sum(axis=2)
    b = offset[:, :, 1] * chord[:, 0] - offset[:, :, 0] * chord[:, 1]
    value, spread = np.zeros(len(point)), np.zeros(len(point))
    for i in range(4):
        weight = np.prod([a[j] / _apart(a[j] - a[i]) for j in range(4) if j != i], axis=0)
        value += weight * b[i]
        spread += weight**2
    return value / np.sqrt((1 + spread) / 2)


def _apart(difference: FloatArray) -> FloatArray:
    return np.where(np.abs(difference) < 1e-9, 1e-9, difference)


def _in_order(xy: FloatArray) -> tuple[NDArray[np.int_], int]:
    """Order (N,) in which the points lie along the edge, and how often the walk went back over itself."""
    n, reach = len(xy), 3
    if n < 4 * reach:
        return np.arange(n), 0
    step = float(np.median(np.hypot(*np.diff(xy, axis=0).T)))
    ahead = xy[reach:] - xy[:-reach]
    length = np.hypot(*ahead.T)
    turned = (ahead[reach:] * ahead[:-reach]).sum(axis=1) < 0
    if not (turned & (np.minimum(length[reach:], length[:-reach]) > 1.5 * step)).any():
        return np.arange(n), 0
    order = _first_pass(xy, max(4 * local_noise(xy), 0.4 * step), step)
    late = np.setdiff1d(np.arange(n), order)
    return _inserted(xy, order, late), int((np.diff(late) > 1).sum() + 1) if len(late) else 0


def _first_pass(xy: FloatArray, near: float, step: float) -> NDArray[np.int_]:
    """Points that carry the walk on, without those that run back over the trail and up to its end again."""
    order: list[int] = [0]
    held: list[int] = []
    places = xy.tolist()
    for i, (x, y) in enumerate(places[1:], 1):
        (last_x, last_y), (back_x, back_y) = places[order[-1]], places[order[-min(4, len(order))]]
        ahead_x, ahead_y = (last_x - back_x, last_y - back_y) if len(order) > 1 else (x - last_x, y - last_y)
        advance = ((x - last_x) * ahead_x + (y - last_y) * ahead_y) / max(math.hypot(ahead_x, ahead_y), 1e-12)
        if advance < 0 and _off_trail(xy[order[-40:]], xy[i]) >= near:
            order.extend(held)  # it left the trail sideways: a sharp corner, not a way back
        elif len(order) > 3 and advance < (0.0 if held else -0.3 * step):
            held.append(i)
            continue
        held = []
        order.append(i)
    return np.array(order)


def _off_trail(trail: FloatArray, point: FloatArray) -> float:
    """Distance of a point from the polyline of a trail."""
    if len(trail) < 2:
        return float(np.hypot(*(trail[-1] - point)))
    start, leg = trail[:-1], np.diff(trail, axis=0)
    share = ((point - start) * leg).sum(axis=1) / np.maximum((leg * leg).sum(axis=1), 1e-18)
    foot = start + np.clip(share, 0, 1)[:, None] * leg
    return float(np.hypot(*(foot - point).T).min())


def _inserted(xy: FloatArray, order: NDArray[np.int_], late: NDArray[np.int_]) -> NDArray[np.int_]:
    """Each late point set next to the nearest ordered one that it was walked near to."""
    place = np.arange(len(order), dtype=float)
    extra = []
    for i in late:
        stop = int(np.searchsorted(order, i))
        first = max(0, stop - 60)
        trail = xy[order[first : stop + 60]]
        nearest = int(np.hypot(*(trail - xy[i]).T).argmin())
        low, high = trail[max(nearest - 1, 0)], trail[min(nearest + 1, len(trail) - 1)]
        leg = high - low
        extra.append(
            first + nearest + 0.5 * float(np.clip((xy[i] - trail[nearest]) @ leg / max(leg @ leg, 1e-18), -0.9, 0.9))
        )
    both = np.concatenate([order, late]).astype(int)
    return both[np.argsort(np.concatenate([place, extra]), kind="stable")]


def gap_notices(xy: FloatArray, closed: bool, name: str) -> list[Notice]:
    """A notice for the widest gap in a walk, where a bend could hide."""
    legs = np.diff(np.concatenate([xy, xy[:1]]) if closed else xy, axis=0)
    step = np.hypot(*legs.T)
    wide = np.flatnonzero(step > max(_GAP * float(np.median(step)), 2.0))
    if not len(wide):
        return []
    worst = int(wide[np.argmax(step[wide])])
    text = (
        f"The edge has {len(wide)} gap{'s' if len(wide) > 1 else ''}, the widest {step[worst]:.1f} mm after point "
        f"{worst + 1}; what lies between is bridged, not measured."
    )
    return [Notice("gap", text, name)]
