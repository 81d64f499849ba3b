"""CPU time and error of the fits against scipy.optimize.least_squares, scikit-image and Open3D, interleaved.

    python tests/bench/fit_speed.py [REPEATS] [robust]

`fit` is ours without the search for strays, from rows of points to state, residuals and covariance. The rival does the
same work from the same rows: its own start (scikit-image's circle, an algebraic sphere, principal axes for the plane, a
quadric for cylinder and cone), least_squares with the analytic Jacobian, residuals and the covariance from J; `trf` is
scipy's default solver, `lm` its quicker one without weights or bounds. `feature` goes on from `fit` to the finished
feature with form and errors of its values; `strays, known` and `strays` look for strays as well, noise known and not;
beside them scikit-image's ransac for the circle. Process CPU time right after another run of the same, median; then our
sum of squares against the rival's and the difference of the sizes in standard uncertainties. `robust` runs the plane in
a million points with half and with 80 % stray against Open3D's segment_plane.

2026-11-27, 2 cores, load 7, `trf` / `fit` for circle, plane, sphere, cylinder, cone, middle of four runs: 5.5, 6.0, 6.9,
5.8, 10 at 1,000 points (wanted: 5, then 10 for the others); 10, 24, 8.6, 12, 30 at 100,000. At 1,000 points calls are the
time: in a loop of nothing else a fit takes 91, 34, 95, 208, 278 µs, its NumPy calls written out by hand, without the
Python between them, 61, 17, 68, 122, 160, and `trf` 570, 250, 750, 1240, 2740.
"""

from __future__ import annotations

import math
import os
import statistics
import sys
import time
from collections.abc import Callable
from functools import partial
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
from fit.shapes.fitting import Cloud, fit_model
from fit.shapes.frame import Frame, frame_at
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
            work()
            times[name].append(spent(work))
    return {name: statistics.median(values) for name, values in times.items()}


def rival(kind: str, model: Any, rows: FloatArray, method: str) -> tuple[Any, FloatArray, FloatArray]:
    """State, residuals and covariance by scipy's solver from the rival's own start."""
    from scipy.optimize import least_squares

    state, size = STARTS[kind](rows), model.parameters
    found = least_squares(
        lambda p: model.residuals(model.move(state, p), rows)[0],
        np.zeros(size),
        jac=lambda p: model.evaluate(model.move(state, p), rows)[1].reshape(size, -1).T,
        method=method,
    )
    free = rows.shape[1] - size
    cov = np.linalg.inv(found.jac.T @ found.jac) * (2 * found.cost / free)
    return model.move(state, found.x), found.fun, cov


def algebraic(rows: FloatArray) -> FloatArray:
    """Sphere by the linear least squares of its equation."""
    table = np.column_stack([2 * rows.T, np.ones(rows.shape[1])])
    found = np.linalg.lstsq(table, np.sum(rows**2, axis=0), rcond=None)[0]
    return np.array([*found[:3], math.sqrt(found[3] + found[:3] @ found[:3])])


def skimage_circle(rows: FloatArray) -> FloatArray:
    from skimage.measure import CircleModel

    found = CircleModel.from_estimate(rows.T)
    return np.array([*found.center, found.radius])


def principal(rows: FloatArray) -> Frame:
    centre = rows.mean(axis=1)
    return frame_at(centre, np.linalg.svd(rows - centre[:, None], full_matrices=False)[0][:, 2])


