"""A flat plate for a workshop photo: its outline, holes and slots as exact lines and arcs in part coordinates (mm).

Part coordinates are right-handed, z out of the upper face, z = 0 on it. Every outline is tangent-continuous, runs
counter-clockwise (material to the left) and is made of lines and arcs only, so its truth needs no fitting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fit.points import FloatArray

CLEAR = 4.5  # least metal between two openings or an opening and the outline, mm


@dataclass(frozen=True)
class Line:
    name: str
    p0: tuple[float, float]
    p1: tuple[float, float]

    @property
    def length(self) -> float:
        return math.dist(self.p0, self.p1)


@dataclass(frozen=True)
class Arc:
    """start, sweep : rad, counter-clockwise; a negative sweep has its material outside the circle."""

    name: str
    centre: tuple[float, float]
    radius: float
    start: float
    sweep: float

    def at(self, share: float) -> tuple[float, float]:
        angle = self.start + share * self.sweep
        return self.centre[0] + self.radius * math.cos(angle), self.centre[1] + self.radius * math.sin(angle)

    @property
    def length(self) -> float:
        return self.radius * abs(self.sweep)


@dataclass(frozen=True)
class Hole:
    name: str
    centre: tuple[float, float]
    diameter: float


@dataclass(frozen=True)
class Slot:
    """length : over all. angle : rad, counter-clockwise from the part's x axis."""

    name: str
    centre: tuple[float, float]
    length: float
    width: float
    angle: float

    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        half = (self.length - self.width) / 2
        dx, dy = half * math.cos(self.angle), half * math.sin(self.angle)
        return (self.centre[0] - dx, self.centre[1] - dy), (self.centre[0] + dx, self.centre[1] + dy)


@dataclass(frozen=True)
class Plate:
    outline: tuple[Line | Arc, ...]
    holes: tuple[Hole, ...]
    slots: tuple[Slot, ...]
    thickness: float
    rounding: float

    def pieces(self) -> list[Line | Arc]:
        """All boundary curves, material to the left of each."""
        every: list[Line | Arc] = list(self.outline)
        every += [Arc(h.name, h.centre, h.diameter / 2, 0.0, -2 * math.pi) for h in self.holes]
        for slot in self.slots:
            (ax, ay), (bx, by) = slot.ends()
            r, turn = slot.width / 2, slot.angle
            nx, ny = -r * math.sin(turn), r * math.cos(turn)
            every.append(Line(slot.name, (ax + nx, ay + ny), (bx + nx, by + ny)))
            every.append(Arc(slot.name, (bx, by), r, turn + math.pi / 2, -math.pi))
            every.append(Line(slot.name, (bx - nx, by - ny), (ax - nx, ay - ny)))
            every.append(Arc(slot.name, (ax, ay), r, turn - math.pi / 2, -math.pi))
        return every


def rounded(corners: FloatArray, radii: FloatArray) -> list[Line | Arc]:
    """A polygon (n, 2), counter-clockwise, with each corner replaced by a tangent arc; radii shrink where sides are short."""
    n = len(corners)
    ways = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*ways.T)
    ways = ways / lengths[:, None]
    turns = np.array([math.atan2(_cross(ways[i - 1], ways[i]), float(ways[i - 1] @ ways[i])) for i in range(n)])
    reach = radii * np.tan(np.abs(turns) / 2)
    for i in range(n):
        room = min(lengths[i - 1], lengths[i]) * 0.4
        reach[i] = min(reach[i], room)
    radii = reach / np.tan(np.abs(turns) / 2)
    chain: list[Line | Arc] = []
    for i in range(n):
        side = math.copysign(1.0, turns[i])
        begin = corners[i] - reach[i] * ways[i - 1]
        normal = side * np.array([-ways[i - 1][1], ways[i - 1][0]])
        centre = begin + radii[i] * normal
        start = math.atan2(*(begin - centre)[::-1])
        chain.append(Arc(f"corner_{i}", _pair(centre), float(radii[i]), start, float(turns[i])))
        following = (i + 1) % n
        chain.append(
            Line(
                f"edge_{i}",
                _pair(corners[i] + reach[i] * ways[i]),
                _pair(corners[following] - reach[following] * ways[i]),
            )
        )
    return chain


def bitten(chain: list[Line | Arc], index: int, radius: float, depth: float, fillet: float) -> list[Line | Arc]:
    """A round cut-out in the middle of one line, with a fillet on either side."""
    line = chain[index]
    assert isinstance(line, Line)
    along = np.subtract(line.p1, line.p0) / line.length
    normal = np.array([-along[1], along[0]])
    rise = radius - depth
    spread = math.sqrt((radius + fillet) ** 2 - (fillet + rise) ** 2)
    if line.length < 2 * spread + 20:
        return chain
    middle = (np.array(line.p0) + line.p1) / 2
    lean = math.acos((fillet + rise) / (radius + fillet))
    base = math.atan2(along[1], along[0])
    a, b = middle - spread * along, middle + spread * along
    new: list[Line | Arc] = [
        Line(f"{line.name}_a", line.p0, _pair(a)),
        Arc(f"{line.name}_fillet_a", _pair(a + fillet * normal), fillet, base - math.pi / 2, lean),
        Arc(
            f"{line.name}_cutout",
            _pair(middle - rise * normal),
            radius,
            base + math.pi / 2 + lean,
            -2 * lean,
        ),
        Arc(f"{line.name}_fillet_b", _pair(b + fillet * normal), fillet, base - math.pi / 2 - lean, lean),
        Line(f"{line.name}_b", _pair(b), line.p1),
    ]
    return chain[:index] + new + chain[index + 1 :]


