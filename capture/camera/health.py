"""How well a solved bench predicts what it was not told, and what to do better at the next shot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.camera.adjust import adjust
from capture.camera.bench import Bench
from capture.camera.face import Face
from capture.camera.views import State, View, bench_corners, make_views
from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["Health", "check_bench", "outside_target", "target_hull"]

_LEAST_CORNERS, _RAISED_U = 8, 0.05
_FAR_WARN, _FAR_REFUSE, _FAR_REFUSE_WITH_LENS = 1.0, 2.0, 3.0
_OBLIQUE_DEG, _NEAR_PER_LENGTH, _COARSE_PX_PER_MM, _SOFT_PX, _SEEN_SHARE = 35.5, 0.5, 3.3, 2.0, 0.75


@dataclass(frozen=True, slots=True)
class Health:
    """Checks of one solved photo.

    Attributes
    ----------
    leave_one_out : mm, largest rms error with which the rest of the target predicts a part of it (a piece, or one
        side of a single frame); None where too little is left to try.
    worst : the part so predicted worst.
    tilt_deg, px_per_mm, blur_px : of the shot.
    advice : sentences for a better shot; empty where nothing is to be bettered.
    """

    leave_one_out: float | None
    worst: str
    tilt_deg: float
    px_per_mm: float
    blur_px: float
    advice: tuple[str, ...]

    def record(self, bench: Bench) -> dict[str, Any]:
        """The camera's entry in a results record, mm and degrees."""
        u = np.sqrt(np.diag(bench.adjustment.cov))
        f, aspect = bench.lens[:2]
        pieces = [
            {"name": p.piece.name, "corners": len(p.ids), "of": p.expected, "markers": p.markers} for p in bench.pieces
        ]
        record = {
            "pieces": pieces,
            "fx": float(f),
            "fx_u95": float(1.96 * u[0]),
            "fy": float(f * aspect),
            "cx": float(bench.lens[2]),
            "cy": float(bench.lens[3]),
            "distortion": [float(v) for v in bench.lens[4:]],
            "print_scale": [float(v) for v in bench.scale],
            "camera_centre": [float(v) for v in bench.centre],
            "tilt": self.tilt_deg,
            "px_per_mm": self.px_per_mm,
            "blur_px": self.blur_px,
            "advice": list(self.advice),
        }
        if self.leave_one_out is not None:
            record |= {"leave_one_out": self.leave_one_out, "leave_one_out_worst": self.worst}
        return record


def check_bench(bench: Bench, heights: Sequence[float] = ()) -> Health:
    """Predict every part of the target from the rest, and gather advice for the next shot.

    heights : mm, of the faces measured.
    """
    errors = dict(_left_out(bench))
    worst = max(errors, key=lambda name: errors[name]) if errors else ""
    scale = _px_per_mm(bench)
    tilt = math.degrees(bench.tilt)
    advice = (*_advice(bench, tilt, scale, bench.blur), *_raised_advice(bench, heights))
    return Health(errors.get(worst), worst, tilt, scale, bench.blur, advice)


def _left_out(bench: Bench) -> Iterator[tuple[str, float]]:
    """Name and rms prediction error in mm of each part of the target, solved without it."""
    view, solved = make_views([bench.pieces])[0], bench.adjustment
    single = len(bench.pieces) == 1
    groups = _sides(view) if single else {p.piece.name: view.which == j for j, p in enumerate(bench.pieces)}
    for name, mask in groups.items():
        rest = solved.kept[0] & ~mask
        part = solved.kept[0] & mask
        if part.sum() < 3 or rest.sum() < _LEAST_CORNERS:
            continue
        try:
            yield name, _prediction_error(bench, rest, part, single)
        except CannotDetermine:
            continue


def _sides(view: View) -> dict[str, NDArray[np.bool_]]:
    """The four sides of a single piece, each corner with the side that it is nearest to."""
    piece = view.pieces[0].piece
    x, y = view.xy.T
    nearest = np.argmin([x, piece.width - x, y, piece.height - y], axis=0)
    return {f"{side} side": nearest == i for i, side in enumerate(("left", "right", "lower", "upper"))}


def _prediction_error(bench: Bench, rest: NDArray[np.bool_], part: NDArray[np.bool_], single: bool) -> float:
    view, state = make_views([bench.pieces])[0], bench.adjustment.state
    pieces, places = [], []
    for j, found in enumerate(bench.pieces):
        use = rest[view.which == j]
        if use.any():
            pieces.append(
                replace(found, ids=found.ids[use], px=found.px[use], cov=found.cov[use], blur=found.blur[use])
            )
            places.append(state.places[0][j])
    views = make_views([tuple(pieces)])
    solved = adjust(views, bench.observed, _rebased(state, np.array(places), len(views[0].flat_names)))
    other = replace(bench, adjustment=solved)
    seen = other.cut(view.px[part], Face.level("print", 0.0, 0.0))[:, :2]
    expected = bench_corners(view, state, 0)[part]
    miss = seen - expected if single else _rigid_misfit(expected, seen)
    return float(np.sqrt((miss**2).sum(axis=1).mean()))


def _rebased(state: State, places: FloatArray, flats: int) -> State:
    """The state with the first of the places as the bench's origin, all pieces flat."""
    angle, x, y = places[0]
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    rotation, translation = state.rotations[0], state.translations[0]
    moved = np.column_stack([places[:, 0] - angle, (places[:, 1:] - [x, y]) @ turn[:2, :2]])
    shift = translation + rotation @ np.array([x, y, 0.0])
    return State(state.lens, state.scale, np.zeros(flats), (rotation @ turn,), (shift,), (moved,))


