"""What follows from a fitted path: offsets, lengths between points, marks, curvature along it, polylines, suggestions."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.feature import Feature
from fit.paths.chain import Chain, layout, locate, unit
from fit.paths.features import ARC_ORDER, LINE_ORDER
from fit.paths.frame import Frame
from fit.paths.offset import offset_chain
from fit.paths.path import PathFit
from fit.points import FloatArray
from fit.results import Notice
from fit.uncertain import Value

__all__ = [
    "OffsetPath",
    "Suggestion",
    "chord_between",
    "curvature_along",
    "length_between",
    "marks_along",
    "offset_path",
    "polyline",
    "radius_suggestions",
]

_INCH_16 = 25.4 / 16
_Measure = Callable[[Chain, Frame], FloatArray]


@dataclass(frozen=True, eq=False, slots=True)
class OffsetPath:
    """A path moved aside: its feature, its chain in the same plane, and what the move did to arcs and corners."""

    feature: Feature
    chain: Chain
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A round radius near a measured one that the data do not reject; mm. Shown, never applied."""

    segment: str
    radius: float
    words: str


def polyline(chain: Chain) -> FloatArray:
    """Vertices and bulges (V, 3) of a chain: x, y and tan(turn / 4) of the piece that starts there.

    An open chain ends with a vertex of bulge 0; a closed one leaves its first vertex unrepeated.
    """
    joints = layout(chain).joints
    bulge = np.append(np.tan(chain.curvatures * chain.lengths / 4), 0.0)
    return np.column_stack([joints, bulge])[: len(chain) if chain.closed else None]


def marks_along(path: PathFit, spacing: float) -> tuple[FloatArray, FloatArray]:
    """Lengths along the path (M,) mm and places (M, 3) of marks evenly spaced as near to `spacing` mm as divides it."""
    total = float(path.chain.lengths.sum())
    if not 0 < spacing <= total:
        message = f"The spacing of marks must lie between 0 and the path's length, {total:.1f} mm; got {spacing:g}."
        raise InputError(message)
    count = max(1, round(total / spacing))
    at = np.linspace(0.0, total, count + 1)[: count if path.chain.closed else None]
    return at, path.frame.lifted(locate(path.chain, at)[0])


def curvature_along(path: PathFit, step: float = 1.0) -> FloatArray:
    """Length along the path and curvature there (M, 2), mm and 1/mm, left turns positive."""
    at = np.arange(0.0, float(path.chain.lengths.sum()), step)
    return np.column_stack([at, path.chain.curvatures[locate(path.chain, at)[2]]])


def length_between(path: PathFit, first: str, second: str) -> Value:
    """Length along the path between the feet of two named points, in the path's direction where it is closed."""
    a, b = _foot(path, first), _foot(path, second)

    def measure(chain: Chain, _: Frame) -> FloatArray:
        span = _slid(path, chain, b) - _slid(path, chain, a)
        return np.array([span % float(chain.lengths.sum()) if chain.closed else abs(span)])

    return _value(path, measure, 2 * path.noise**2)


def chord_between(path: PathFit, first: str, second: str) -> Value:
    """Straight distance between the feet of two named points."""
    a, b = _foot(path, first), _foot(path, second)

    def measure(chain: Chain, _: Frame) -> FloatArray:
        ends = locate(chain, np.array([_slid(path, chain, a), _slid(path, chain, b)]))[0]
        return np.array([np.hypot(*(ends[1] - ends[0]))])

    return _value(path, measure, 2 * path.noise**2)


def radius_suggestions(feature: Feature) -> list[Suggestion]:
    """Whole millimetres and sixteenths of an inch within the U95 of each arc's radius."""
    found = []
    for arc in (s for s in feature.segments if s.kind == "arc"):
        radius, spread = arc["radius"], arc.value("radius").u95
        for unit_size, words in ((1.0, "{:.0f} mm"), (_INCH_16, "{} in")):
            count = round(radius / unit_size)
            if count > 0 and abs(count * unit_size - radius) <= spread:
                text = words.format(count if unit_size == 1.0 else _sixteenths(count))
                found.append(Suggestion(arc.name, count * unit_size, text))
    return found


