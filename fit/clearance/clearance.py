"""The clearance calculator as one function, and its table for results.json."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fit.clearance.body import Body
from fit.clearance.crossing import Crossing, find_crossings, spacing_of
from fit.clearance.margin import Margin, Tolerance, judge
from fit.clearance.motion import Motion, position_words
from fit.clearance.regions import Region, region_gaps
from fit.clearance.sweep import Scene, Sweep, make_scene, sweep
from fit.results import Notice
from fit.uncertain import coverage_factor

__all__ = ["Clearance", "Demand", "clear", "clear_table"]


@dataclass(frozen=True, slots=True)
class Demand:
    """The gap that is asked for: in mm, or by situation (a key of `SITUATIONS`); neither asks for nothing."""

    wanted: float | None = None
    situation: str | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Clearance:
    """All that a clearance check found. spacing is the points' typical distance (mm) in the fixed and the moving
    cloud.
    """

    scene: Scene
    swept: Sweep
    regions: tuple[Region, ...]
    crossings: tuple[Crossing, ...]
    margin: Margin
    spacing: tuple[float, float]

    @property
    def deepest(self) -> Crossing | None:
        """Where the parts cross most; None where they are not seen to cross."""
        return max(self.crossings, key=lambda crossing: crossing.depth, default=None)

    @property
    def notices(self) -> list[Notice]:
        """Warnings in plain words."""
        return [*_of_bodies(self), *_of_crossing(self)]


def clear(
    fixed: Body,
    moving: Body,
    motion: Motion,
    tolerance: Tolerance | None = None,
    demand: Demand | None = None,
    *,
    progress: Callable[[Iterable[int]], Iterable[int]] = iter,
) -> Clearance:
    """Smallest gap between a fixed and a moving part through a motion.

    gap(position) = min |turn·m + shift - f| over all points m of the moving and f of the fixed cloud (mm), exact: a
    dual bounding-sphere tree started from the pair of the position before. U95 of each gap stands for the smallest
    distance between the true places of the points (`fit.clearance.gap_error`; JCGM 100:2008). left = gap - play -
    rock - U95 is compared with the gap asked for; the decision rule is that of ISO 14253-1. Where the
    parts cross, however far apart their points, it is not met.

    Raises InputError for bodies, motions or demands that make no sense.
    """
    scene = make_scene(fixed, moving)
    swept = sweep(scene, motion, progress)
    wished = demand or Demand()
    margin = judge(scene, swept, tolerance or Tolerance(), wished.wanted, wished.situation)
    spacing = spacing_of(scene)
    crossings = find_crossings(scene, swept, sum(spacing))
    if crossings and margin.verdict is not None:
        margin = replace(margin, verdict="outside")
    return Clearance(scene, swept, tuple(region_gaps(scene, swept)), tuple(crossings), margin, spacing)


def _of_bodies(found: Clearance) -> list[Notice]:
    """What the files leave open: unit and uncertainty."""
    notices = []
    if assumed := (*found.scene.fixed.unit_assumed, *found.scene.moving.unit_assumed):
        text = f"{', '.join(assumed)}: no unit given, taken as mm. Add --unit if that is wrong."
        notices.append(Notice("unit-assumed", text))
    frames = found.scene.fixed.frame, found.scene.moving.frame
    if all(frames) and frames[0] != frames[1]:
        text = (
            f"The fixed part's axes are '{frames[0]}', the moving part's '{frames[1]}': the gap means nothing unless "
        )
        notices.append(Notice("axes-differ", text + "both stand in the same axes."))
    if any(error is None for error in found.swept.errors):
        text = "The uncertainty of the points is not known, so the gaps have no ±. Give --cloud-u, or a points.npz that knows it."
        notices.append(Notice("cloud-u-unknown", text))
    return notices


def _of_crossing(found: Clearance) -> list[Notice]:
    """Whether the parts cross, as far as the points can tell, and whether the points are dense enough."""
    smallest, near = float(found.swept.gap.min()), sum(found.spacing)
    notices = []
    if (deepest := found.deepest) is not None:
        text = (
            f"The parts cross by {deepest.depth:.2f} mm at {position_words(found.swept.motion, deepest.at)}, judged by "
        )
        text += "the fixed cloud's normals (they must point out of the metal)."
        notices.append(Notice("parts-cross", text))
    elif smallest < near and found.scene.fixed.normal is None:
        text = (
            f"The closest points come to {smallest:.2f} mm, nearer than the points lie apart ({near:.2f} mm): without "
        )
        text += "normals touching cannot be told from crossing. Export the fixed cloud with normals."
        notices.append(Notice("crossing-unknown", text))
    if smallest < 2.0 * near:
        text = (
            f"The points lie {found.spacing[0]:.2f} and {found.spacing[1]:.2f} mm apart, and between them the surfaces "
        )
        text += f"may come nearer than {smallest:.2f} mm. Take denser clouds there."
        notices.append(Notice("coarse-cloud", text))
    return notices


def clear_table(found: Clearance) -> dict[str, Any]:
    """results["clear"]: positions, the gap at each with U95 where it is known, the smallest with its place, regions,
    sum.
    """
    swept, scene = found.swept, found.scene
    at = swept.tightest
    table: dict[str, Any] = {
        "motion": swept.motion.kind,
        "unit": swept.motion.unit,
        "positions": swept.motion.positions.tolist(),
        "gap": [_gap(swept, i) for i in range(len(swept.gap))],
        "smallest": {
            "gap": _gap(swept, at),
            "at": float(swept.motion.positions[at]),
            "fixed_point": swept.fixed_point[at].tolist(),
            "moving_point": swept.moving_point[at].tolist(),
            "fixed_part": scene.fixed.parts[scene.fixed.part[scene.fixed_tree.order[swept.pairs[at].fixed]]],
            "moving_part": scene.moving.parts[scene.moving.part[scene.moving_tree.order[swept.pairs[at].moving]]],
        },
        "regions": [_region(region, swept) for region in found.regions],
        "spacing": {"fixed": found.spacing[0], "moving": found.spacing[1]},
        "margin": _margin(found.margin, swept),
        "formula": "gap = min |turn m + shift - f| over all points; left = gap - play - rock - U95; U95 stands for "
        "the smallest distance between the true places of the points",
    }
    if (error := swept.errors[at]) is not None:
        table["smallest"]["noise_bias"] = error.bias
    if swept.motion.kind == "hinge" and swept.motion.axis is not None:
        table["hinge"] = _hinge(swept.motion)
    if (deepest := found.deepest) is not None:
        table["crossing"] = {
            "depth": deepest.depth,
            "at": float(swept.motion.positions[deepest.at]),
            "point": deepest.point.tolist(),
        }
    return table


def _hinge(motion: Motion) -> dict[str, Any]:
    """The axis, and U95 of its point (mm) and direction where it was fitted."""
    assert motion.axis is not None
    record: dict[str, Any] = {"point": motion.axis[0].tolist(), "direction": motion.axis[1].tolist()}
    if motion.axis_cov is not None:
        u95 = coverage_factor(math.inf) * np.sqrt(np.diag(motion.axis_cov))
        record |= {"point_u95": u95[:3].tolist(), "direction_u95": u95[3:].tolist()}
    return record


def _gap(swept: Sweep, i: int) -> dict[str, float]:
    error = swept.errors[i]
    value = {"value": float(swept.gap[i])}
    return value if error is None else {**value, "u95": error.u95}


def _region(region: Region, swept: Sweep) -> dict[str, Any]:
    return {
        "name": region.name,
        "middle": region.middle.tolist(),
        "gap": region.gap,
        "at": float(swept.motion.positions[region.at]),
        "fixed_point": region.fixed_point.tolist(),
        "moving_point": region.moving_point.tolist(),
        "nearest": region.nearest,
    }


def _margin(margin: Margin, swept: Sweep) -> dict[str, Any]:
    record: dict[str, Any] = {
        "at": float(swept.motion.positions[margin.at]),
        "gap": margin.gap,
        "play": margin.play,
        "rock": margin.rock,
    }
    record |= {} if margin.u95 is None else {"u95": margin.u95}
    record |= {"left": margin.left, "sum": margin.sum_words()}
    if margin.wanted is not None:
        record |= {"wanted": margin.wanted, "why": margin.why, "verdict": margin.verdict}
    return record
