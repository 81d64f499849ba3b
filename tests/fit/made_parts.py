"""Parts made up by a seeded generator: plates with rounded or stepped outlines, holes and slots."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fit.feature import KIND_ORDER, Feature
from fit.results import Results, Source

SHARED = ("caliper:x", "height:top")
Generator = np.random.Generator
Point = tuple[float, float]


def feature(name: str, kind: str, values: Sequence[float], u: float = 0.01, **more: object) -> Feature:
    """A feature whose values all have the own uncertainty u and two shared errors."""
    count = len(values)
    shared = np.full((2, count), 0.3 * u)
    order = KIND_ORDER[kind][:count]
    cov = np.eye(count) * u * u
    return Feature(name, kind, order, np.array(values, float), cov, shared, SHARED, points=50, rms=u, **more)  # type: ignore[arg-type]


def line(name: str, a: Point, b: Point, z: float = 0.0) -> Feature:
    return feature(name, "line", [*a, z, *b, z, math.dist(a, b)])


def arc(name: str, centre: Point, radius: float, start: float, span: float) -> Feature:
    """Start and span in degrees, counter-clockwise about +z."""
    return feature(name, "arc", [*centre, 0.0, 0.0, 0.0, 1.0, radius, math.radians(start), math.radians(span)])


def hole(name: str, x: float, y: float, diameter: float) -> Feature:
    return feature(name, "circle", [x, y, 0.0, 0.0, 0.0, 1.0, diameter])


def slot(name: str, x: float, y: float, size: Point, angle: float) -> Feature:
    return feature(name, "slot", [x, y, 0.0, 0.0, 0.0, 1.0, *size, math.radians(angle)])


def path(name: str, pieces: Sequence[Feature], closed: bool = True) -> Feature:
    length = sum(p["length"] if p.kind == "line" else p["radius"] * p["span"] for p in pieces)
    radii = [p["radius"] for p in pieces if p.kind == "arc"]
    values = [length, min(radii)] if radii else [length]
    return feature(name, "path", values, segments=tuple(pieces), closed=closed)


def rounded_plate(width: float, height: float, radius: float) -> list[Feature]:
    w, h, r = width, height, radius
    return [
        line("line 1", (r, 0), (w - r, 0)),
        arc("arc 1", (w - r, r), r, -90, 90),
        line("line 2", (w, r), (w, h - r)),
        arc("arc 2", (w - r, h - r), r, 0, 90),
        line("line 3", (w - r, h), (r, h)),
        arc("arc 3", (r, h - r), r, 90, 90),
        line("line 4", (0, h - r), (0, r)),
        arc("arc 4", (r, r), r, 180, 90),
    ]


def stepped_plate(width: float, height: float, steps: int, rng: Generator) -> list[Feature]:
    """A plate whose upper edge is a stair of `steps` treads."""
    xs = np.linspace(0, width, steps + 1)[::-1]
    ys = height * (0.7 + 0.3 * rng.permutation(np.linspace(0, 1, steps)))
    corners: list[Point] = [(0.0, 0.0), (width, 0.0)]
    for i in range(steps):
        corners += [(float(xs[i]), float(ys[i])), (float(xs[i + 1]), float(ys[i]))]
    return [
        line(f"line {i + 1}", a, b) for i, (a, b) in enumerate(zip(corners, [*corners[1:], corners[0]], strict=True))
    ]


def holes_in(width: float, height: float, count: int, rng: Generator) -> list[Feature]:
    """Holes and slots anywhere in a plate, not touching each other or its edge."""
    found: list[tuple[float, float, float]] = []
    made: list[Feature] = []
    for _ in range(4000):
        if len(made) == count:
            break
        size = float(rng.uniform(0.015, 0.06) * min(width, height))
        x, y = rng.uniform(0.1 * width, 0.9 * width), rng.uniform(0.1 * height, 0.62 * height)
        if any(math.hypot(x - a, y - b) < size + s + 1.5 for a, b, s in found):
            continue
        found.append((float(x), float(y), size))
        if rng.uniform() < 0.2:
            made.append(slot(f"slot {len(made) + 1}", x, y, (2 * size, size), float(rng.uniform(-90, 90))))
        else:
            made.append(hole(f"hole {len(made) + 1}", x, y, 2 * size))
    return made


def made_part(seed: int) -> Results:
    """A part of 3 to 40 features by its number."""
    rng = np.random.default_rng(seed)
    width, height = float(rng.uniform(40, 900)), float(rng.uniform(40, 600))
    count = int(rng.integers(3, 41))
    if seed % 2:
        pieces = rounded_plate(width, height, float(rng.uniform(0.03, 0.2) * min(width, height)))
    else:
        pieces = stepped_plate(width, height, int(rng.integers(1, 5)), rng)
    features = [path("outline", pieces), *holes_in(width, height, max(1, count - 1), rng)]
    return Results("x right, y up", [Source("made.jpg", "0" * 64)], features)
