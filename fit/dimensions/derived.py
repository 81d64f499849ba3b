"""Features and sizes made from several features: pitch circle, plane of symmetry, over-all size."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.dimensions.elements import axis_of, element_of, place_of, unit
from fit.errors import CannotDetermine, InputError
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, align_shared
from fit.shapes.circle import CircleInPlaneModel
from fit.shapes.frame import axes_about, upright
from fit.shapes.solve import solve
from fit.uncertain import Estimate, Value, propagate

__all__ = ["PitchCircle", "over_all", "pitch_circle", "symmetry_plane"]

_PARALLEL = math.radians(20.0)


@dataclass(frozen=True, eq=False, slots=True)
class PitchCircle:
    """Circle through hole centres: the feature, its diameter, and how far each centre lies off it (n,) mm, + outside.

    The errors are those of the centres; holes that are not quite on a circle are seen in misses, not in the ±.
    """

    feature: Feature
    diameter: Value
    misses: FloatArray


def pitch_circle(holes: Sequence[Feature]) -> PitchCircle:
    """Circle of least squares through the centres of three or more holes, in the plane of their mean normal.

    Raises
    ------
    CannotDetermine : fewer than three, or centres in line.
    """
    for hole in holes:
        if element_of(hole) != "point":
            message = f"A pitch circle goes through holes; '{hole.name}' is a {hole.kind}."
            raise InputError(message)
    if len(holes) < 3:
        message = f"A pitch circle needs at least three holes; got {len(holes)}."
        raise CannotDetermine(message)
    centres = np.array([hole.values[:3] for hole in holes])
    axes = axes_about(_common_normal(holes, centres))
    middle = centres.mean(axis=0)
    model, rows = CircleInPlaneModel(), ((centres - middle) @ axes[:, :2]).T
    solution = solve(model, model.start(rows), rows)
    slopes, gradients = model.evaluate(solution.state, rows)[1][:, 0], model.gradients(solution.state, rows)[0]
    turned = -np.einsum("pq,qn,dn->npd", solution.inverse, slopes, gradients)
    # steps u, v, R answer each centre's move in the plane; the height answers the mean of their moves across it
    turn = np.zeros((len(holes), 7, 3))
    turn[:, :3] = np.einsum("ik,nkj,lj->nil", axes[:, :2], turned[:, :2], axes[:, :2])
    turn[:, :3] += np.outer(axes[:, 2], axes[:, 2]) / len(holes)
    turn[:, 6] = 2 * turned[:, 2] @ axes[:, :2].T
    values = np.array([*(middle + axes[:, :2] @ solution.state[:2]), *axes[:, 2], 2 * solution.state[2]])
    feature = _carried("circle", values, [(hole, _padded(turn[i], hole)) for i, hole in enumerate(holes)])
    return PitchCircle(feature, feature.value("diameter"), solution.residuals[0])


def _padded(turn: FloatArray, feature: Feature) -> FloatArray:
    """Derivatives by a centre (P, 3) as derivatives by all values of its feature."""
    return np.hstack([turn, np.zeros((len(turn), len(feature.values) - 3))])


def _common_normal(holes: Sequence[Feature], centres: FloatArray) -> FloatArray:
    normals = [upright(hole.values[3:6]) for hole in holes if hole.kind != "sphere"]
    if normals:
        return unit(np.sum(normals, axis=0))
    return upright(np.linalg.svd(centres - centres.mean(axis=0))[2][-1])


def symmetry_plane(a: Feature, b: Feature) -> Feature:
    """Plane midway between two sides: two planes, or two edges of one face (the plane then stands on that face).

    Where the sides are not quite parallel it halves their angle. Its normal points from the first side to the second.

    Raises
    ------
    InputError : other kinds than two planes or two lines. CannotDetermine : sides more than 20° from parallel.
    """
    if a.kind != b.kind or a.kind not in ("plane", "line"):
        message = (
            f"A plane of symmetry lies between two planes or two lines; got {a.kind} '{a.name}', {b.kind} '{b.name}'."
        )
        raise InputError(message)
    u, v = axis_of(a.kind, a.values), axis_of(b.kind, b.values)
    if abs(float(u @ v)) < math.cos(_PARALLEL):
        turned = math.degrees(math.acos(min(abs(float(u @ v)), 1.0)))
        message = (
            f"'{a.name}' and '{b.name}' stand at {turned:.0f}° to each other; they are not two sides of one thing."
        )
        raise CannotDetermine(message)

    def middle(p: FloatArray, q: FloatArray) -> FloatArray:
        first, second = place_of(a.kind, p), place_of(b.kind, q)
        one, other = _looks_across(a.kind, axis_of(a.kind, p), axis_of(b.kind, q), second - first)
        # as far from either side: one·x − one·first = other·second − other·x, wherever the sides were touched
        normal = unit(one + other)
        height = float(one @ first + other @ second) / math.sqrt(float((one + other) @ (one + other)))
        # only the place along the normal is the plane's own
        held = (place_of(a.kind, a.values) + place_of(b.kind, b.values)) / 2
        return np.concatenate([held + normal * (height - float(normal @ held)), normal])

    values = middle(a.values, b.values)
    turns = [(a, _slope(lambda p: middle(p, b.values), a.values)), (b, _slope(lambda q: middle(a.values, q), b.values))]
    return _carried("plane", values, turns)


def _looks_across(kind: str, u: FloatArray, v: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What two sides look along, both from the first to the second: planes' normals, or square to edges in their face."""
    v = v * math.copysign(1.0, float(u @ v))
    if kind == "line":
        face = np.cross(u + v, across)
        u, v = unit(np.cross(face, u)), unit(np.cross(face, v))
    turned = math.copysign(1.0, float((u + v) @ across))
    return u * turned, v * turned


