"""The seal's own line: a measured edge moved aside to the bulb's centre, the flange edge or the groove's bottom."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.errors import InputError
from fit.feature import Feature
from fit.paths.chain import Chain, locate, wrap
from fit.paths.offset import OffsetChain, offset_chain
from fit.points import FloatArray, align_shared
from fit.shapes.frame import axes_about
from fit.uncertain import Value, propagate

__all__ = ["Edge", "SealLine", "edge_of", "seal_line"]

_CORNER = math.radians(0.2)
_OPEN_END = 0.5
_OTHER_SIDE = {"left": "right", "right": "left", "in": "out", "out": "in"}


@dataclass(frozen=True, eq=False, slots=True)
class Edge:
    """A measured edge in its plane.

    Attributes
    ----------
    feature : the path. chain : the same in the plane's axes. origin : (3,) mm. axes : (3, 3) rows, third the normal.
    turn : how far the heading turns from start to end, left positive; ±2π where the path is closed.
    """

    feature: Feature
    chain: Chain
    origin: FloatArray
    axes: FloatArray
    turn: Value

    @property
    def closed(self) -> bool:
        """Whether the path closes on itself."""
        return bool(self.chain.closed)

    def places(self, along: FloatArray) -> FloatArray:
        """Points (M, 3) mm at lengths (M,) along the edge."""
        return self.origin + locate(self.chain, along)[0] @ self.axes[:2]


@dataclass(frozen=True, eq=False, slots=True)
class SealLine:
    """The edge moved aside.

    Attributes
    ----------
    edge : what was measured. offset : mm, positive to the side named. side : ``out``, ``in``, ``left`` or ``right``.
    distance : mm to the left of the path's direction. per_mm : change of length for each mm of offset, 2π outside a
        closed path. moved : the offset chain. length : its length.
    """

    edge: Edge
    offset: float
    side: str
    distance: float
    per_mm: float
    moved: OffsetChain
    length: Value

    @property
    def lies(self) -> str:
        """The side on which the line lies: the one named, or the other where the offset is negative."""
        return self.side if self.offset >= 0 else _OTHER_SIDE[self.side]


def edge_of(feature: Feature) -> Edge:
    """A path feature as a chain in its own plane.

    Raises InputError where the feature is no path of lines and arcs, or its pieces do not follow one another.
    """
    if feature.kind != "path" or not feature.segments:
        message = (
            f"'{feature.name}' must be a path with lines and arcs; got a {feature.kind} without them. Walk the edge with "
            "an arm and cut it with 'edgewright path', or ask for kind path in a job."
        )
        raise InputError(message)
    axes = _plane_axes(feature.segments)
    origin = _ends(feature.segments[0], axes, 1.0)[0]
    signs = _directions(feature, axes)
    ends = [_ends(piece, axes, sign) for piece, sign in zip(feature.segments, signs, strict=True)]
    _check_joined(feature, ends)
    before = np.array([math.atan2(axes[1] @ tangent, axes[0] @ tangent) for _, _, tangent in ends])
    lengths = np.array([_length(piece) for piece in feature.segments])
    curvatures = np.array([_curvature(piece, sign) for piece, sign in zip(feature.segments, signs, strict=True)])
    turns = wrap(before - np.roll(before + lengths * curvatures, 1))
    closed = bool(feature.closed)
    corners = np.abs(turns) > _CORNER
    if not closed:
        turns[0], corners[0] = 0.0, False
    start = axes[:2] @ (ends[0][0] - origin)
    arcs = np.array([piece.kind == "arc" for piece in feature.segments])
    chain = Chain(start, float(before[0]), lengths, curvatures, np.where(corners, turns, 0.0), arcs, corners, closed)
    total = float((lengths * curvatures).sum() + turns.sum())
    return Edge(feature, chain, origin, axes, _turn(feature, total, closed))


def _plane_axes(segments: Sequence[Feature]) -> FloatArray:
    """Axes (3, 3) in rows; the normal is that of the arcs, else of the lines' corners.

    Arcs that know their turn all have the normal of the face that was walked, and left is left as seen on that face;
    without turns the largest part of the normal is made positive.
    """
    arcs = [piece for piece in segments if piece.kind == "arc"]
    if arcs and "turn" in arcs[0].order:
        return axes_about(arcs[0].vector(("nx", "ny", "nz"))).T
    if arcs:
        normal = arcs[0].vector(("nx", "ny", "nz"))
    else:
        steps = [piece.vector(("x2", "y2", "z2")) - piece.vector(("x1", "y1", "z1")) for piece in segments]
        normal = np.sum([np.cross(a, b) for a, b in itertools.pairwise(steps)], axis=0)
        normal = normal if np.linalg.norm(normal) > 0 else np.cross(steps[0], [0.0, 0.0, 1.0])
        normal = normal if np.linalg.norm(normal) > 0 else np.array([1.0, 0.0, 0.0])
    normal = normal / np.linalg.norm(normal)
    return axes_about(normal * math.copysign(1.0, normal[int(np.argmax(np.abs(normal)))])).T


def _length(piece: Feature) -> float:
    return piece["length"] if piece.kind == "line" else piece["radius"] * abs(piece["span"])


def _curvature(piece: Feature, sign: float) -> float:
    return 0.0 if piece.kind == "line" else sign / piece["radius"]


def _ends(piece: Feature, axes: FloatArray, sign: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """First and last point (3,) mm and the first tangent (3,); sign tells whether an arc turns left as walked."""
    if piece.kind == "line":
        first, last = piece.vector(("x1", "y1", "z1")), piece.vector(("x2", "y2", "z2"))
        return first, last, (last - first) / max(float(np.linalg.norm(last - first)), 1e-12)
    own = axes_about(piece.vector(("nx", "ny", "nz"))).T
    angles = np.array([piece["start"], piece["start"] + piece["span"]])
    out = np.cos(angles)[:, None] * own[0] + np.sin(angles)[:, None] * own[1]
    places = piece.vector(("x", "y", "z")) + piece["radius"] * out
    left = float(own[2] @ axes[2]) > 0
    begin = 0 if (sign > 0) == left else 1
    return places[begin], places[1 - begin], sign * np.cross(axes[2], out[begin])


def _directions(feature: Feature, axes: FloatArray) -> list[float]:
    """+1 where an arc turns left as walked, -1 where it turns right; from `turn` where the file says, else by
    fitting on.
    """
    signs: list[float] = []
    segments = feature.segments
    for i, piece in enumerate(segments):
        if piece.kind == "line" or "turn" in piece.order:
            signs.append(1.0 if piece.kind == "line" else math.copysign(1.0, piece["turn"]))
            continue
        if i:
            target = _ends(segments[i - 1], axes, signs[-1])[1]
            misses = [float(np.linalg.norm(_ends(piece, axes, sign)[0] - target)) for sign in (1.0, -1.0)]
        else:
            following = _either_end(segments[1], axes) if len(segments) > 1 else _ends(piece, axes, 1.0)[1][None]
            misses = [
                float(np.linalg.norm(following - _ends(piece, axes, sign)[1], axis=1).min()) for sign in (1.0, -1.0)
            ]
        signs.append(1.0 if misses[0] <= misses[1] else -1.0)
    return signs


def _either_end(piece: Feature, axes: FloatArray) -> FloatArray:
    first, last, _ = _ends(piece, axes, 1.0)
    return np.stack([first] if piece.kind == "line" else [first, last])


def _check_joined(feature: Feature, ends: Sequence[tuple[FloatArray, FloatArray, FloatArray]]) -> None:
    following = [*ends[1:], *(ends[:1] if feature.closed else [])]
    for i, (here, there) in enumerate(zip(ends, following, strict=False)):
        apart = float(np.linalg.norm(here[1] - there[0]))
        if apart > _OPEN_END:
            message = (
                f"'{feature.name}': piece {i + 1} ends {apart:.2f} mm from where the next begins; a seal needs one "
                "unbroken path. Measure the edge again."
            )
            raise InputError(message)


def _turn(feature: Feature, total: float, closed: bool) -> Value:
    """Total turn; exact where the path closes, else from the headings of the first and the last piece."""
    names = tuple(dict.fromkeys(name for piece in feature.segments for name in piece.shared_names))
    if closed:
        return Value(round(total / (2 * math.pi)) * 2 * math.pi, 0.0, np.zeros(len(names)), names)
    first, last = feature.segments[0], feature.segments[-1]

    first_swing, last_swing = (_swing(piece, feature.segments) for piece in (first, last))
    # an end arc adds its own turn at either end; a line's heading counts up at the last end and down at the first
    sign = -1.0 if first.kind == "line" else 1.0
    moves = align_shared(names, last_swing.shared_names, last_swing.shared)
    moves = moves + sign * align_shared(names, first_swing.shared_names, first_swing.shared)
    return Value(total, first_swing.own + last_swing.own, moves, names, min(first_swing.dof, last_swing.dof))


def _swing(piece: Feature, segments: Sequence[Feature]) -> Value:
    """How far an end piece's heading may swing: a line's direction in the plane, an arc's turn as walked."""
    if piece.kind == "arc":
        span = piece.value("turn" if "turn" in piece.order else "span")
        return Value(0.0, span.own, span.shared, span.shared_names, span.dof)
    base = piece.vector(("x2", "y2", "z2")) - piece.vector(("x1", "y1", "z1"))
    side = np.cross(_plane_axes(segments)[2], base) / float(base @ base)
    return propagate(lambda v: float(side @ (v[3:6] - v[:3])), piece)


