"""An edge walked with an arm's ball tip: the list read, the tip's radius taken off along the path's own normal, fitted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.arm.kinds import form_for
from capture.arm.tip import Tip, beside, correct
from fit.errors import InputError
from fit.feature import Feature
from fit.lists import PointList, read_list
from fit.paths import Conditions, PathFit, fit_path, marks_along, radius_suggestions
from fit.paths.chain import layout, locate, unit
from fit.points import FloatArray, Points
from fit.results import Notice

if TYPE_CHECKING:
    from fit.report.parts import ReportPart

__all__ = ["WalkOptions", "Walked", "measure_walk", "report_parts", "walk_details"]


@dataclass(frozen=True, slots=True)
class WalkOptions:
    """What the command line may say; tip, tip_u and noise in mm, points 'centre' or 'surface', side 'left' or 'right'."""

    unit: str | None = None
    tip: float | None = None
    tip_u: float = 0.003
    points: str | None = None
    plane: Path | None = None
    side: str | None = None
    noise: float | None = None
    closed: bool = False
    conditions: Conditions = field(default_factory=Conditions)


@dataclass(frozen=True, eq=False, slots=True)
class Walked:
    """The fitted path, the plane it lies in where one was given, the list, and what to tell the user."""

    path: PathFit
    plane: Feature | None
    walk: PointList
    notices: tuple[Notice, ...]

    @property
    def planes(self) -> tuple[Feature, ...]:
        """The given plane as a feature of the result, or nothing."""
        return () if self.plane is None else (self.plane,)

    @property
    def frame(self) -> str:
        """What the axes are, in words."""
        return "x, y, z as in the list; angles of arcs count about their normal from +x laid into the path's plane"


def measure_walk(file: str | Path, options: WalkOptions) -> Walked:
    """Read, correct and fit one ordered edge walk.

    Raises InputError for a wrong list or option, CannotDetermine where no path can be fitted.
    """
    tip, told = _tip(options)
    walk = read_list(file, options.unit)
    plane, plane_notices = _plane(options, tip) if options.plane else (None, [])
    points = _points_of(walk)
    if tip is not None:
        points, side_notices = _on_surface(points, walk, plane, tip, options)
        told = [*told, *side_notices]
    path = fit_path(
        points, closed=options.closed, plane=plane, noise=options.noise, conditions=options.conditions, name="path"
    )
    path = replace(path, feature=replace(path.feature, on="plane" if plane is not None else None))
    seen = [] if plane is not None else [_own_plane(path)]
    return Walked(path, plane, walk, (*walk.notices, *plane_notices, *told, *path.notices, *seen))


def _own_plane(path: PathFit) -> Notice:
    """From where left and right are seen when no face was given."""
    normal = ", ".join(f"{part:.3f}" for part in path.frame.axes[2] + 0.0)
    text = (
        f"No --plane: the path lies in the best plane of its own points, its normal ({normal}) turned upwards. Left, "
        "right and the sign of a turn are as seen from that side."
    )
    return Notice("plane-assumed", text, "path")


def _points_of(walk: PointList) -> Points:
    return Points(xyz=walk.xyz, label=walk.names, frame="axes of the list", source=Path(walk.path).name)


def _tip(options: WalkOptions) -> tuple[Tip | None, list[Notice]]:
    if options.points == "centre" and options.tip is None:
        message = "--points centre needs the tip's diameter: add --tip MM."
        raise InputError(message)
    if options.tip is not None and options.points is None:
        message = "--tip is given, but not what the list holds: add --points centre or --points surface."
        raise InputError(message)
    if options.points == "centre" and options.tip is not None:
        return Tip(options.tip, options.tip_u), []
    if options.points is None:
        text = "The list is taken as surface points, without tip correction; say --points centre if it is not."
        return None, [Notice("points-assumed", text)]
    return None, []


def _plane(options: WalkOptions, tip: Tip | None) -> tuple[Feature, list[Notice]]:
    """The plane of the face, touched beside the edge; tip centres are brought down to it where i j k tell the side."""
    from fit.shapes import fit_plane

    touched = read_list(str(options.plane), options.unit)
    points = replace(_points_of(touched), normal=touched.direction)
    form = form_for(len(points))
    plane = fit_plane(points, form=form)
    if tip is None:
        return plane.renamed("plane"), list(touched.notices)
    if not touched.has_direction.any():
        text = (
            f"{options.plane}: no i j k, so the face is taken at the height of the tip's centre; lengths do not change."
        )
        return plane.renamed("plane"), [*touched.notices, Notice("tip-side", text, "plane")]
    # the normal already points to the side that i j k name
    outward = np.broadcast_to(plane.vector(("nx", "ny", "nz")), points.xyz.shape)
    return fit_plane(correct(points, outward, tip), form=form).renamed("plane"), list(touched.notices)


def _on_surface(
    points: Points, walk: PointList, plane: Feature | None, tip: Tip, options: WalkOptions
) -> tuple[Points, list[Notice]]:
    """Tip centres brought to the edge along the normal of the path that the centres themselves describe."""
    rough = fit_path(points, closed=options.closed, plane=plane, noise=options.noise, name="path")
    heading = _headings(rough, len(points))
    tangent = unit(heading) @ rough.frame.axes[:2]
    left = beside(tangent, rough.frame.axes[2], "left")
    share = np.einsum("ij,ij->i", left, walk.direction)
    known = np.isfinite(share)
    if known.any():
        sign = 1.0 if np.median(share[known]) >= 0 else -1.0
        unlike = int((share[known] * sign < 0).sum())
        text = f"{unlike} of {int(known.sum())} i j k point to the other side of the edge; the tip is taken on the side of most."
        notices = [Notice("tip-side", text, "path")] if unlike > 0.02 * known.sum() else []
    elif options.side is None:
        message = (
            f"{walk.path}: no i j k, so the side on which the tip ran is not known; add --side left or --side right "
            "(in the direction of the walk, seen against the plane's normal), or give surface points."
        )
        raise InputError(message)
    else:
        sign, notices = (1.0 if options.side == "left" else -1.0), []
    return correct(points, sign * left, tip), notices


def _headings(path: PathFit, count: int) -> FloatArray:
    """Heading of the path (N,) at every point as given; a point left out takes that of the next used one."""
    total = float(path.chain.lengths.sum())
    heading = locate(path.chain, np.clip(path.along, 0.0, total))[1]
    order = np.argsort(path.index)
    place = np.searchsorted(path.index[order], np.arange(count)).clip(max=len(order) - 1)
    return np.asarray(heading[order][place])


def walk_details(path: PathFit, marks: float | None) -> dict[str, Any]:
    """What results.json holds beside the features: corners, round radii that fit, marks."""
    chain, frame = path.chain, path.frame
    where = layout(chain)
    sharp = np.flatnonzero(chain.corners)
    record: dict[str, Any] = {
        "noise": path.noise,
        "corners": [
            {"before": int(i) + 1, "at": frame.lifted(where.joints[i]).tolist(), "turn": math.degrees(chain.turns[i])}
            for i in sharp
        ],
        "suggestions": [
            {"segment": s.segment, "radius": s.radius, "words": s.words} for s in radius_suggestions(path.feature)
        ],
        "chord": float(np.hypot(*(where.joints[-1] - where.joints[0]))),
    }
    if marks is not None:
        at, places = marks_along(path, marks)
        record["marks"] = [{"along": float(s), "at": p.tolist()} for s, p in zip(at, places, strict=True)]
    return record


def report_parts(path: PathFit, details: Mapping[str, Any]) -> list[ReportPart]:
    """Pieces in order with lengths, radii and turns, round radii near them, and marks."""
    from fit.report.parts import ReportPart

    rows = [_row(i, segment) for i, segment in enumerate(path.feature.segments, 1)]
    parts = [ReportPart("Pieces in order", head=("", "length, mm", "radius, mm", "turn, °"), rows=rows)]
    if details["suggestions"]:
        near = [(s["segment"], s["words"]) for s in details["suggestions"]]
        words = "Round radii that the points do not reject; nothing was rounded."
        parts.append(ReportPart("Nearest stock radius", words, ("arc", "radius"), near))
    if "marks" in details:
        marks = [(str(i), f"{m['along']:.2f}") for i, m in enumerate(details["marks"], 1)]
        parts.append(ReportPart("Marks along the path", head=("mark", "from the start, mm"), rows=marks))
    return parts


def _row(number: int, segment: Feature) -> tuple[str, str, str, str]:
    length = segment.value("length")
    words = [f"{number} {segment.kind}", f"{length.value:.2f} ± {length.u95:.2f}", "", ""]
    if segment.kind == "arc":
        radius, turn = segment.value("radius"), segment.value("turn")
        words[2] = f"{radius.value:.2f} ± {radius.u95:.2f}"
        words[3] = f"{math.degrees(turn.value):+.2f} ± {math.degrees(turn.u95):.2f}"
    return words[0], words[1], words[2], words[3]
