"""CPU time and error of the fits against scipy.optimize.least_squares, scikit-image and Open3D, interleaved.

    OMP_NUM_THREADS=1 python tests/bench/fit_speed.py [REPEATS] [robust]

Each row takes turns between ours (default settings, strays searched), ours with the noise known, and the other library
given an analytic Jacobian and the true shape as its start. Process CPU time, median. `robust` runs the plane in a
million points with half and with 80 % stray against Open3D's segment_plane.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "fit" / "shapes"))
import worlds

from fit.points import FloatArray, Points
from fit.shapes import fit_circle, fit_cone, fit_cylinder, fit_plane, fit_sphere
from fit.shapes.circle import CircleInPlaneModel
from fit.shapes.cone import ConeModel
from fit.shapes.cylinder import CylinderModel
from fit.shapes.frame import frame_at
from fit.shapes.plane import PlaneModel
from fit.shapes.sphere import SphereModel

NOISE = 0.05
PLACE, NORMAL = np.array([50.0, -20.0, 30.0]), np.array([0.3, -0.4, 0.8]) / math.sqrt(0.89)


def spent(work: Callable[[], Any]) -> float:
    begun = time.process_time()
    work()
    return (time.process_time() - begun) * 1e3


def turns(works: dict[str, Callable[[], Any]], repeats: int) -> dict[str, float]:
    for work in works.values():
        work()
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(repeats):
        for name, work in works.items():
            times[name].append(spent(work))
    return {name: statistics.median(values) for name, values in times.items()}


def scipy_fit(model: Any, state: Any, rows: FloatArray) -> FloatArray:
    """The same distances and derivatives handed to scipy's solver, from the true shape."""
    from scipy.optimize import least_squares

    size = model.parameters
    return np.asarray(
        least_squares(
            lambda p: model.evaluate(model.move(state, p), rows)[0].ravel(),
            np.zeros(size),
            jac=lambda p: model.evaluate(model.move(state, p), rows)[1].reshape(size, -1).T,
            xtol=1e-12, ftol=1e-12, gtol=1e-12,
        ).x
    )  # fmt: skip


def skimage_circle(xy: FloatArray) -> Any:
    from skimage.measure import CircleModel

    return CircleModel.from_estimate(xy)


def rows_of(count: int) -> None:
    """One line a shape."""
    repeats = 15 if count <= 1000 else 5
    for kind in ("circle", "plane", "sphere", "cylinder", "cone"):
        rng = np.random.default_rng(1)
        made: dict[str, Any] = {"kind": kind, "place": PLACE, "normal": NORMAL, "radius": 50.0, "angle": 0.2,
                                "arc": math.radians(90), "first": 0.2}  # fmt: skip
        if kind == "circle":
            made |= {"normal": np.array([0.0, 0, 1])}
        xyz = worlds.sample(made, count, rng)
        xyz[:, : 2 if kind == "circle" else 3] += rng.normal(0, NOISE, (count, 2 if kind == "circle" else 3))
        frame = frame_at(PLACE, made["normal"])
        fit, model, state = {
            "circle": (fit_circle, CircleInPlaneModel(), np.array([50.0, -20, 50])),
            "plane": (fit_plane, PlaneModel(), frame),
            "sphere": (fit_sphere, SphereModel(), np.array([*PLACE, 50.0])),
            "cylinder": (fit_cylinder, CylinderModel(), (frame, 50.0)),
            "cone": (fit_cone, ConeModel(), (frame, 0.0, 0.2)),
        }[kind]
        rows = np.ascontiguousarray(xyz.T[: 2 if kind == "circle" else 3])
        free, known = Points(xyz), Points(xyz, noise=NOISE)
        works: dict[str, Callable[[], Any]] = {
            "ours": lambda fit=fit, free=free: fit(free),
            "ours, noise known": lambda fit=fit, known=known: fit(known),
            "scipy": lambda model=model, state=state, rows=rows: scipy_fit(model, state, rows),
        }
        if kind == "circle":
            works["skimage (algebraic)"] = lambda rows=rows: skimage_circle(rows.T)
        found = turns(works, repeats)
        line = "  ".join(f"{name} {value:.2f} ms" for name, value in found.items())
        print(f"{count:7} {kind:9} {line}  scipy/ours {found['scipy'] / found['ours']:.1f}, known "
              f"{found['scipy'] / found['ours, noise known']:.1f}", flush=True)  # fmt: skip


def robust(repeats: int) -> None:
    """A plane among a million points: time, and error as lean in arc seconds and height in µm."""
    import open3d

    count = 1_000_000
    for share, rounds in ((0.5, 1000), (0.8, 10_000)):
        rng = np.random.default_rng(2)
        spots = np.column_stack([rng.uniform(-100, 100, (count, 2)), rng.normal(0, NOISE, count)])
        bad = int(share * count)
        spots[:bad, 2] = rng.uniform(-50, 50, bad)
        axes = frame_at(PLACE, NORMAL).axes
        xyz = PLACE + spots @ axes.T
        points, cloud = Points(xyz, noise=NOISE), open3d.geometry.PointCloud(open3d.utility.Vector3dVector(xyz))
        works = {
            "ours": lambda points=points: fit_plane(points, form="none").vector(("x", "y", "z", "nx", "ny", "nz")),
            "open3d": lambda cloud=cloud, rounds=rounds: cloud.segment_plane(3 * NOISE, 3, rounds)[0],
        }
        times: dict[str, list[float]] = {name: [] for name in works}
        misses: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
        for turn in range(repeats + 1):
            open3d.utility.random.seed(turn)
            for name, work in works.items():
                begun = time.process_time()
                found = work()
                if turn:
                    times[name].append((time.process_time() - begun) * 1e3)
                misses[name].append(_miss(np.asarray(found)))
        for name in works:
            lean, height = np.median(np.array(misses[name]), axis=0)
            print(f"plane 1e6, {share:.0%} stray: {name:7} {statistics.median(times[name]):9.0f} ms CPU, lean "
                  f"{lean:.2f} arcsec, height {height:.2f} µm", flush=True)  # fmt: skip
        print(f"  ratio {statistics.median(times['open3d']) / statistics.median(times['ours']):.1f}", flush=True)


def _miss(found: FloatArray) -> tuple[float, float]:
    normal = found[3:6] if len(found) == 6 else found[:3] / np.linalg.norm(found[:3])
    height = normal @ (PLACE - found[:3]) if len(found) == 6 else normal @ PLACE + found[3] / np.linalg.norm(found[:3])
    lean = math.degrees(math.asin(min(float(np.linalg.norm(np.cross(normal, NORMAL))), 1.0))) * 3600
    return lean, abs(float(height)) * 1e3


if __name__ == "__main__":
    number = next((int(word) for word in sys.argv[1:] if word.isdigit()), 3)
    if "robust" in sys.argv:
        robust(number)
    else:
        rows_of(1000)
        rows_of(100_000)
