"""Random touched parts with known truth, for coverage studies of the whole point-list chain."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

__all__ = ["SOUND", "Faults", "World", "make_world", "score"]


@dataclass(frozen=True)
class Faults:
    """What may be wrong beyond a touch's noise: standard deviations, drawn anew for every station after the first.

    tie : in touches' noise, by which a tie has moved along each axis. scale : of an arm, along each of its axes.
    """

    tie: float = 0.0
    scale: float = 0.0


SOUND = Faults()


@dataclass
class World:
    """Files of a made part, the options to read them with, and the truth by feature: key -> value (mm, rad)."""

    files: list[Path]
    options: dict[str, Any]
    truth: dict[str, dict[str, float]] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)


def _turn(rng: np.random.Generator, largest: float) -> Array:
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    angle = rng.uniform(0, largest)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.asarray(np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k)


class _Part:
    """Touches are made in the part's own frame (face z = 0) and turned into the first station's."""

    def __init__(self, rng: np.random.Generator, tip: float) -> None:
        self.rng, self.tip = rng, tip
        self.turn, self.shift = _turn(rng, 0.4), rng.uniform(-60, 60, 3) + np.array([0, 0, 80])
        self.touches: list[tuple[str, Array, Array]] = []
        self.truth: dict[str, dict[str, float]] = {}
        self.kinds: dict[str, str] = {}

    def add(self, name: str, kind: str, surface: Array, outward: Array, truth: dict[str, float], centre: Array) -> None:
        world = self.shift + self.turn @ centre
        self.truth[name] = {**dict(zip("xyz", map(float, world), strict=True)), **truth}
        self.kinds[name] = kind
        tips = (surface + self.tip / 2 * outward) @ self.turn.T + self.shift
        self.touches.append((name, tips, outward @ self.turn.T))

    def ring(self, name: str, kind: str, at: Array, radius: float, count: int, span: float, inside: bool) -> None:
        start = self.rng.uniform(0, 2 * math.pi)
        angle = start + (np.arange(count) + self.rng.uniform(0, 0.9, count)) * span / count
        out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
        depth = np.column_stack([np.zeros((count, 2)), self.rng.uniform(-0.9, -0.3, count)])
        key = {"radius": radius} if kind == "arc" else {"diameter": 2 * radius}
        self.add(name, kind, at + radius * out + depth, -out if inside else out, key, at)


def _fill(part: _Part, strays: int) -> None:
    rng = part.rng
    size = rng.uniform(60, 140)
    count = int(rng.integers(20, 60))
    flat = np.column_stack([rng.uniform(-size, size, (count, 2)), np.zeros(count)])
    flat[:strays, 2] += rng.uniform(0.5, 5, strays)
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    part.add("deck_face", "plane", flat, up, {}, np.zeros(3))
    part.ring("bore", "circle", np.zeros(3), rng.uniform(20, 60), int(rng.integers(8, 30)), 2 * math.pi, True)
    for k in range(int(rng.integers(2, 6))):
        place = np.array([*rng.uniform(-size, size, 2), 0.0])
        radius = part.tip / 2 + rng.uniform(0.5, 6)
        part.ring(f"hole_{k + 1}", "circle", place, radius, int(rng.integers(4, 12)), 2 * math.pi, True)
    part.ring("rim", "arc", np.zeros(3), size, int(rng.integers(20, 60)), rng.uniform(1.6, 4.5), False)
    _wall(part)
    _peg(part)


def _wall(part: _Part) -> None:
    rng = part.rng
    half, count = math.radians(rng.uniform(6, 25)), int(rng.integers(30, 80))
    along = rng.uniform(150, 250, count)
    angle = rng.uniform(0, 2 * math.pi, count)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    surface = along[:, None] * (math.tan(half) * out + [0, 0, -1])
    part.add("wall", "cone", surface, math.cos(half) * out + [0, 0, math.sin(half)], {"half_angle": half}, np.zeros(3))


def _peg(part: _Part) -> None:
    rng = part.rng
    radius, count, span = rng.uniform(5, 25), int(rng.integers(16, 50)), rng.uniform(2.5, 2 * math.pi)
    angle = rng.uniform(0, span, count)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    surface = radius * out + np.column_stack([np.zeros((count, 2)), rng.uniform(5, 60, count)])
    middle = np.array([0, 0, float(np.mean(surface[:, 2]))])
    part.add("peg", "cylinder", surface, out, {"diameter": 2 * radius}, middle)
    del part.truth["peg"]["z"]


def _balls(part: _Part, count: int) -> list[tuple[str, Array, float]]:
    rng = part.rng
    places = rng.uniform(-1, 1, (count, 3)) * [220, 220, 60]
    return [(f"ball_{k + 1}", place, 6.35) for k, place in enumerate(places)]


def _ball_touches(rng: np.random.Generator, count: int) -> Array:
    high = rng.uniform(-0.2, 1, count)
    angle = rng.uniform(0, 2 * math.pi, count)
    flat = np.sqrt(1 - high**2)
    return np.column_stack([flat * np.cos(angle), flat * np.sin(angle), high])


def make_world(seed: int, folder: Path, faults: Faults = SOUND) -> World:
    """Make a part touched from one to three stations and write its lists.

    The true tip differs from the nominal one by its own standard uncertainty, 0.003 mm of diameter.
    """
    rng, wrong = np.random.default_rng(seed), np.random.default_rng((seed, 1))
    nominal = float(rng.choice([2.0, 3.0, 6.0]))
    noise = float(rng.choice([0.01, 0.025, 0.05]))
    stations = int(rng.integers(1, 4))
    part = _Part(rng, nominal + rng.normal(0, 0.003))
    _fill(part, int(rng.integers(0, 4)))
    rows: list[list[tuple[str, Array, Array]]] = [[] for _ in range(stations)]
    for name, tips, out in part.touches:
        owner = rng.integers(0, stations, len(tips))
        for s in range(stations):
            rows[s] += [(name, t, o) for t, o, w in zip(tips, out, owner, strict=True) if w == s]
    for name, place, radius in _balls(part, int(rng.integers(4, 7))):
        part.truth[name] = {**dict(zip("xyz", place.tolist(), strict=True)), "diameter": 2 * radius}
        part.kinds[name] = "sphere"
        for s in range(stations):
            out = _ball_touches(rng, int(rng.integers(10, 18)))
            moved = place + (wrong.normal(0, faults.tie * noise, 3) if s else 0.0)
            rows[s] += [(name, t, o) for t, o in zip(moved + (radius + part.tip / 2) * out, out, strict=True)]
    for s in range(1, stations):
        arm = 1 + wrong.normal(0, faults.scale, 3)
        rows[s] = [(name, tip * arm, out) for name, tip, out in rows[s]]
    files = [_write(rng, folder / f"place_{s + 1}.csv", rows[s], noise, s) for s in range(stations)]
    fits = tuple(f"{name}={kind}" for name, kind in part.kinds.items())
    options = {"tip": nominal, "points": "centre", "fits": fits, "ties": ("ball_*",) if stations > 1 else ()}
    return World(files, options, part.truth, part.kinds)


def _write(
    rng: np.random.Generator, path: Path, rows: list[tuple[str, Array, Array]], noise: float, station: int
) -> Path:
    turn, shift = (np.eye(3), np.zeros(3)) if station == 0 else (_turn(rng, math.pi), rng.uniform(-400, 400, 3))
    lines = ["# unit: mm", "x,y,z,i,j,k,feature"]
    for name, tip, out in rows:
        place = turn @ (tip + rng.normal(0, noise, 3)) + shift
        lean = turn @ out + rng.normal(0, math.radians(2) / math.sqrt(2), 3)
        lean /= np.linalg.norm(lean)
        lines.append(",".join(f"{v:.4f}" for v in place) + "," + ",".join(f"{v:.5f}" for v in lean) + f",{name}")
    path.write_text("\n".join(lines) + "\n")
    return path


def score(world: World, features: dict[str, Any]) -> list[tuple[str, str, float, float]]:
    """(kind, key, error, U95) of every value that has a truth; a missing feature counts as an infinite error.

    A plane is judged along its normal at its own point; a peg's centre across its axis.
    """
    rows = []
    for name, truth in world.truth.items():
        feature = features.get(name)
        if feature is None or feature.kind != world.kinds[name]:
            rows.append((world.kinds[name], "missing", math.inf, 0.0))
            continue
        for key, value in truth.items():
            if feature.kind in ("plane", "cylinder") and key in "xyz":
                continue
            rows.append((feature.kind, key, feature[key] - value, feature.value(key).u95))
    return rows
