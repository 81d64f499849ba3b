"""How well a solved bench predicts what it was not told, and what to do better at the next shot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.camera.adjust import adjust
from capture.camera.advice import piece_sides, shot_advice
from capture.camera.bench import Bench
from capture.camera.face import Face
from capture.camera.views import State, bench_corners, make_views
from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["Health", "check_bench", "outside_target", "scale_of", "target_hull"]

_LEAST_CORNERS, _MOST_PLACES = 8, 400
_FAR_WARN, _FAR_REFUSE, _FAR_REFUSE_WITH_LENS = 1.0, 2.0, 3.0


@dataclass(frozen=True, slots=True)
class Health:
    """Checks of one solved photo.

    Attributes
    ----------
    leave_one_out : mm, largest rms error with which the rest of the target predicts a part of it (a piece, or one
        side of a single frame); None where too little is left to try.
    worst : the part so predicted worst.
    at_part, worst_at_part : mm, by how much (rms) the shape of what was measured changes where a part of the target is
        left out, and which part that is.
    tilt_deg, px_per_mm, blur_px : of the shot.
    advice : sentences for a better shot; empty where nothing is to be bettered.
    """

    leave_one_out: float | None
    worst: str
    at_part: float | None
    worst_at_part: str
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
        if self.at_part is not None:
            record |= {"leave_one_out_at_part": self.at_part, "leave_one_out_at_part_worst": self.worst_at_part}
        return record


def check_bench(bench: Bench, heights: Sequence[float] = (), places: FloatArray | None = None) -> Health:
    """Predict every part of the target from the rest, and gather advice for the next shot.

    heights : mm, of the faces measured. places : (N, 3) mm, of all that was measured.
    """
    left_out, moved = {}, {}
    for name, other, part in _left_out(bench):
        left_out[name] = _prediction_error(bench, other, part)
        if places is not None and len(places):
            moved[name] = _moved(bench, other, places)
    worst, worst_at_part = (max(errors, key=lambda name: errors[name], default="") for errors in (left_out, moved))
    scale, tilt = scale_of(bench), math.degrees(bench.tilt)
    advice = tuple(shot_advice(bench, target_hull(bench), scale, heights, places))
    found = (left_out.get(worst), worst, moved.get(worst_at_part), worst_at_part)
    return Health(*found, tilt, scale, bench.blur, advice)


def _left_out(bench: Bench) -> Iterator[tuple[str, Bench, NDArray[np.bool_]]]:
    """Name of each part of the target, the bench solved without it, and its corners."""
    view, solved = make_views([bench.pieces])[0], bench.adjustment
    groups = (
        piece_sides(bench.pieces[0])
        if len(bench.pieces) == 1
        else {p.piece.name: view.which == j for j, p in enumerate(bench.pieces)}
    )
    for name, mask in groups.items():
        rest = solved.kept[0] & ~mask
        part = solved.kept[0] & mask
        if part.sum() < 3 or rest.sum() < _LEAST_CORNERS:
            continue
        try:
            yield name, _solved_by(bench, rest), part
        except CannotDetermine:
            continue


def _solved_by(bench: Bench, rest: NDArray[np.bool_]) -> Bench:
    """The bench solved by some of its corners alone; its origin is the first piece left."""
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
    return replace(bench, adjustment=solved)


def _prediction_error(bench: Bench, other: Bench, part: NDArray[np.bool_]) -> float:
    """Rms error, mm, with which a bench solved without a part of the target shows that part's corners."""
    view = make_views([bench.pieces])[0]
    seen = other.cut(view.px[part], Face.level("print", 0.0, 0.0))[:, :2]
    expected = bench_corners(view, bench.adjustment.state, 0)[part]
    return _rms(seen - expected if len(bench.pieces) == 1 else _rigid_misfit(expected, seen))


def _moved(bench: Bench, other: Bench, places: FloatArray) -> float:
    """Rms, mm, by which what was measured changes its shape where a part of the target is left out."""
    some = places[:: max(1, len(places) // _MOST_PLACES)]
    height = float(some[:, 2].mean())
    level = np.column_stack([some[:, :2], np.full(len(some), height)])
    return _rms(_rigid_misfit(some[:, :2], other.cut(bench.project(level), Face.level("part", height, 0.0))[:, :2]))


def _rms(miss: FloatArray) -> float:
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


def scale_of(bench: Bench) -> float:
    """Pixels per mm in the middle of the target."""
    middle = target_hull(bench).mean(axis=0)
    square = np.array([(0, 0), (1, 0), (0, 1)]) + middle
    origin, along, up = bench.project(np.column_stack([square, np.zeros(3)]))
    (a, b), (c, d) = along - origin, up - origin
    return math.sqrt(abs(a * d - b * c))