def quadric(rows: FloatArray) -> tuple[Frame, float, float]:
    """Axis, radius and half angle from the quadric through the points; the cylinder leaves the angle out."""
    centre = rows.mean(axis=1)
    x, y, z = (rows - centre[:, None]) / rows.std()
    table = np.column_stack([x * x, y * y, z * z, x * y, x * z, y * z, x, y, z, np.ones_like(x)])
    a = np.linalg.eigh(table.T @ table)[1][:, 0]
    form = np.array([[a[0], a[3] / 2, a[4] / 2], [a[3] / 2, a[1], a[5] / 2], [a[4] / 2, a[5] / 2, a[2]]])
    axis = np.linalg.eigh(form * np.sign(np.trace(form)))[1][:, 0]
    ends = []
    for part in np.split(np.argsort(axis @ rows), [rows.shape[1] // 2]):
        local = frame_at(centre, axis).local(rows[:, part])
        ends.append((*skimage_circle(local[:2]), float(local[2].mean())))
    (u, v, small, low), (_, _, large, high) = ends
    growth = (large - small) / (high - low)
    frame = frame_at(centre, axis)
    return frame.moved((u, v, 0.0), (0.0, 0.0)), small - growth * low, math.atan(growth)


STARTS: dict[str, Callable[[FloatArray], Any]] = {
    "circle": skimage_circle, "plane": principal, "sphere": algebraic, "cylinder": lambda rows: quadric(rows)[:2],
    "cone": quadric,
}  # fmt: skip


def ransac_circle(rows: FloatArray) -> Any:
    from skimage.measure import CircleModel, ransac

    return ransac(rows.T, CircleModel, 3, 3 * NOISE, max_trials=160, rng=1)[0]


def rows_of(count: int, repeats: int) -> None:
    """One line a shape."""
    for kind, fit, model in (
        ("circle", fit_circle, CircleInPlaneModel()), ("plane", fit_plane, PlaneModel()),
        ("sphere", fit_sphere, SphereModel()), ("cylinder", fit_cylinder, CylinderModel()),
        ("cone", fit_cone, ConeModel()),
    ):  # fmt: skip
        rng, across = np.random.default_rng(1), 2 if kind == "circle" else 3
        normal = np.array([0.0, 0, 1]) if kind == "circle" else NORMAL
        made: dict[str, Any] = {"kind": kind, "place": PLACE, "normal": normal, "radius": 50.0, "angle": 0.2,
                                "arc": math.radians(90), "first": 0.2}  # fmt: skip
        xyz = worlds.sample(made, count, rng)
        xyz[:, :across] += rng.normal(0, NOISE, (count, across))
        rows = np.ascontiguousarray(xyz.T[:across])
        free, known = Points(xyz), Points(xyz, noise=NOISE)
        cloud = Cloud(rows, None, np.zeros((0, count, across)))
        works: dict[str, Callable[[], Any]] = {
            "fit": partial(fit_model, model, cloud, robust=False),
            "feature": partial(fit, free, robust=False),
            "strays, known": partial(fit, known),
            "strays": partial(fit, free),
            "trf": partial(rival, kind, model, rows, "trf"),
            "lm": partial(rival, kind, model, rows, "lm"),
        }
        if kind == "circle":
            works["ransac"] = partial(ransac_circle, rows)
        found = turns(works, repeats)
        line = "  ".join(f"{name} {value:.2f}" for name, value in found.items())
        ratios = f"trf/fit {found['trf'] / found['fit']:.1f}, lm/fit {found['lm'] / found['fit']:.1f}"
        print(f"{count:7} {kind:9} ms: {line}  {ratios}  {compared(kind, works)}", flush=True)


def compared(kind: str, works: dict[str, Callable[[], Any]]) -> str:
    """Residual sums of the two and the difference of their sizes."""
    ours, (state, residuals, cov) = works["feature"](), works["trf"]()
    sums = float(np.sum(ours.residuals**2)) / float(np.sum(residuals**2)) - 1
    if kind == "plane":
        return f"sum of squares {sums:+.0e}"
    size = {"circle": lambda: state[2], "sphere": lambda: state[3], "cylinder": lambda: state[1]}
    own, other = (ours["half_angle"], abs(state[2])) if kind == "cone" else (ours["diameter"] / 2, size[kind]())
    return f"sum of squares {sums:+.0e}, size apart {abs(own - other) / math.sqrt(cov[-1, -1]):.0e} u"


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
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        # threads of the matrix library spin while they wait, which would be counted as work
        os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
        os.execv(sys.executable, [sys.executable, *sys.argv])
    # once freed, glibc keeps arrays up to this size in the process: else page faults of either side are what is timed
    np.ones(31_000_000 // 8)
    number = next((int(word) for word in sys.argv[1:] if word.isdigit()), 5)
    if "robust" in sys.argv:
        robust(number)
    else:
        rows_of(1000, 5 * number)
        rows_of(100_000, number)