def over_all(features: Sequence[Feature], direction: ArrayLike) -> Value:
    """Over-all size in mm along a direction (3,): from the outermost rim, edge end or centre to the opposite one.

    Raises
    ------
    InputError : no feature, or one without extent (plane, cone).
    """
    along = unit(np.asarray(direction, float))
    pieces = [piece for feature in features for piece in (feature.segments or (feature,))]
    ends = [(_reach(piece, along, side), piece, side) for piece in pieces for side in (1.0, -1.0)]
    if not ends:
        message = "An over-all size needs at least one feature; got none."
        raise InputError(message)
    _, top, _ = max(ends, key=lambda end: end[0](end[1].values) if end[2] > 0 else -math.inf)
    _, bottom, _ = max(ends, key=lambda end: end[0](end[1].values) if end[2] < 0 else -math.inf)
    high, low = _reach(top, along, 1.0), _reach(bottom, along, -1.0)
    if top is bottom:
        return propagate(lambda p: high(p) + low(p), top)
    return propagate(lambda p, q: high(p) + low(q), top, bottom)


def _reach(feature: Feature, along: FloatArray, side: float) -> Callable[[FloatArray], float]:
    """How far a feature reaches to one side of the origin along a direction, as a function of its values."""
    if feature.kind == "line":
        return lambda p: max(side * float(along @ p[:3]), side * float(along @ p[3:6]))
    if feature.kind == "sphere":
        return lambda p: side * float(along @ p[:3]) + p[3] / 2
    if feature.kind == "circle":
        return lambda p: side * float(along @ p[:3]) + p[6] / 2 * _seen(along, p)
    if feature.kind == "slot":
        return lambda p: _slot_reach(p, along, side)
    if feature.kind == "arc":
        return lambda p: _arc_reach(p, along, side)
    message = (
        f"'{feature.name}' is a {feature.kind} and has no edge to measure over; name lines, arcs, circles or slots."
    )
    raise InputError(message)


def _seen(along: FloatArray, values: FloatArray) -> float:
    """Sine between a direction and a normal: what of a radius is seen along the direction."""
    return math.sqrt(max(1 - float(along @ unit(values[3:6])) ** 2, 0.0))


def _slot_reach(p: FloatArray, along: FloatArray, side: float) -> float:
    axes = axes_about(p[3:6])
    axis = axes[:, 0] * math.cos(p[8]) + axes[:, 1] * math.sin(p[8])
    return side * float(along @ p[:3]) + (p[6] - p[7]) / 2 * abs(float(along @ axis)) + p[7] / 2 * _seen(along, p)


def _arc_reach(p: FloatArray, along: FloatArray, side: float) -> float:
    axes = axes_about(p[3:6])
    flat = side * axes[:, :2].T @ along
    top = math.atan2(flat[1], flat[0])
    inside = (top - p[7]) % (2 * math.pi) <= p[8]
    angles = [top] if inside else [p[7], p[7] + p[8]]
    rims = [float(flat @ [math.cos(t), math.sin(t)]) for t in angles]
    return side * float(along @ p[:3]) + p[6] * max(rims)


def _slope(fn: Callable[[FloatArray], FloatArray], values: FloatArray, step: float = 1e-6) -> FloatArray:
    """Derivatives (P, Q) by central differences."""
    moves = np.eye(len(values)) * step
    return np.stack([(fn(values + move) - fn(values - move)) / (2 * step) for move in moves], axis=1)


def _carried(kind: str, values: FloatArray, turns: Sequence[tuple[Estimate, FloatArray]]) -> Feature:
    """Feature whose errors come from others by their derivatives; what those share stays shared."""
    names = tuple(dict.fromkeys(name for source, _ in turns for name in source.shared_names))
    size = len(values)
    cov, shared, free = np.zeros((size, size)), np.zeros((len(names), size)), 0.0
    for source, turn in turns:
        part = turn @ source.cov_own @ turn.T
        cov += part
        free += 0.0 if math.isinf(source.dof) else float(np.trace(part)) ** 2 / source.dof
        shared += align_shared(names, source.shared_names, source.shared) @ turn.T
    dof = float(np.trace(cov)) ** 2 / free if free > 0 else math.inf
    return Feature(kind, kind, KIND_ORDER[kind], values, cov, shared, names, dof)