def _sixteenths(count: int) -> str:
    whole, part = divmod(count, 16)
    if not part:
        return str(whole)
    common = math.gcd(part, 16)
    return f"{whole or ''}{' ' if whole else ''}{part // common}/{16 // common}"


def offset_path(path: PathFit, distance: float, side: str) -> OffsetPath:
    """The path moved by `distance` mm to its 'left' or 'right' in the direction of travel, seen against its normal."""
    if side not in ("left", "right") or not distance > 0:
        message = f"A path is moved by a positive amount to its left or right; got {distance:g} mm to the {side}."
        raise InputError(message)
    shift = distance if side == "left" else -distance
    base = offset_chain(path.chain, shift)

    def measure(chain: Chain, frame: Frame) -> FloatArray:
        return np.concatenate([_segment_values(offset_chain(chain, shift).chain, frame).ravel(), [0.0]])

    name = f"{path.feature.name} {side}"
    values, slopes = _carried(path, measure)
    table = values[:-1].reshape(len(base.chain), -1)
    gains = slopes[:-1].reshape(len(base.chain), len(ARC_ORDER), -1)
    segments = tuple(_segment(path, base.chain, i, (table, gains), name) for i in range(len(table)))
    whole = _path_feature(path, segments, (table, gains), name)
    return OffsetPath(whole, base.chain, _offset_notices(path, base.collapsed, base.origin, (distance, side)))


def _offset_notices(
    path: PathFit, collapsed: tuple[int, ...], origin: NDArray[np.int_], move: tuple[float, str]
) -> tuple[Notice, ...]:
    name, (distance, side) = path.feature.name, move
    notices = []
    for i in collapsed:
        radius = 1 / abs(path.chain.curvatures[i])
        text = f"{name} {i + 1} (R {radius:.2f} mm) vanishes {distance:g} mm to the {side}: a sharp corner stands in its place."
        notices.append(Notice("arc-collapsed", text, name))
    rounded = [str(-1 - int(j)) for j in origin if j < 0]
    if rounded:
        text = f"Outer corners before segment {', '.join(rounded)} became arcs of R {distance:g} mm."
        notices.append(Notice("corner-rounded", text, name))
    return tuple(notices)


def _segment_values(chain: Chain, frame: Frame) -> FloatArray:
    """Values (K, 11) by segment: an arc's in ARC_ORDER, a line's ends and length followed by zeros."""
    where = layout(chain)
    table = np.zeros((len(chain), len(ARC_ORDER)))
    for i, arc in enumerate(chain.arcs):
        kappa, length = chain.curvatures[i], chain.lengths[i]
        if not arc:
            table[i, :7] = [*frame.lifted(where.joints[i : i + 2]).ravel(), length]
            continue
        centre = where.joints[i] + unit(where.before[i] + np.pi / 2) / kappa
        start = where.before[i] - np.pi / 2 if kappa > 0 else where.after[i] + np.pi / 2
        table[i] = [
            *frame.lifted(centre),
            *frame.axes[2],
            1 / abs(kappa),
            start,
            abs(kappa) * length,
            length,
            kappa * length,
        ]
    return table


def _segment(path: PathFit, chain: Chain, i: int, carried: tuple[FloatArray, FloatArray], name: str) -> Feature:
    table, gains = carried
    order = ARC_ORDER if chain.arcs[i] else LINE_ORDER
    values, slopes = table[i, : len(order)].copy(), gains[i, : len(order)]
    if chain.arcs[i]:
        values[7] %= 2 * np.pi
    else:  # a line's ends are known across it alone
        along = (values[3:6] - values[:3]) / np.linalg.norm(values[3:6] - values[:3])
        slopes = slopes.copy()
        for end in (slice(0, 3), slice(3, 6)):
            slopes[end] -= np.outer(along, along @ slopes[end])
    know = path.knowledge
    return Feature(
        name=f"{name} {i + 1}",
        kind="arc" if chain.arcs[i] else "line",
        order=order,
        values=values,
        cov_own=slopes @ know.cov @ slopes.T,
        shared=know.shared @ slopes.T,
        shared_names=know.shared_names,
        dof=path.dof,
    )