def seal_line(edge: Edge, offset: float, side: str | None = None) -> SealLine:
    """The line at `offset` mm to one side of the edge: ``out`` or ``in`` of a closed path, ``left`` or ``right`` of
    an open one.

    A parallel line at d has the length L + d·(turn towards the other side): L + 2πd outside a closed path (Steiner's
    formula for parallel curves, turning number 1). Where an arc is tighter than the offset its neighbours are brought
    to where they meet.

    Raises InputError for a side that the path does not have, CannotDetermine where the line cannot be moved so far.
    """
    if not math.isfinite(offset):
        message = f"The offset must be a length in mm; got {offset:g}."
        raise InputError(message)
    side = side or ("out" if edge.closed else "left")
    allowed = ("out", "in", "left", "right") if edge.closed else ("left", "right")
    if side not in allowed:
        message = f"The side of '{edge.feature.name}' must be {' or '.join(allowed)}; got '{side}'."
        raise InputError(message)
    inward = math.copysign(1.0, edge.turn.value)
    to_left = {"left": 1.0, "right": -1.0, "in": inward, "out": -inward}[side]
    distance = offset * to_left
    moved = offset_chain(edge.chain, distance)
    return SealLine(
        edge, offset, side, distance, -to_left * edge.turn.value, moved, _moved_length(edge, moved, distance)
    )


def _moved_length(edge: Edge, moved: OffsetChain, distance: float) -> Value:
    """Length of the moved line: the edge's own with its errors, less distance times turn with its errors."""
    length, turn = edge.feature.value("length"), edge.turn
    names = tuple(dict.fromkeys((*length.shared_names, *turn.shared_names)))
    shared = align_shared(names, length.shared_names, length.shared)
    shared = shared - distance * align_shared(names, turn.shared_names, turn.shared)
    own = length.own + distance**2 * turn.own
    for i in moved.collapsed:
        piece = edge.feature.segments[i]
        # a vanished arc's neighbours meet in a corner: 2·tan(turn/2) of length for each mm of its radius, not its turn
        angle = abs(piece["span"])
        own += ((2 * math.tan(min(angle, 3.0) / 2) - angle) ** 2) * piece.value("radius").u ** 2
    return Value(float(moved.chain.lengths.sum()), own, shared, names, length.dof)
