"""How often the stated U95 of a smallest gap holds the smallest gap of the true points, by shape and noise.

Run: python tests/bench/clearance_coverage.py [--repeats 100] [--worlds 2000] [--kinds own tie shift] [--shapes ball …]
The truth is that of the points, not of the surface between them: sparse clouds are held to what they can show.

Each row: share of intervals that hold the truth and its standard error, median U95, the half-width about the measured gap
that would just hold 95 % of the truths, and how much too small noise makes the gap look (stated and true), all in units of
the noise.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from unittest.mock import patch

import numpy as np
from clearance_unseen import UNSEEN
from scipy.spatial import cKDTree

from fit.clearance import Body, body_of, slide_motion
from fit.clearance.gap_error import throw_dice
from fit.clearance.sweep import make_scene, sweep

Pair = tuple[np.ndarray, np.ndarray]
STAY = slide_motion([0, 0, 1], [0.0])


def plate(rng: np.random.Generator, half: float = 20.0, height: float = 0.0, count: int = 6000) -> np.ndarray:
    xy = rng.uniform(-half, half, (count, 2))
    return np.c_[xy, np.full(count, height)]


def parallel_plates(rng: np.random.Generator) -> Pair:
    return plate(rng), plate(rng, height=8.0)


def close_plates(rng: np.random.Generator) -> Pair:
    return plate(rng), plate(rng, height=1.0)


def rough_plates(rng: np.random.Generator) -> Pair:
    floor = plate(rng)
    floor[:, 2] += rng.normal(0, 0.05, len(floor))
    return floor, plate(rng, height=8.0)


def ball(rng: np.random.Generator) -> Pair:
    out = rng.normal(size=(8000, 3))
    return plate(rng), 15 * out / np.linalg.norm(out, axis=1)[:, None] + [0, 0, 20]


def bump(rng: np.random.Generator) -> Pair:
    xy = rng.uniform(-3, 3, (1500, 2))
    return plate(rng, 10.0, 0.0, 4000), np.c_[xy, 3 + (xy**2).sum(axis=1) / 4]


def waves(rng: np.random.Generator) -> Pair:
    a, b = rng.uniform(-30, 30, (9000, 2)), rng.uniform(-30, 30, (9000, 2))
    floor = np.c_[a, 3 * np.sin(a[:, 0] / 9) * np.cos(a[:, 1] / 8)]
    return floor, np.c_[b, 6 + 2 * np.cos(b[:, 0] / 7 + 1)]


def ridge(rng: np.random.Generator) -> Pair:
    x, down = np.meshgrid(np.arange(-20, 20, 0.5), np.arange(0, 10, 0.5))
    sides = [np.c_[x.ravel(), sign * 0.7 * down.ravel(), 5 + 0.7 * down.ravel()] for sign in (1, -1)]
    return plate(rng), np.unique(np.concatenate(sides), axis=0)


def corner(rng: np.random.Generator) -> Pair:
    faces = rng.uniform(0, 10, (4000, 3))
    faces[np.arange(4000), rng.integers(0, 3, 4000)] = 0
    axes = np.linalg.svd(np.ones((1, 3)))[2]
    axes[0] = np.ones(3) / np.sqrt(3)
    turned = faces @ axes.T
    return plate(rng), np.c_[turned[:, 1:], turned[:, 0] + 4]


def lone_points(rng: np.random.Generator) -> Pair:
    return rng.uniform(-20, 20, (400, 3)), rng.uniform(-20, 20, (400, 3)) + np.array([45, 0, 0])


def one_pair(rng: np.random.Generator) -> Pair:
    return np.array([[0.0, 0, 0], [500, 0, 0]]), np.array([[0.0, 0, 20], [0, 0, 900]])


def edge(rng: np.random.Generator) -> Pair:
    x = rng.uniform(-20, 20, 400)
    return plate(rng), np.c_[x, np.zeros(400), np.full(400, 6.0)]


def tube(rng: np.random.Generator, radius: float) -> np.ndarray:
    turn = rng.uniform(0, 2 * np.pi, 6000)
    return np.c_[radius * np.cos(turn), radius * np.sin(turn), rng.uniform(-30, 30, 6000)]


def crossed_tubes(rng: np.random.Generator) -> Pair:
    return tube(rng, 6), tube(rng, 8)[:, [2, 1, 0]] + np.array([0, 22, 0])


def parallel_tubes(rng: np.random.Generator) -> Pair:
    return tube(rng, 6), tube(rng, 8) + np.array([0, 22, 0])


def sparse_plates(rng: np.random.Generator) -> Pair:
    return plate(rng, count=300), plate(rng, height=8, count=300)


def dense_plates(rng: np.random.Generator) -> Pair:
    return plate(rng, count=60000), plate(rng, height=8, count=60000)


def sparse_ball(rng: np.random.Generator) -> Pair:
    out = rng.normal(size=(600, 3))
    return plate(rng, count=500), 15 * out / np.linalg.norm(out, axis=1)[:, None] + [0, 0, 20]


def edges_across(rng: np.random.Generator) -> Pair:
    """Two sheet edges that cross at 40° with 5 mm between."""
    x, y = rng.uniform(-25, 25, 700), rng.uniform(-25, 25, 900)
    across = np.c_[0.766 * y, 0.643 * y, np.full(900, 5.0)]
    return np.c_[x, np.zeros((700, 2))], across


def rounded_lips(rng: np.random.Generator) -> Pair:
    """Two flanges with lips of 3 and 2 mm, 120 mm long, the upper one bowed by 1 mm."""
    turn, x = rng.uniform(0, np.pi, (2, 7000)), rng.uniform(-60, 60, (2, 7000))
    lower = np.c_[x[0], 3 * np.cos(turn[0]), 3 * np.sin(turn[0]) - 3]
    return lower, np.c_[x[1], 2 * np.cos(turn[1]), 7 - 2 * np.sin(turn[1]) + (x[1] / 60) ** 2]


def scanned_dome(rng: np.random.Generator) -> Pair:
    """A flat dome of radius 120 over a tilted plate, both on a grid of 1.5 mm as a scanner walks it."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(-30, 30, 1.5), np.arange(-30, 30, 1.5)))
    dx, dy = rng.uniform(0, 1.5, 2)
    dome = 6 + 120 - np.sqrt(120**2 - (x + dx) ** 2 - (y + dy) ** 2)
    return np.c_[x, y, 0.05 * x], np.c_[x + dx, y + dy, dome]


