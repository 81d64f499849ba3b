"""The clearance calculator as one function, and its table for results.json."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from fit.clearance.body import Body
from fit.clearance.crossing import Crossing, find_crossings, spacing_of
from fit.clearance.margin import Margin, Tolerance, judge
from fit.clearance.motion import Motion
from fit.clearance.regions import Region, region_gaps
from fit.clearance.sweep import Scene, Sweep, make_scene, sweep
from fit.results import Notice

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
    def notices(self) -> list[Notice]:
        """Warnings in plain words."""
        return _notices(self)


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
    rock - U95 is compared with the gap asked for; the decision rule is that of ISO 14253-1.

    Raises InputError for bodies, motions or demands that make no sense.
    """
    scene = make_scene(fixed, moving)
    swept = sweep(scene, motion, progress)
    wished = demand or Demand()
    margin = judge(scene, swept, tolerance or Tolerance(), wished.wanted, wished.situation)
    spacing = spacing_of(scene)
    crossings = find_crossings(scene, swept, sum(spacing))
    return Clearance(scene, swept, tuple(region_gaps(scene, swept)), tuple(crossings), margin, spacing)


def _notices(found: Clearance) -> list[Notice]:
    notices = []
    assumed = (*found.scene.fixed.unit_assumed, *found.scene.moving.unit_assumed)
    if assumed:
        notices.append(
            Notice(
                "unit-assumed", f"{', '.join(assumed)}: says no unit and is taken as mm. Add --unit if that is wrong."
            )
        )
    if any(error is None for error in found.swept.errors):
        notices.append(
            Notice(
                "cloud-u-unknown",
                "The uncertainty of the points is not known, so the gaps have no ±. Give --cloud-u, or use the "
                "points.npz of a result.",
            )
        )
    smallest, near = float(found.swept.gap.min()), sum(found.spacing)
    if found.crossings:
        deepest = max(found.crossings, key=lambda crossing: crossing.depth)
        notices.append(
            Notice(
                "parts-cross",
                f"The parts cross by {deepest.depth:.2f} mm at {_position(found.swept, deepest.at)}, judged by the "
                "fixed cloud's normals (they must point out of the metal).",
            )
        )
    elif smallest < near and found.scene.fixed.normal is None:
        notices.append(
            Notice(
                "crossing-unknown",
                f"The closest points come to {smallest:.2f} mm, nearer than the points lie apart ({near:.2f} mm): "
                "without normals touching cannot be told from crossing. Export the fixed cloud with normals.",
            )
        )
    if smallest < 2.0 * near:
        notices.append(
            Notice(
                "coarse-cloud",
                f"The points lie {found.spacing[0]:.2f} and {found.spacing[1]:.2f} mm apart, and between them the "
                f"surfaces may come nearer than {smallest:.2f} mm. Take denser clouds there.",
            )
        )
    return notices


def _position(swept: Sweep, i: int) -> str:
    value, unit = swept.motion.positions[i], swept.motion.unit
    return f"pose {value:.0f}" if unit == "pose" else f"{value:g}{'°' if unit == 'deg' else ' mm'}"


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
    if found.crossings:
        deepest = max(found.crossings, key=lambda crossing: crossing.depth)
        table["crossing"] = {
            "depth": deepest.depth,
            "at": float(swept.motion.positions[deepest.at]),
            "point": deepest.point.tolist(),
        }
    return table


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
