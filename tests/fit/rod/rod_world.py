"""Bent rods of known shape and touches on them, for tests and studies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.points import Points
from fit.rod import Schedule, corners_of_schedule


@dataclass(frozen=True)
class RodWorld:
    """How a rod is made and touched: mm, degrees."""

    bends: int = 3
    per_run: int = 18
    per_end: int = 4
    per_bend: int = 0
    noise: float = 0.03
    tip: float = 3.0


def touched_rod(seed: int, world: RodWorld | None = None) -> tuple[Points, Schedule, float]:
    """Tip centres on a random rod, its true schedule and its diameter."""
    world = world or RodWorld()
    random = np.random.default_rng(seed)
    rod = float(random.choice([6.35, 8.0, 10.0]))
    schedule = _schedule(random, world.bends, rod)
    axes = np.linalg.qr(random.normal(size=(3, 3)))[0]
    corners = corners_of_schedule(schedule, random.uniform(-200, 200, 3), axes[0], axes[1])
    reach = rod / 2 + world.tip / 2
    parts = [*_runs(random, corners, schedule, (reach, world.per_run)), *_ends(random, corners, rod, world)]
    parts += _bends(random, corners, schedule, (reach, world.per_bend)) if world.per_bend else []
    xyz = np.concatenate([xyz for _, xyz in parts])
    label = np.repeat([name for name, _ in parts], [len(xyz) for _, xyz in parts])
    return Points(xyz=xyz + random.normal(0, world.noise, xyz.shape), label=label), schedule, rod


def _schedule(random: np.random.Generator, bends: int, rod: float) -> Schedule:
    rotation = np.radians(random.uniform(-180, 180, bends))
    rotation[0] = 0.0
    radius = np.full(bends, random.uniform(2.5, 6) * rod)
    return Schedule(random.uniform(40, 130, bends + 1), rotation, np.radians(random.uniform(25, 110, bends)), radius)


def _unit(corners: np.ndarray) -> np.ndarray:
    along = np.diff(corners, axis=0)
    return along / np.linalg.norm(along, axis=1)[:, None]


def _around(random: np.random.Generator, unit: np.ndarray, count: int) -> np.ndarray:
    across = np.linalg.svd(unit[None])[2][1:]
    turn = random.uniform(0, 2 * np.pi, count)[:, None]
    return np.cos(turn) * across[0] + np.sin(turn) * across[1]


def _runs(random, corners, schedule, how):
    reach, count = how
    tangent = np.concatenate([[0.0], schedule.radius * np.tan(schedule.bend / 2), [0.0]])
    for i, unit in enumerate(_unit(corners)):
        length = np.linalg.norm(corners[i + 1] - corners[i])
        along = random.uniform(tangent[i] + 3, length - tangent[i + 1] - 3, count)[:, None]
        yield f"run_{i + 1}", corners[i] + along * unit + reach * _around(random, unit, count)


def _ends(random, corners, rod, world):
    unit = _unit(corners)
    for name, at, out in (("end_a", corners[0], -unit[0]), ("end_b", corners[-1], unit[-1])):
        off = random.uniform(0, 0.4 * rod, world.per_end)[:, None] * _around(random, out, world.per_end)
        yield name, at + out * world.tip / 2 + off


def _bends(random, corners, schedule, how):
    reach, count = how
    unit = _unit(corners)
    for i, radius in enumerate(schedule.radius):
        inward = (unit[i + 1] - unit[i]) / np.linalg.norm(unit[i + 1] - unit[i])
        normal = np.cross(unit[i], unit[i + 1]) / np.sin(schedule.bend[i])
        centre = corners[i + 1] + inward * radius / np.cos(schedule.bend[i] / 2)
        turn = random.uniform(-0.45, 0.45, count)[:, None] * schedule.bend[i]
        radial = -inward * np.cos(turn) + np.cross(normal, -inward) * np.sin(turn)
        side = random.uniform(-1.2, 1.2, count)[:, None]
        yield f"bend_{i + 1}", centre + (radius + reach * np.cos(side)) * radial + reach * np.sin(side) * normal