def few_tubes(rng: np.random.Generator) -> Pair:
    """Two hoses side by side, 250 points each."""
    sides = []
    for radius in (6, 8):
        turn = rng.uniform(0, 2 * np.pi, 250)
        sides.append(np.c_[radius * np.cos(turn), radius * np.sin(turn), rng.uniform(-20, 20, 250)])
    return sides[0], sides[1] + [0, 20, 0]


SHAPES: dict[str, Callable[[np.random.Generator], Pair]] = {
    shape.__name__: shape
    for shape in (
        *(
            parallel_plates,
            sparse_plates,
            dense_plates,
            close_plates,
            rough_plates,
            edge,
            crossed_tubes,
            parallel_tubes,
        ),
        *(edges_across, rounded_lips, scanned_dome, few_tubes),
        *(ball, sparse_ball, bump, waves, ridge, corner, lone_points, one_pair),
    )
} | UNSEEN


def moves_together(xyz: np.ndarray, size: float, kind: str) -> np.ndarray:
    """Moves (K, n, 3) of all points of a part for one standard uncertainty: a shift along x, y and z; of a tie also turns
    about all three axes and a stretch, each of which moves the farthest point by the size, mm."""
    shifts = np.broadcast_to(size * np.eye(3)[:, None, :], (3, *xyz.shape))
    if kind == "shift":
        return shifts
    arms = xyz - xyz.mean(axis=0)
    arms *= size / np.linalg.norm(arms, axis=1).max()
    return np.concatenate([shifts, [np.cross(axis, arms) for axis in np.eye(3)], arms[None]])


@dataclass(frozen=True, slots=True)
class Errors:
    """Of each point by itself and of all points of the moving part together, mm; and which kind of the latter."""

    noise: float
    shared: float
    kind: str

    def __str__(self) -> str:
        return f"noise {self.noise:.2f} " + (f"{self.kind} {self.shared:.2f}" if self.shared else "own")


