"""Spread against the Cramér-Rao bound, bias, coverage, and agreement with an independent solver. Run on demand.

    python tests/bench/fit_bounds.py [SETS] [spread] [coverage] [solver] [stray]

SETS is the number of simulated data sets a cell (2000 unless said). Prints one line a cell with the figures of the
goals: spread within 5 % of the bound, bias below a tenth of the spread, coverage 93.5 to 96.5 %.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "fit" / "shapes"))
import worlds

from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.shapes import fit_circle, fit_cone, fit_cylinder, fit_line, fit_plane, fit_sphere
from fit.shapes.frame import axes_about
from fit.uncertain import Value, propagate

FITS: dict[str, Any] = {
    "line": fit_line, "plane": fit_plane, "circle": fit_circle, "sphere": fit_sphere, "cylinder": fit_cylinder,
    "cone": fit_cone,
}  # fmt: skip
NORMAL = np.array([0.3, -0.4, 0.8]) / math.sqrt(0.89)
AXES = axes_about(NORMAL)


def shape(kind: str, arc_deg: float) -> dict[str, Any]:
    return {
        "kind": kind,
        "place": np.array([50.0, -20.0, 30.0]),
        "normal": NORMAL,
        "radius": 20.0,
        "angle": 0.3,
        "arc": math.radians(arc_deg if arc_deg < 360 else 354.0),
        "first": 0.2,
    }


def bound(kind: str, points: FloatArray, noise: float) -> FloatArray:
    """Cramér-Rao standard deviations of the independent parameters, from the distances' own differences at the truth."""
    local = (points - np.array([50.0, -20.0, 30.0])) @ AXES
    start = {"line": [0] * 4, "plane": [0] * 3, "circle": [0] * 5 + [20], "sphere": [0] * 3 + [20],
             "cylinder": [0] * 4 + [20], "cone": [0] * 5 + [0.3]}[kind]  # fmt: skip
    truth = np.array(start, float)
    slopes = []
    for i in range(len(truth)):
        step = 1e-6 * np.eye(len(truth))[i]
        slopes.append((worlds.MISSES[kind](local, truth + step) - worlds.MISSES[kind](local, truth - step)) / 2e-6)
    table = np.array(slopes)
    return np.asarray(noise * np.sqrt(np.diag(np.linalg.inv(table @ table.T))))


def spread(sets: int) -> None:
    cells = [("circle", arc) for arc in (30, 45, 60, 90, 180, 360)] + [("cylinder", arc) for arc in (60, 120, 360)]
    for kind, arc in [*cells, ("plane", 360), ("line", 360), ("sphere", 360), ("cone", 360), ("cone", 120)]:
        rng = np.random.default_rng(1)
        made = shape(kind, arc)
        xyz = worlds.sample(made, 50, rng)
        limits = bound(kind, xyz, 0.02)
        zero = np.zeros(len(limits))
        zero[-1] = {"circle": 20, "sphere": 20, "cylinder": 20, "cone": 0.3}.get(kind, 0)
        misses = []
        for _ in range(sets):
            feature = FITS[kind](Points(xyz + rng.normal(0, 0.02, xyz.shape), noise=0.02), form="none")
            miss = worlds.differences(made, oriented(feature), zero)
            misses.append(miss * np.where(np.isin(np.arange(len(zero)), lengths(kind)), made["radius"], 1.0))
        table = np.array(misses)
        ratio, bias = table.std(axis=0) / limits, np.abs(table.mean(axis=0)) / limits
        print(
            f"spread {kind:9}{arc:4}°  spread/bound {np.round(ratio, 3)}  |bias|/bound {np.round(bias, 3)}", flush=True
        )


def lengths(kind: str) -> list[int]:
    """Which of the independent parameters are lengths, which `differences` gives relative to the radius."""
    return {"line": [0, 1], "plane": [0], "circle": [0, 1, 2, 5], "sphere": [0, 1, 2, 3], "cylinder": [0, 1, 4],
            "cone": [0, 1, 2]}[kind]  # fmt: skip


def oriented(feature: Feature) -> FloatArray:
    """Values with the normal on the truth's side, without a line's length."""
    values = feature.values.copy()
    if feature.kind not in ("line", "sphere") and values[3:6] @ NORMAL < 0:
        values[3:6] *= -1
    return values