def _rigid_misfit(expected: FloatArray, seen: FloatArray) -> FloatArray:
    """What is left (N, 2) after the best turn and shift: a loose piece's place is not predicted, its shape is."""
    a, b = expected - expected.mean(axis=0), seen - seen.mean(axis=0)
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    c, s = math.cos(angle), math.sin(angle)
    return np.asarray(b - a @ np.array([[c, s], [-s, c]]))


def target_hull(bench: Bench) -> FloatArray:
    """Convex outline (M, 2) of all printed pieces seen, mm on the bench, counter-clockwise."""
    import cv2

    outlines = []
    for found, (angle, x, y) in zip(bench.pieces, bench.adjustment.state.places[0], strict=True):
        piece, (c, s) = found.piece, (math.cos(angle), math.sin(angle))
        corners = np.array([(0, 0), (piece.width, 0), (piece.width, piece.height), (0, piece.height)]) * bench.scale
        outlines.append(corners @ np.array([[c, s], [-s, c]]) + [x, y])
    hull = cv2.convexHull(np.concatenate(outlines).astype(np.float32), clockwise=False)
    return np.asarray(hull, float).reshape(-1, 2)


def outside_target(bench: Bench, xy: FloatArray, feature: str, *, has_lens: bool = False) -> Notice | None:
    """Tell where a feature's points (N, 2 or 3) leave the target's outline; refuse where nothing can be said of them.

    Raises CannotDetermine beyond two half-diagonals from the target's middle (three with a learned lens).
    """
    hull = target_hull(bench)
    middle = (hull.max(axis=0) + hull.min(axis=0)) / 2
    half = float(np.hypot(*(hull.max(axis=0) - hull.min(axis=0)))) / 2
    places = np.asarray(xy, float)[:, :2]
    reach = float(np.linalg.norm(places - middle, axis=1).max()) / half
    if reach > (_FAR_REFUSE_WITH_LENS if has_lens else _FAR_REFUSE):
        message = f"'{feature}' lies {reach:.1f} target half-diagonals away; put a target at its other end too."
        raise CannotDetermine(message)
    side = np.roll(hull, -1, axis=0) - hull
    outward = np.column_stack([side[:, 1], -side[:, 0]]) / np.linalg.norm(side, axis=1, keepdims=True)
    beyond = float((places @ outward.T - (hull * outward).sum(axis=1)).max())
    if beyond <= 0.02 * half:
        return None
    text = f"'{feature}' reaches {beyond:.0f} mm outside the target, where errors grow; put a target there too."
    return Notice("outside-target", text, feature)


def _px_per_mm(bench: Bench) -> float:
    """Pixels per mm in the middle of the target."""
    middle = target_hull(bench).mean(axis=0)
    square = np.array([(0, 0), (1, 0), (0, 1)]) + middle
    origin, along, up = bench.project(np.column_stack([square, np.zeros(3)]))
    (a, b), (c, d) = along - origin, up - origin
    return math.sqrt(abs(a * d - b * c))


def _advice(bench: Bench, tilt: float, scale: float, blur: float) -> Iterator[str]:
    hull = target_hull(bench)
    length = float(np.hypot(*np.ptp(hull, axis=0)))
    if tilt > _OBLIQUE_DEG:
        yield f"The view is {tilt:.0f}° oblique; keep it within {_OBLIQUE_DEG:.0f}° of square."
    if bench.centre[2] < _NEAR_PER_LENGTH * length:
        yield "The phone is very near; step back to at least the target's length."
    if scale < _COARSE_PX_PER_MM:
        yield f"A mm is only {scale:.1f} px; go nearer, or use the camera's full resolution."
    if blur > _SOFT_PX:
        yield f"The picture is soft (blur {blur:.1f} px); hold still, let it focus, add light."
    for found in bench.pieces:
        if len(found.ids) < _SEEN_SHARE * found.expected:
            name, seen = found.piece.name, f"{len(found.ids)} of {found.expected}"
            yield f"Only {seen} corners of the {name} show; keep it in the picture, uncovered and free of glare."
    yield from _coverage_advice(bench)


def _raised_advice(bench: Bench, heights: Sequence[float]) -> Iterator[str]:
    """Seen square-on, a raised face is as large as the focal length says, and that is known poorly without a lens file."""
    if not heights or "focal:EXIF" not in bench.names:
        return
    height = max(heights)
    middle, reach = target_hull(bench).mean(axis=0), 50.0
    ends = np.column_stack([middle + reach * np.array([(-1.0, 0.0), (1.0, 0.0)]), np.full(2, height)])
    points = bench.points_on_face(bench.project(ends), 0.0, height, 0.0)
    free = [not name.startswith(("caliper", "print")) for name in points.shared_names]
    u = float(np.linalg.norm((points.shared[free, 1] - points.shared[free, 0])[:, 0]))
    if u > _RAISED_U:
        yield (
            f"Faces {height:.0f} mm above the print are known only to ±{2 * u:.2f} mm per 100 mm in this view; shoot at "
            "20 to 35°, or learn the lens with 'edgewright camera'."
        )


def _coverage_advice(bench: Bench) -> Iterator[str]:
    """Sides of a frame with hardly a corner, or strips that leave one side of the picture's target open."""
    if len(bench.pieces) > 1:
        return
    view = make_views([bench.pieces])[0]
    for name, mask in _sides(view).items():
        if mask.sum() < 3:
            yield f"Hardly a corner is seen on the frame's {name}; sizes there are poorly held."