def draw_outline(rng: np.random.Generator) -> list[Line | Arc]:
    """One of four families of hand-made plates, always within 118 × 170 mm."""
    w, h = (rng.uniform(92, 118) / 2, rng.uniform(138, 170) / 2)
    if rng.uniform() < 0.3:
        w, h = rng.uniform(64, 92) / 2, rng.uniform(95, 138) / 2
    family = rng.choice(5, p=[0.3, 0.25, 0.15, 0.15, 0.15])
    radii = {4: rng.uniform(4, 26, 4), 5: rng.uniform(5, 26, 5), 6: rng.uniform(5, 22, 6), 8: rng.uniform(4, 12, 8)}
    if family <= 1:  # a chamfered plate
        cx, cy = rng.uniform(0.3, 0.75) * w, rng.uniform(0.2, 0.5) * h
        chain = rounded(np.array([(-w, -h), (w, -h), (w, h - cy), (w - cx, h), (-w, h)]), radii[5])
    elif family == 2:  # a step
        cx, cy = rng.uniform(0.5, 1.0) * w, rng.uniform(0.5, 1.0) * h
        chain = rounded(np.array([(-w, -h), (w, -h), (w, h - cy), (w - cx, h - cy), (w - cx, h), (-w, h)]), radii[6])
    elif family == 3:  # a taper
        lean = rng.uniform(0.08, 0.3, 2) * w
        chain = rounded(np.array([(-w, -h), (w, -h), (w - lean[0], h), (-w + lean[1], h)]), radii[4])
    else:  # a notch in the upper side
        half, deep = rng.uniform(0.25, 0.4) * w, rng.uniform(14, 40)
        corners = [(-w, -h), (w, -h), (w, h), (half, h), (half, h - deep), (-half, h - deep), (-half, h), (-w, h)]
        chain = rounded(np.array(corners), radii[8])
    if family != 4 and rng.uniform() < 0.65:
        longest = max((i for i, s in enumerate(chain) if isinstance(s, Line)), key=lambda i: chain[i].length)
        radius = rng.uniform(30, 58)
        chain = bitten(chain, longest, radius, rng.uniform(0.25, 0.42) * radius, rng.uniform(4.5, 9))
    return chain


def draw_plate(rng: np.random.Generator, outside) -> Plate:
    """outside(pieces, xy) -> signed distances (n,) from the material, as the tracer computes them."""
    return with_openings(rng, draw_outline(rng), outside)


def resized(chain: list[Line | Arc], size: float) -> list[Line | Arc]:
    """All pieces so many times as large."""
    return [
        replace(s, p0=_times(s.p0, size), p1=_times(s.p1, size))
        if isinstance(s, Line)
        else replace(s, centre=_times(s.centre, size), radius=s.radius * size)
        for s in chain
    ]


def _times(place: tuple[float, float], size: float) -> tuple[float, float]:
    return place[0] * size, place[1] * size


def with_openings(rng: np.random.Generator, chain: list[Line | Arc], outside, size: float = 1.0) -> Plate:
    """A plate with holes and slots strewn over an outline so many times the usual size."""
    holes: list[Hole] = []
    slots: list[Slot] = []
    want = int(rng.integers(3, 7)), int(rng.integers(0, 3))
    pieces: list[Line | Arc] = list(chain)
    for _ in range(4000):
        if len(slots) < want[1]:
            width = rng.uniform(5.5, 9.5)
            slot = Slot(
                f"slot_{len(slots) + 1}",
                _times(_place(rng), size),
                rng.uniform(18, 42),
                width,
                float(rng.uniform(-1.57, 1.57)),
            )
            if outside(pieces, _along(slot)).max() < -(width / 2 + CLEAR):
                slots.append(slot)
                pieces = Plate(tuple(chain), tuple(holes), tuple(slots), 1.0, 0.0).pieces()
        elif len(holes) < want[0]:
            wide = rng.uniform(4, 6) if len(holes) == want[0] - 1 else rng.uniform(6, 20)
            hole = Hole(f"hole_{len(holes) + 1}", _times(_place(rng), size), float(wide))
            if outside(pieces, np.array([hole.centre])).max() < -(wide / 2 + CLEAR):
                holes.append(hole)
                pieces = Plate(tuple(chain), tuple(holes), tuple(slots), 1.0, 0.0).pieces()
    rounding = float(rng.choice([0.0, 0.2], p=[0.55, 0.45]))
    return Plate(tuple(chain), tuple(holes), tuple(slots), float(rng.uniform(1.2, 3.2)), rounding)


def _place(rng: np.random.Generator) -> tuple[float, float]:
    return float(rng.uniform(-55, 55)), float(rng.uniform(-82, 82))


def _along(slot: Slot) -> FloatArray:
    a, b = (np.array(e) for e in slot.ends())
    return a + np.linspace(0, 1, 15)[:, None] * (b - a)


def _pair(xy: FloatArray) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])


def _cross(a: FloatArray, b: FloatArray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