def checked(feature: Feature) -> list[tuple[float, Value]]:
    """Some sizes of a feature with their true values."""
    place = np.array([50.0, -20.0, 30.0])
    if feature.kind == "line":
        return [
            (float(AXES[:, 0] @ place), propagate(lambda p: float(AXES[:, 0] @ p[:3]), feature)),
            (0.0, propagate(lambda p: float(AXES[:, 1] @ (p[3:6] - p[:3])), feature)),
        ]
    if feature.kind == "plane":
        return [
            (0.0, propagate(lambda p: float(p[3:6] @ (p[:3] - place)), feature)),
            (0.0, propagate(lambda p: float(p[3:6] @ AXES[:, 0]), feature)),
        ]
    size = (0.3, feature.value("half_angle")) if feature.kind == "cone" else (40.0, feature.value("diameter"))
    if feature.kind in ("circle", "sphere"):
        return [size, *((float(place[i]), feature.value("xyz"[i])) for i in range(3))]
    return [size, (0.0, propagate(lambda p: float(p[3:6] @ AXES[:, 1]), feature))]


def coverage(sets: int) -> None:
    for kind in FITS:
        for count in (6, 12, 50, 1000) if kind in ("line", "plane", "circle") else (12, 50, 1000):
            for known in (True, False):
                _coverage_cell(kind, count, known, sets if count < 1000 else sets // 4)


def _coverage_cell(kind: str, count: int, known: bool, sets: int) -> None:
    rng = np.random.default_rng(5)
    held = total = lost = refused = 0
    begun = time.process_time()
    for _ in range(sets):
        xyz = worlds.sample(shape(kind, 360), count, rng) + rng.normal(0, 0.02, (count, 3))
        try:
            feature = FITS[kind](Points(xyz, noise=0.02 if known else None), form="none")
        except CannotDetermine:
            refused += 1
            continue
        lost += len(feature.rejected) > 0
        for true, value in checked(feature):
            held += abs(value.value - true) <= value.u95
            total += 1
    spent = (time.process_time() - begun) / sets * 1e3
    word = "known  " if known else "unknown"
    print(
        f"coverage {kind:9} n {count:5} noise {word} held {100 * held / total:.2f} %  sets that lost a point "
        f"{100 * lost / sets:.2f} %  refused {refused}  {spent:.2f} ms a fit",
        flush=True,
    )


def solver(problems: int) -> None:
    """Largest difference, relative to the radius, over random problems with 70° to 360° seen."""
    for kind in worlds.KINDS:
        worst = 0.0
        for seed in range(problems):
            rng = np.random.default_rng(seed)
            made = worlds.truth(kind, rng)
            xyz = worlds.sample(made, 40, rng) + rng.normal(0, 1e-3 * made["radius"], (40, 3))
            values = FITS[kind](Points(xyz), robust=False).values
            worst = max(worst, float(np.abs(worlds.differences(made, values, worlds.independent(made, xyz))).max()))
        print(f"solver {kind:9} {problems} problems, largest relative difference {worst:.1e}", flush=True)


def stray(seeds: int) -> None:
    """Half the points stray: seeds whose answer is within two standard uncertainties of the one without them."""
    for kind in ("plane", "circle"):
        for count in (40, 100, 1000):
            for known in (True, False):
                noise, within = (0.02 if known else None), 0
                for seed in range(seeds):
                    rng = np.random.default_rng(seed)
                    good = worlds.sample(shape(kind, 360), count, rng) + rng.normal(0, 0.02, (count, 3))
                    others = rng.uniform(good.min(axis=0) - 10, good.max(axis=0) + 10, good.shape)
                    without = checked(FITS[kind](Points(good, noise=noise), robust=False))
                    among = checked(FITS[kind](Points(rng.permutation(np.vstack([good, others])), noise=noise)))
                    within += all(
                        abs(a[1].value - b[1].value) < 2 * a[1].u for a, b in zip(without, among, strict=True)
                    )
                print(f"stray {kind:7} {count} good + {count} stray, known {known}: {within} of {seeds}", flush=True)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.isdigit()] or ["spread", "coverage", "solver", "stray"]
    number = next((int(word) for word in sys.argv[1:] if word.isdigit()), 2000)
    if "spread" in words:
        spread(number)
    if "coverage" in words:
        coverage(number)
    if "solver" in words:
        solver(200)
    if "stray" in words:
        stray(200)
