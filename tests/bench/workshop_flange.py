"""A long seal flange: a band of constant width along lines and arcs, with rounded ends and holes along its middle."""

from __future__ import annotations

import math

import numpy as np
from workshop_part import CLEAR, Arc, Hole, Line, Plate

from fit.points import FloatArray

END = 5.0
"""Radius of the corners at the ends, mm."""


def draw_flange(rng: np.random.Generator, outside) -> Plate:
    """outside(pieces, xy) -> signed distances (n,) from the material, as the tracer computes them."""
    while True:
        width = float(rng.uniform(24, 42))
        spine = _spine(rng, width)
        chain = _band(spine, width)
        middle = np.concatenate([_spots(piece) for piece in spine])
        span = np.ptp(middle, axis=0)
        if 400 < span.max() < 740 and span.min() < 330 and _clear_of_itself(middle, width):
            break
    chain, middle = _upright(chain, middle)
    holes: list[Hole] = []
    count = int(rng.integers(4, 7))
    for share in np.linspace(0.06, 0.94, count) + rng.uniform(-0.04, 0.04, count):
        centre = middle[int(share * (len(middle) - 1))] + rng.normal(0, 1.0, 2)
        size = float(rng.uniform(4.5, 9.5))
        if outside(chain, centre[None])[0] < -(size / 2 + CLEAR):
            holes.append(Hole(f"hole_{len(holes) + 1}", (float(centre[0]), float(centre[1])), size))
    rounding = float(rng.choice([0.0, 0.2], p=[0.45, 0.55]))
    return Plate(tuple(chain), tuple(holes), (), float(rng.uniform(1.2, 3.0)), rounding)


def _spine(rng: np.random.Generator, width: float) -> list[Line | Arc]:
    """The band's middle: lines with arcs between, each tangent to the next."""
    place, heading = np.zeros(2), float(rng.uniform(-0.4, 0.4))
    spine: list[Line | Arc] = []
    for k in range(int(rng.integers(3, 5))):
        length = rng.uniform(70, 150)
        way = np.array([math.cos(heading), math.sin(heading)])
        spine.append(Line(f"{2 * k}", _pair(place), _pair(place + length * way)))
        place = place + length * way
        turn = float(rng.choice([-1, 1]) * rng.uniform(0.35, 1.0))
        radius = float(math.exp(rng.uniform(math.log(width / 2 + 22), math.log(320))))
        side = math.copysign(1.0, turn)
        centre = place + radius * side * np.array([-way[1], way[0]])
        arc = Arc(f"{2 * k + 1}", _pair(centre), radius, heading - side * math.pi / 2, turn)
        spine.append(arc)
        place, heading = np.array(arc.at(1)), heading + turn
    return spine[:-1]


def _band(spine: list[Line | Arc], width: float) -> list[Line | Arc]:
    """Both sides of the spine and the ends between them, material to the left."""
    right = [_aside(piece, width / 2, "outer") for piece in spine]
    left = [_reversed(_aside(piece, -width / 2, "inner")) for piece in spine[::-1]]
    return [*right, *_end(right[-1], left[0], "end2"), *left, *_end(left[-1], right[0], "end1")]


def _aside(piece: Line | Arc, off: float, name: str) -> Line | Arc:
    """The parallel piece so far to the right of the way it runs."""
    if isinstance(piece, Line):
        way = np.subtract(piece.p1, piece.p0) / piece.length
        shift = off * np.array([way[1], -way[0]])
        return Line(f"{name}_{piece.name}_line", _pair(piece.p0 + shift), _pair(piece.p1 + shift))
    radius = piece.radius + math.copysign(off, off * piece.sweep)
    return Arc(f"{name}_{piece.name}_arc", piece.centre, radius, piece.start, piece.sweep)


def _reversed(piece: Line | Arc) -> Line | Arc:
    if isinstance(piece, Line):
        return Line(piece.name, piece.p1, piece.p0)
    return Arc(piece.name, piece.centre, piece.radius, piece.start + piece.sweep, -piece.sweep)


def _end(before: Line, after: Line, name: str) -> list[Line | Arc]:
    """A square end with two rounded corners beyond a line's end, turning left twice."""
    way = np.subtract(before.p1, before.p0) / before.length
    normal = np.array([-way[1], way[0]])
    heading = math.atan2(way[1], way[0])
    a, b = np.array(before.p1), np.array(after.p0)
    return [
        Arc(f"{name}_corner_a", _pair(a + END * normal), END, heading - math.pi / 2, math.pi / 2),
        Line(f"{name}_edge", _pair(a + END * normal + END * way), _pair(b - END * normal + END * way)),
        Arc(f"{name}_corner_b", _pair(b - END * normal), END, heading, math.pi / 2),
    ]


def _spots(piece: Line | Arc) -> FloatArray:
    share = np.linspace(0, 1, max(2, int(piece.length)))
    if isinstance(piece, Arc):
        return np.array([piece.at(q) for q in share])
    return np.array(piece.p0) + share[:, None] * np.subtract(piece.p1, piece.p0)


def _clear_of_itself(middle: FloatArray, width: float) -> bool:
    spots = middle[::5]
    apart = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    far = np.abs(np.subtract.outer(np.arange(len(spots)), np.arange(len(spots)))) * 5 > 3 * width
    return bool(apart[far].min() > width + 25)


def _upright(chain: list[Line | Arc], middle: FloatArray) -> tuple[list[Line | Arc], FloatArray]:
    """All turned so that the spine's longest reach is along y, its middle at the origin."""
    ways = middle[:, None] - middle[None]
    i, j = np.unravel_index(np.argmax((ways**2).sum(axis=2)), ways.shape[:2])
    turn = math.pi / 2 - math.atan2(*(middle[i] - middle[j])[::-1])
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    turned = middle @ rotation.T
    shift = -(turned.min(axis=0) + turned.max(axis=0)) / 2

    def put(place) -> tuple[float, float]:
        return _pair(rotation @ np.array(place) + shift)

    moved = [
        Line(p.name, put(p.p0), put(p.p1))
        if isinstance(p, Line)
        else Arc(p.name, put(p.centre), p.radius, p.start + turn, p.sweep)
        for p in chain
    ]
    return moved, turned + shift


def _pair(xy: FloatArray) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])