def _path_feature(
    path: PathFit, segments: tuple[Feature, ...], carried: tuple[FloatArray, FloatArray], name: str
) -> Feature:
    _, gains = carried
    place = [s.order.index("length") for s in segments]
    order, values = ["length"], [sum(s["length"] for s in segments)]
    slopes = [sum(gains[i, j] for i, j in enumerate(place))]
    arcs = [(s["radius"], i) for i, s in enumerate(segments) if s.kind == "arc"]
    if arcs:
        radius, tight = min(arcs)
        order, values, slopes = [*order, "smallest_radius"], [*values, radius], [*slopes, gains[tight, 6]]
    gain, know = np.array(slopes), path.knowledge
    return replace(
        path.feature,
        name=name,
        order=tuple(order),
        values=np.array(values),
        cov_own=gain @ know.cov @ gain.T,
        shared=know.shared @ gain.T,
        shared_names=know.shared_names,
        segments=segments,
        residuals=np.zeros(0),
        rejected=np.zeros(0, dtype=int),
    )


def _foot(path: PathFit, label: str) -> float:
    """Length along the path to the middle of the feet of the points of that name."""
    which = path.points.label == label
    if not which.any():
        known = ", ".join(sorted(set(path.points.label) - {""})[:12]) or "none"
        message = f"No point of path '{path.feature.name}' is named '{label}'; named points: {known}."
        raise InputError(message)
    return float(np.mean(path.along[which]))


def _slid(path: PathFit, chain: Chain, at: float) -> float:
    """Length along a slightly changed chain to the foot of the place that lay at `at` on the path's own chain."""
    (old,), (heading,), _ = locate(path.chain, np.array([at]))
    (new,), _, _ = locate(chain, np.array([at]))
    return at + float((old - new) @ unit(heading))


def _varied(path: PathFit, move: FloatArray) -> tuple[Chain, Frame]:
    """Chain and plane moved by small steps (Q,) of what they hang on; an open end stays the foot of its point."""
    chain, frame, p = path.chain, path.frame, len(move) - 5
    lengths = chain.lengths + move[3:p:3]
    bend = chain.curvatures + move[4:p:3]
    varied = replace(
        chain,
        start=chain.start + move[:2],
        heading=chain.heading + move[2],
        lengths=lengths,
        curvatures=bend,
        turns=chain.turns + move[5:p:3],
    )
    if not chain.closed:
        old, new = layout(chain), layout(replace(varied, lengths=np.append(lengths[:-1], chain.lengths[-1])))
        ahead = float((old.joints[-1] - new.joints[-1]) @ unit(old.after[-1])) + move[p + 1]
        lengths = np.append(lengths[:-1], chain.lengths[-1] + ahead)
        lengths[0] -= move[p]
        slide = varied.start + move[p] * unit(varied.heading)
        varied = replace(varied, start=slide, heading=varied.heading + bend[0] * move[p], lengths=lengths)
    rise, slope_1, slope_2 = move[p + 2 :]
    first, second, normal = frame.axes
    axes = np.stack([first + slope_1 * normal, second + slope_2 * normal, normal - slope_1 * first - slope_2 * second])
    return varied, replace(frame, origin=frame.origin + rise * normal, axes=axes)


def _carried(path: PathFit, measure: _Measure) -> tuple[FloatArray, FloatArray]:
    """Values (V,) and their derivatives (V, Q) by central differences."""
    size = np.sqrt(np.diag(path.knowledge.cov) + (path.knowledge.shared**2).sum(axis=0))
    q = len(size)
    values = measure(path.chain, path.frame)
    slopes = np.zeros((len(values), q))
    for i in np.flatnonzero(size > 0):
        step = np.zeros(q)
        step[i] = 1e-3 * size[i]
        slopes[:, i] = (measure(*_varied(path, step)) - measure(*_varied(path, -step))) / (2 * step[i])
    return values, slopes


def _value(path: PathFit, measure: _Measure, extra: float) -> Value:
    values, slopes = _carried(path, measure)
    know = path.knowledge
    own = float(slopes[0] @ know.cov @ slopes[0]) + extra
    return Value(float(values[0]), own, know.shared @ slopes[0], know.shared_names, path.dof)
