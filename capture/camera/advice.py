"""What would make the next shot of the same set-up better, told from one solved photo."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.camera.detect import FoundPiece
from capture.camera.views import bench_corners, make_views
from fit.points import FloatArray

if TYPE_CHECKING:
    from capture.camera.bench import Bench

__all__ = ["piece_sides", "shot_advice"]

_RAISED_U = 0.05
_OBLIQUE_DEG, _NEAR_PER_LENGTH, _COARSE_PX_PER_MM, _SOFT_PX = 35.5, 0.5, 3.3, 2.0
_MISSED_SHARE, _MISSED_LEAST = 0.1, 3
"""Corners of a piece missed for one reason from which it is told."""
_NO_INK = 200
"""Grey level below which hardly a pixel lies around a corner washed out by glare; half of it is black ink otherwise."""
_OPEN_SHARE = 0.02
"""By how much of its own size the part may reach past the target."""
_SIDES = ("left", "right", "upper side", "lower side")


def shot_advice(
    bench: Bench, hull: FloatArray, px_per_mm: float, heights: Sequence[float] = (), places: FloatArray | None = None
) -> Iterator[str]:
    """Sentences for a better shot; none where nothing is to be bettered.

    hull : (M, 2) mm, the target's outline. heights : mm, of the faces measured. places : (N, 3) mm, of all that was
    measured.
    """
    tilt = float(np.degrees(bench.tilt))
    if tilt > _OBLIQUE_DEG:
        yield f"The view is {tilt:.0f}° oblique; keep it within {_OBLIQUE_DEG:.0f}° of square."
    if bench.centre[2] < _NEAR_PER_LENGTH * float(np.hypot(*np.ptp(hull, axis=0))):
        yield "The phone is very near; step back to at least the target's length."
    if px_per_mm < _COARSE_PX_PER_MM:
        yield f"A mm is only {px_per_mm:.1f} px; go nearer, or use the camera's full resolution."
    if bench.blur > _SOFT_PX:
        yield f"The picture is soft (blur {bench.blur:.1f} px); hold still, let it focus, add light."
    for j, found in enumerate(bench.pieces):
        if len(found.ids) < found.expected:
            yield from _missed(bench, j, found, px_per_mm)
    yield from _open_sides(bench, places)
    yield from _raised(bench, hull, heights)


def _missed(bench: Bench, j: int, found: FoundPiece, px_per_mm: float) -> Iterator[str]:
    """Why corners of a piece are missing: cut off by the picture's edge, washed out by glare, or covered."""
    missed = np.setdiff1d(found.piece.corner_ids(), found.ids)
    px = _shown(bench, j, found.piece.corner_xy(missed))
    inside = np.asarray(((px > 2) & (px < np.array(bench.image.size) - 3)).all(axis=1))
    reach = max(2, round(0.4 * found.piece.square * px_per_mm))
    glare = np.array([is_in and _washed_out(bench.image.grey, p, reach) for is_in, p in zip(inside, px, strict=True)])
    name, of = found.piece.name, f"of {found.expected} corners of the {found.piece.name}"
    least = max(_MISSED_LEAST, _MISSED_SHARE * found.expected)
    if (~inside).sum() >= least:
        yield f"{(~inside).sum()} {of} lie outside the picture; step back, or move until all of it shows."
    if glare.sum() >= least:
        yield f"Glare on the {name} hides {glare.sum()} of its {found.expected} corners; turn the light, or shoot from elsewhere."
    if (inside & ~glare).sum() >= least:
        yield f"{(inside & ~glare).sum()} {of} cannot be made out; uncover it, and keep deep shadow off it."


def _shown(bench: Bench, j: int, xy: FloatArray) -> FloatArray:
    """Pixels (N, 2) of places on one piece, mm of its print."""
    return bench.project(np.column_stack([bench.on_piece(j, xy), np.zeros(len(xy))]))


def _washed_out(grey: NDArray[np.generic], px: FloatArray, reach: int) -> bool:
    column, row = np.rint(px).astype(int)
    patch = grey[max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1]
    return bool(np.percentile(np.asarray(patch, float), 10) > _NO_INK)


def piece_sides(piece: FoundPiece) -> dict[str, NDArray[np.bool_]]:
    """The corners found of a single piece by the side that each is nearest to."""
    x, y = piece.xy.T
    nearest = np.argmin([x, piece.piece.width - x, y, piece.piece.height - y], axis=0)
    return {f"{side} side": nearest == i for i, side in enumerate(("left", "right", "lower", "upper"))}


def _open_sides(bench: Bench, places: FloatArray | None) -> Iterator[str]:
    """Sides of a frame with hardly a corner; sides of the part that the target does not reach, as people see the picture."""
    if len(bench.pieces) == 1 and bench.pieces[0].piece.kind == "frame":
        for name, mask in piece_sides(bench.pieces[0]).items():
            if mask.sum() < 3:
                yield f"Hardly a corner is seen on the frame's {name}; sizes there are poorly held."
    if places is None or not len(places):
        return
    view = make_views([bench.pieces])[0]
    corners = bench_corners(view, bench.adjustment.state, 0)
    target, part = (
        bench.image.to_displayed(bench.project(xyz)) for xyz in (np.column_stack([corners, 0 * corners[:, 0]]), places)
    )
    spare = _OPEN_SHARE * np.ptp(part, axis=0)
    low, high = target.min(axis=0) - spare > part.min(axis=0), target.max(axis=0) + spare < part.max(axis=0)
    for side, is_open in zip(_SIDES, (low[0], high[0], low[1], high[1]), strict=True):
        if is_open:
            yield f"The part reaches past the target on the {side} of the picture; lay a strip there too."


def _raised(bench: Bench, hull: FloatArray, heights: Sequence[float]) -> Iterator[str]:
    """Seen square-on, a raised face is as large as the focal length says, and that is known poorly without a lens file."""
    if not heights or "focal:EXIF" not in bench.names:
        return
    height = max(heights)
    u = float(np.linalg.norm(_stretch(bench, hull, height) - _stretch(bench, hull, 0.0)))
    if u > _RAISED_U:
        yield (
            f"Faces {height:.0f} mm above the print are known only to ±{2 * u:.2f} mm per 100 mm in this view; shoot at "
            "20 to 35°, or learn the lens with 'edgewright camera'."
        )


def _stretch(bench: Bench, hull: FloatArray, height: float) -> FloatArray:
    """(K,) mm by which each shared source lengthens 100 mm at a height in the target's middle."""
    ends = np.column_stack([hull.mean(axis=0) + 50.0 * np.array([(-1.0, 0.0), (1.0, 0.0)]), np.full(2, height)])
    points = bench.points_on_face(bench.project(ends), 0.0, height, 0.0)
    return np.asarray((points.shared[:, 1] - points.shared[:, 0])[: len(bench.names), 0])
