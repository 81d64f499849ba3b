"""Features and surface points of a measured rod, for results.json and the cloud."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from fit.errors import CannotDetermine
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray, Points
from fit.rod.arcs import from_arc
from fit.rod.measured import MeasuredRod
from fit.rod.touches import BEND, END_A, END_B, RUN

__all__ = ["features_of", "surface_points"]


def features_of(rod: MeasuredRod) -> list[Feature]:
    """Each run as a cylinder of the known diameter, each end as a plane square to its run."""
    surface = _on_surface(rod)
    features = [_run(rod, i, surface) for i in range(rod.touches.runs)]
    ends = [(END_A, "end_a", rod.touches.has_a), (END_B, "end_b", rod.touches.has_b)]
    return features + [_end(rod, what, name, surface) for what, name, has in ends if has]


def _run(rod: MeasuredRod, run: int, surface: Points) -> Feature:
    rows = np.intersect1d(rod.touches.rows(RUN, run), np.flatnonzero(rod.axes.kept))
    touched = rod.touches.points.xyz[rows]

    def fn(params: FloatArray) -> FloatArray:
        first, last = rod.axes.ends_of_runs(params)
        unit = (last[run] - first[run]) / np.linalg.norm(last[run] - first[run])
        along = (touched - first[run]) @ unit
        middle = first[run] + (along.max() + along.min()) / 2 * unit
        return np.concatenate([middle, unit, [rod.inputs.diameter, np.ptp(along)]])

    feature = _feature(rod, f"run_{run + 1}", "cylinder", fn, rows)
    cov, shared = feature.cov_own.copy(), feature.shared.copy()
    cov[7, 7] += 2 * rod.axes.sigma**2
    for k, name in enumerate(feature.shared_names):
        shared[k, 6] = rod.inputs.diameter_u if name == "rod:diameter" else 0.0
    return replace(feature, cov_own=cov, shared=shared, form=_form("cylinder", surface.select(rows)))


def _end(rod: MeasuredRod, what: int, name: str, surface: Points) -> Feature:
    run, sign = (0, -1.0) if what == END_A else (-1, 1.0)

    def fn(params: FloatArray) -> FloatArray:
        first, last = rod.axes.ends_of_runs(params)
        unit = (last[run] - first[run]) / np.linalg.norm(last[run] - first[run])
        return np.concatenate([first[run] if what == END_A else last[run], sign * unit])

    rows = np.intersect1d(rod.touches.rows(what), np.flatnonzero(rod.axes.kept))
    return replace(_feature(rod, name, "plane", fn, rows), form=_form("plane", surface.select(rows)))


def _form(kind: str, touched: Points) -> Mapping[str, float]:
    """Cylindricity or flatness (mm, minimum zone) of touches on a surface; none where too few show it."""
    from fit.shapes.cylinder import fit_cylinder
    from fit.shapes.plane import fit_plane

    fit, least = (fit_cylinder, 6) if kind == "cylinder" else (fit_plane, 4)
    if len(touched) < least:
        return {}
    try:
        return fit(touched, robust=False, form="minimum-zone").form
    except CannotDetermine:
        return {}


def _feature(
    rod: MeasuredRod, name: str, kind: str, fn: Callable[[FloatArray], FloatArray], rows: np.ndarray
) -> Feature:
    at = rod.axes.params
    steps = np.eye(len(at)) * 1e-5
    gradient = np.stack([(fn(at + step) - fn(at - step)) / 2e-5 for step in steps], axis=1)
    residuals = rod.axes.residuals[rows]
    return Feature(
        name=name,
        kind=kind,
        order=KIND_ORDER[kind],
        values=fn(at),
        cov_own=gradient @ rod.axes.cov @ gradient.T,
        shared=rod.modes[:, :-1] @ gradient.T,
        shared_names=rod.mode_names,
        dof=rod.axes.dof,
        points=len(rows),
        rms=float(np.sqrt(np.mean(residuals**2))) if len(rows) else 0.0,
        residuals=residuals,
        source=rod.touches.points.source,
    )


def surface_points(rod: MeasuredRod) -> Points:
    """The touches used, moved back by the tip's radius to the rod's surface, with outward normals."""
    return _on_surface(rod).select(rod.axes.kept)


def _on_surface(rod: MeasuredRod) -> Points:
    """All touches on the rod's surface, strays too."""
    touches, points = rod.touches, rod.touches.points
    first, last = rod.axes.ends_of_runs()
    unit = (last - first) / np.linalg.norm(last - first, axis=1)[:, None]
    outward = np.full((len(points), 3), np.nan)
    for run in range(touches.runs):
        rows = touches.rows(RUN, run)
        off = points.xyz[rows] - first[run]
        outward[rows] = off - (off @ unit[run])[:, None] * unit[run]
    outward[touches.rows(END_A)] = -unit[0]
    outward[touches.rows(END_B)] = unit[-1]
    for bend, radius in enumerate(rod.schedule.radius):
        rows = touches.rows(BEND, bend)
        outward[rows] = from_arc(points.xyz[rows] - rod.corners[bend + 1], unit[bend], unit[bend + 1], radius)
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    back = rod.inputs.tip / 2 if rod.inputs.points == "centre" else 0.0
    moved = replace(points, xyz=points.xyz - back * outward, normal=outward, noise=np.full(len(points), rod.axes.sigma))
    if back and rod.inputs.tip_u:
        moved = moved.with_shared(["tip:radius"], (-rod.inputs.tip_u / 2 * outward)[None])
    return moved
