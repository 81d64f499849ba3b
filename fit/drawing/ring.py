"""Pieces measured one after another, joined end to end as one chain of lines and arcs."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fit.drawing.model import Arc, Circle, Line, Polyline

__all__ = ["chain_of", "ends_of", "lies_on", "without_doubles"]

_TOUCHING = 0.02
_REACH = 3.0
"""mm; ends further apart than this are joined by a straight piece, nearer ones at the corner their pieces make."""
_DOUBLE = 0.05
"""mm; two lines nearer than this would be cut twice (common practice, no source)."""

Point = tuple[float, float]


def ends_of(piece: Line | Arc) -> tuple[Point, Point]:
    """First and last point of a piece."""
    if isinstance(piece, Line):
        return (piece.x1, piece.y1), (piece.x2, piece.y2)
    return _on(piece, piece.start), _on(piece, piece.start + piece.span)


def _on(arc: Arc, angle: float) -> Point:
    return arc.x + arc.radius * math.cos(angle), arc.y + arc.radius * math.sin(angle)


def chain_of(pieces: Sequence[Line | Arc], closed: bool, layer: str) -> Polyline:
    """Join pieces in their order into one chain with common corners; arcs keep their measured radius."""
    turned = _head_to_tail(pieces)
    count = len(turned)
    joints: list[list[Point]] = []
    for i, piece in enumerate(turned):
        following = turned[(i + 1) % count]
        last = i == count - 1
        if last and not closed:
            joints.append([ends_of(piece)[1]])
        else:
            joints.append(_joint(piece, following) if count > 1 else [ends_of(piece)[1]])
    first = joints[-1][-1] if closed else ends_of(turned[0])[0]
    vertices: list[tuple[float, float, float]] = []
    start = first
    for piece, joint in zip(turned, joints, strict=True):
        vertices.append((*start, _bulge(piece, start, joint[0])))
        if len(joint) > 1:
            vertices.append((*joint[0], 0.0))
        start = joint[-1]
    if not closed:
        vertices.append((*start, 0.0))
    return Polyline(tuple(vertices), closed, layer)


def _head_to_tail(pieces: Sequence[Line | Arc]) -> list[Line | Arc]:
    """Turn pieces round where needed, so that each begins near the end of the one before."""
    if len(pieces) < 2:
        return list(pieces)
    first, second = pieces[0], pieces[1]
    forward = min(_gap(ends_of(first)[1], end) for end in ends_of(second))
    backward = min(_gap(ends_of(first)[0], end) for end in ends_of(second))
    turned = [first if forward <= backward else _reversed(first)]
    for piece in pieces[1:]:
        at = ends_of(turned[-1])[1]
        near, far = (_gap(at, end) for end in ends_of(piece))
        turned.append(piece if near <= far else _reversed(piece))
    return turned


def _gap(a: Point, b: Point) -> float:
    return math.hypot(a[0] - b[0], a[1] - b[1])


def _reversed(piece: Line | Arc) -> Line | Arc:
    if isinstance(piece, Line):
        return Line(piece.x2, piece.y2, piece.x1, piece.y1, piece.layer)
    return Arc(piece.x, piece.y, piece.radius, piece.start + piece.span, -piece.span, piece.layer)


def _joint(a: Line | Arc, b: Line | Arc) -> list[Point]:
    """Where two neighbours meet: one point, or two where a straight piece has to bridge a gap."""
    end, start = ends_of(a)[1], ends_of(b)[0]
    middle = ((end[0] + start[0]) / 2, (end[1] + start[1]) / 2)
    gap = _gap(end, start)
    if gap <= _TOUCHING:
        return [middle]
    crossing = _crossing(a, b) if isinstance(a, Line) and isinstance(b, Line) else None
    if crossing and _gap(crossing, middle) <= max(_REACH, 2 * gap):
        return [crossing]
    return [middle] if gap <= _REACH else [end, start]


def _crossing(a: Line, b: Line) -> Point | None:
    ax, ay, bx, by = a.x2 - a.x1, a.y2 - a.y1, b.x2 - b.x1, b.y2 - b.y1
    cross = ax * by - ay * bx
    if abs(cross) < 0.1 * math.hypot(ax, ay) * math.hypot(bx, by):
        return None
    part = ((b.x1 - a.x1) * by - (b.y1 - a.y1) * bx) / cross
    return a.x1 + part * ax, a.y1 + part * ay


def _bulge(piece: Line | Arc, start: Point, end: Point) -> float:
    if isinstance(piece, Line):
        return 0.0
    half = min(1.0, _gap(start, end) / (2.0 * piece.radius))
    span = 2.0 * math.asin(half)
    if abs(piece.span) > math.pi:
        span = 2.0 * math.pi - span
    return math.copysign(math.tan(span / 4.0), piece.span)


def lies_on(piece: Line | Arc, other: Line | Arc) -> bool:
    """Whether a piece runs along another within 0.05 mm all its length, however far the other goes."""
    if isinstance(piece, Line) is not isinstance(other, Line):
        return False
    return all(_away(point, other) <= _DOUBLE for point in (*ends_of(piece), _middle(piece)))


def _middle(piece: Line | Arc) -> Point:
    if isinstance(piece, Line):
        return (piece.x1 + piece.x2) / 2, (piece.y1 + piece.y2) / 2
    return _on(piece, piece.start + piece.span / 2)


def _away(point: Point, piece: Line | Arc) -> float:
    """Distance of a point from a piece."""
    ends = min(_gap(point, end) for end in ends_of(piece))
    if isinstance(piece, Line):
        dx, dy = piece.x2 - piece.x1, piece.y2 - piece.y1
        square = dx * dx + dy * dy
        part = ((point[0] - piece.x1) * dx + (point[1] - piece.y1) * dy) / square if square > 0 else 0.0
        return _gap(point, (piece.x1 + part * dx, piece.y1 + part * dy)) if 0 <= part <= 1 else ends
    turn = math.atan2(point[1] - piece.y, point[0] - piece.x) - piece.start
    past = (turn * math.copysign(1.0, piece.span)) % (2 * math.pi)
    return abs(_gap(point, (piece.x, piece.y)) - piece.radius) if past <= abs(piece.span) else ends


def without_doubles(pieces: Sequence[Line | Arc], chains: Sequence[Polyline | Circle]) -> list[Line | Arc]:
    """The pieces that neither a chain nor an earlier piece already draws."""
    drawn = [piece for chain in chains for piece in _pieces_of(chain)]
    kept: list[Line | Arc] = []
    for piece in pieces:
        if not any(lies_on(piece, other) for other in (*drawn, *kept)):
            kept.append(piece)
    return kept


def _pieces_of(chain: Polyline | Circle) -> list[Line | Arc]:
    if isinstance(chain, Circle):
        return [Arc(chain.x, chain.y, chain.radius, 0.0, 2 * math.pi, chain.layer)]
    return chain.pieces()