def seen_bodies(true: Pair, errors: Errors, rng: np.random.Generator) -> tuple[Body, Body]:
    """Clouds as measured: every point errs by itself, and those of the moving part together."""
    noise, shared, kind = errors.noise, errors.shared, errors.kind
    fixed, moving = (xyz + rng.normal(0, noise, xyz.shape) for xyz in true)
    if not shared:
        return body_of(fixed, noise), body_of(moving, noise)
    moves = moves_together(true[1], shared, kind)
    moving = moving + np.tensordot(rng.normal(size=len(moves)), moves, 1)
    names = tuple(f"tie 2:{k + 1}" for k in range(len(moves)))
    body = replace(body_of(moving, noise), shared=moves_together(moving, shared, kind), shared_names=names)
    return body_of(fixed, noise), body


def smallest_gap(fixed: np.ndarray, moving: np.ndarray) -> float:
    """The distance that `sweep` finds too (mm); a sample bounds the search."""
    tree = cKDTree(fixed)
    bound = tree.query(moving[:: max(1, len(moving) // 100)])[0].min()
    return float(min(bound, tree.query(moving, distance_upper_bound=bound)[0].min()))


def study(shape: Callable[[np.random.Generator], Pair], errors: Errors, first: int, repeats: int, worlds: int) -> str:
    """One row: U95 told in `repeats` worlds, and how far the gap misses in these and `worlds` more."""
    misses, halves, stated = [], [], []
    for k in range(repeats + worlds):
        rng = np.random.default_rng(first + k)
        true = shape(rng)
        bodies = seen_bodies(true, errors, rng)
        misses.append(smallest_gap(*true) - smallest_gap(bodies[0].xyz, bodies[1].xyz))
        if k < repeats:
            error = sweep(make_scene(*bodies), STAY).errors[0]
            halves.append(error.u95)
            stated.append(error.bias)
    held, doubt = share_held(np.abs(misses), np.array(halves))
    needed = np.quantile(np.abs(misses), 0.95)
    figures = np.array([np.median(halves), needed, np.mean(stated), np.mean(misses)]) / errors.noise
    words = "  ".join(
        f"{name} {figure:.2f}" for name, figure in zip(("U95", "needed", "bias", "true bias"), figures, strict=True)
    )
    return f"{shape.__name__:19} {errors}  held {100 * held:.1f} ± {100 * doubt:.1f} %  {words}"


def share_held(misses: np.ndarray, halves: np.ndarray) -> tuple[float, float]:
    """Share of intervals that hold the truth, and its standard error, from U95 (n,) of the first n worlds and the misses
    (n + m,) of all.

    Each U95 is held against the misses of all worlds, for most of the chance lies in the misses; what that leaves out, that
    U95 may know of its own world's miss, is taken from the first n (a control variate; Rubinstein & Kroese, Simulation and
    the Monte Carlo Method, 2008, 5.2).
    """
    own = misses[: len(halves)]
    by_chance = np.searchsorted(np.sort(halves), misses, side="left")
    by_any = 1.0 - by_chance / len(halves)
    knows = (own <= halves) - by_any[: len(halves)]
    variance = by_any.var() / len(misses) + knows.var() / len(halves)
    return float(by_any.mean() + knows.mean()), float(np.sqrt(variance))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=100, help="worlds whose U95 is asked for")
    parser.add_argument("--worlds", type=int, default=2000, help="further worlds, for the misses alone")
    parser.add_argument("--first", type=int, default=0, help="seed of the first world")
    parser.add_argument("--noise", type=float, nargs="*", default=[0.05])
    parser.add_argument("--shared", type=float, default=0.05, help="mm, of the moving part")
    parser.add_argument("--kinds", choices=("own", "tie", "shift"), nargs="*", default=["own", "tie", "shift"])
    parser.add_argument("--shapes", nargs="*", default=list(SHAPES))
    given = parser.parse_args()
    dice = throw_dice(13)
    with patch("fit.clearance.sweep.throw_dice", lambda _: dice):  # the same every time, and slow to throw
        for name, kind, noise in itertools.product(given.shapes, given.kinds, given.noise):
            errors = Errors(noise, 0.0 if kind == "own" else given.shared, kind)
            print(study(SHAPES[name], errors, given.first, given.repeats, given.worlds), flush=True)


if __name__ == "__main__":
    main()
