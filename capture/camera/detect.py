"""Find the printed pieces in a photo and their corners, or say why that cannot be done."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.camera.codes import DICTIONARY, LEAST_SIDE_PX, places_of_codes
from capture.camera.corners import Corners, refine_corners
from capture.camera.image import Image
from capture.pieces import MAX_STRIPS, Piece, frame, piece_of_id, sheet, strip
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["FoundPiece", "find_pieces", "read_markers"]

MIN_MARKERS, MIN_CORNERS = 4, 12
"""Fewer prove nothing about a lens and a pose (common practice, no source)."""
MAX_BLUR_PX = 4.0
"""Standard deviation of the blur, in a picture of the usual size, beyond which edges of a part melt into each other."""
_SCALES, _USUAL_SIDE = (4, 2, 1), 4000
"""Reductions tried in turn for a picture of the usual long side; larger pictures are reduced further to like size."""
_ENOUGH, _FARTHER = 0.95, 0.6
_REACH_SQUARES = 0.6


@dataclass(frozen=True, eq=False, slots=True)
class FoundPiece:
    """One printed piece seen in a photo.

    Attributes
    ----------
    piece : which it is.
    ids : (N,) corner ids. px : (N, 2) in the stored array. cov : (N, 2, 2) px². blur : (N,) px.
    markers : how many of its markers were read. expected : how many corners it has.
    """

    piece: Piece
    ids: NDArray[np.int_]
    px: FloatArray
    cov: FloatArray
    blur: FloatArray
    markers: int
    expected: int

    @property
    def xy(self) -> FloatArray:
        """Nominal places (N, 2) of the corners on the sheet, mm."""
        return self.piece.corner_xy(self.ids)


def find_pieces(image: Image, kinds: Collection[str] = ("frame", "strip")) -> list[FoundPiece]:
    """Find every printed piece of the given kinds ('frame', 'strip', 'sheet'), frame first, then by number.

    Raises CannotDetermine where there is no target, too little of it, or too much blur; InputError for a mirrored
    picture, one sheet seen twice, and boards printed in the layout that OpenCV used before 4.6.
    """
    codes = _codes_of(kinds)
    markers = _seek_markers(image, codes)
    if len(markers) < MIN_MARKERS:
        _refuse_mirrored(image, codes)
        _refuse_sheet(image, kinds)
        raise _no_target(image, kinds, len(markers))
    found, reasons = [], []
    for piece in _pieces_present(markers, kinds):
        cells = piece.marker_cells()
        own = {i: seen for i, seen in markers.items() if i in cells}
        try:
            found.append(_find_corners(image, piece, own))
        except CannotDetermine as error:
            reasons.append(str(error))
    if not found:
        raise CannotDetermine(f"{image.path}: " + " ".join(reasons))
    return found


def _codes_of(kinds: Collection[str]) -> list[int]:
    pieces = [frame()] if "frame" in kinds else []
    pieces += [strip(s) for s in range(MAX_STRIPS)] if "strip" in kinds else []
    pieces += [sheet()] if "sheet" in kinds else []
    return [code for piece in pieces for code in sorted(piece.marker_cells())]


def _pieces_present(markers: Mapping[int, Any], kinds: Collection[str]) -> list[Piece]:
    pieces = {piece.name: piece for i in sorted(markers) if (piece := piece_of_id(i)) and piece.kind in kinds}
    return [p for p in pieces.values() if len(p.marker_cells().keys() & markers.keys()) >= 2]


def read_markers(
    grey: NDArray[Any], codes: Sequence[int], scale: int, dictionary: str = DICTIONARY
) -> dict[int, list[FloatArray]]:
    """Marker id -> every place (4, 2) where it is read, px of the full picture."""
    import cv2

    if scale > 1:
        size = (grey.shape[1] // scale, grey.shape[0] // scale)
        factor = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    else:
        factor = np.ones(2)
    seen: dict[int, list[FloatArray]] = {}
    for code, place in places_of_codes(grey, codes, dictionary):
        seen.setdefault(code, []).append((place.astype(float) + 0.5) * factor - 0.5)
    return seen


def _seek_markers(image: Image, codes: Sequence[int]) -> dict[int, list[FloatArray]]:
    """Look at a quarter, half and full size until the pieces present are nearly complete; finer readings win.

    Where a frame or sheet is seen and no strip, only its markers are sought further; strips are loose, so one more may
    lie farther off and show only in a finer look.
    """
    grey = image.grey8
    markers: dict[int, list[FloatArray]] = {}
    scales = _scales(image)
    for scale in scales:
        markers |= read_markers(grey, codes, scale)
        present = _pieces_present(markers, ("frame", "strip", "sheet"))
        loose = any(piece.kind == "strip" for piece in present)
        expected = [code for piece in present for code in sorted(piece.marker_cells())]
        complete = sum(i in markers for i in expected) >= max(_ENOUGH * len(expected), MIN_MARKERS)
        if complete and not (loose and _may_hide_farther(markers, scale)):
            break
        if present and not loose:
            codes = expected
    return markers


def _may_hide_farther(markers: Mapping[int, Sequence[FloatArray]], scale: int) -> bool:
    """Whether a piece somewhat farther off than all that are seen would have markers too small to be read at this scale."""
    places = np.array([place for seen in markers.values() for place in seen])
    sides = np.linalg.norm(places - np.roll(places, 1, axis=1), axis=2).mean(axis=1)
    return bool(_FARTHER * float(sides.min()) / scale < LEAST_SIDE_PX)


def _scales(image: Image) -> list[int]:
    larger = max(1, round(max(image.size) / _USUAL_SIDE))
    return [scale * larger for scale in _SCALES if scale == 1 or min(image.size) // (scale * larger) >= 200]


def _refuse_mirrored(image: Image, codes: Sequence[int]) -> None:
    grey = np.ascontiguousarray(image.grey8[:, ::-1])
    for scale in _scales(image):
        if len(read_markers(grey, codes, scale)) >= MIN_MARKERS:
            message = f"{image.path}: the picture is mirrored; give the photo as the camera wrote it, not flipped."
            raise InputError(message)


def _refuse_sheet(image: Image, kinds: Collection[str]) -> None:
    """Tell where what lies there is the sheet that lenses are learned from."""
    codes = _codes_of({"sheet"} - set(kinds))
    for scale in _scales(image) if codes else ():
        if len(read_markers(image.grey8, codes, scale)) >= MIN_MARKERS:
            what = " or ".join(sorted(kinds))
            message = (
                f"{image.path}: shows the lens sheet, which is for 'edgewright camera'; shoot the part with a {what}."
            )
            raise CannotDetermine(message)


def _no_target(image: Image, kinds: Collection[str], count: int) -> CannotDetermine:
    what = " or ".join(sorted(kinds))
    seen = (
        f"only {count} marker{'s' * (count > 1)} of a printed {what} can be read"
        if count
        else f"no printed {what} is found"
    )
    blurred = _edge_blur(image) > 2.5
    why = (
        "the picture is blurred; hold the phone still, let it focus"
        if blurred
        else f"lay the printed {what} flat, keep all of it in view, evenly lit and large enough in the picture"
    )
    return CannotDetermine(f"{image.path}: {seen}: {why}, and shoot again.")


def _edge_blur(image: Image) -> float:
    """Blur (px, standard deviation) of the sharpest strong edges: step height over √(2π) times the slope."""
    import cv2

    grey = image.grey8
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)
    slope = cv2.magnitude(
        cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    )
    steepest = float(np.percentile(slope[::3, ::3], 99.9))
    low, high = np.percentile(grey[::7, ::7], (2, 98))
    return float((high - low) / max(steepest * np.sqrt(2 * np.pi), 1e-6))


def _find_corners(image: Image, piece: Piece, own: Mapping[int, Sequence[FloatArray]]) -> FoundPiece:
    """Predict every corner from the markers read, then fit each on the full picture."""
    names = [i for i, places in own.items() for _ in places]
    places = np.array([place for seen in own.values() for place in seen])
    nominal = piece.markers_xy(names)
    homography, inlier = _consistent(nominal, places, piece)
    if (~inlier).sum() >= MIN_MARKERS:
        _refuse_old_layout(image, piece, names, places, int(inlier.sum()))
        again = np.array([i in {name for name, kept in zip(names, inlier, strict=True) if kept} for i in names])
        _refuse_twice(image, piece, nominal[~inlier & again], places[~inlier & again])
    if inlier.sum() < 2:
        message = f"Of the {piece.name} only {inlier.sum()} marker can be read; uncover it."
        raise CannotDetermine(message)
    guess = _Guess(homography, nominal[inlier].reshape(-1, 2), places[inlier].reshape(-1, 2), piece.square)
    ids = piece.corner_ids()
    corners, ids = _refine_all(image, piece, guess, ids)
    if len(ids) < 4:
        raise CannotDetermine(_few_corners(piece, len(ids), _side_px(places[inlier])))
    return FoundPiece(piece, ids, corners.px, corners.cov, corners.blur, int(inlier.sum()), len(piece.corner_ids()))


def _side_px(places: FloatArray) -> float:
    """Mean side of markers with corners (N, 4, 2), px."""
    return float(np.linalg.norm(places - np.roll(places, 1, axis=1), axis=2).mean())


def _few_corners(piece: Piece, count: int, side: float) -> str:
    if side < LEAST_SIDE_PX:
        small = f"The {piece.name} shows too small, its markers {side:.0f} px wide where {LEAST_SIDE_PX:.0f} are needed"
        return f"{small}; go nearer, or give the photo at its full size."
    return f"Of the {piece.name} only {count} of {len(piece.corner_ids())} corners can be located; uncover it."


def _consistent(nominal: FloatArray, places: FloatArray, piece: Piece) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Homography of the largest set of markers that lie on one flat board, and which they are."""
    import cv2

    side = np.sqrt(np.median([abs(cv2.contourArea(p.astype(np.float32))) for p in places]))
    limit = max(0.12 * side * piece.square / piece.marker, 3.0)
    h, mask = cv2.findHomography(
        nominal.reshape(-1, 2), places.reshape(-1, 2), cv2.RANSAC, limit, maxIters=500, confidence=0.9999
    )
    if h is None:
        return np.eye(3), np.zeros(len(places), dtype=bool)
    return np.asarray(h, float), np.asarray(mask).reshape(-1, 4).sum(axis=1) >= 3


def _refuse_twice(image: Image, piece: Piece, nominal: FloatArray, places: FloatArray) -> None:
    """Markers that were read a second time elsewhere and agree among themselves are a second copy of the sheet."""
    if len(places) < MIN_MARKERS:
        return
    _, inlier = _consistent(nominal, places, piece)
    if inlier.sum() >= MIN_MARKERS:
        message = f"{image.path}: the {piece.name} lies in the picture twice; take one away and shoot again."
        raise InputError(message)


def _refuse_old_layout(image: Image, piece: Piece, names: Sequence[int], places: FloatArray, fit: int) -> None:
    """OpenCV before 4.6 starts boards of evenly many rows with a white square; refuse if that fits more markers."""
    cells = [(c, r) for r in range(piece.rows) for c in range(piece.columns) if (c + r) % 2 == 0]
    gap = (piece.square - piece.marker) / 2
    outline = np.array([(0, 0), (1, 0), (1, -1), (0, -1)]) * piece.marker + [gap, piece.height - gap]
    corner = np.array([cells[i - piece.first_id] for i in names]) * [piece.square, -piece.square]
    nominal = outline + corner[:, None]
    _, inlier = _consistent(nominal, places, piece)
    if inlier.sum() > fit:
        message = (
            f"{image.path}: the {piece.name} was printed in the board layout of OpenCV before 4.6; "
            "print it anew with 'edgewright target'."
        )
        raise InputError(message)


@dataclass(frozen=True, eq=False, slots=True)
class _Guess:
    """Where a place on the sheet shows: a homography, corrected by what the nearest marker corners say of the lens."""

    homography: FloatArray
    xy: FloatArray
    px: FloatArray
    square: float

    def at(self, xy: FloatArray) -> FloatArray:
        misfit = self.px - _apply(self.homography, self.xy)
        squared = ((xy[:, None] - self.xy) ** 2).sum(axis=2)
        weight = 1 / (squared + self.square**2) ** 2
        return _apply(self.homography, xy) + (weight @ misfit) / weight.sum(axis=1, keepdims=True)

    def sides(self, xy: FloatArray) -> FloatArray:
        half = self.square / 2
        steps = [_apply(self.homography, xy + s) - _apply(self.homography, xy - s) for s in np.eye(2) * half]
        return np.stack(steps, axis=1)


def _apply(homography: FloatArray, xy: FloatArray) -> FloatArray:
    mapped = np.column_stack([xy, np.ones(len(xy))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _refine_all(image: Image, piece: Piece, guess: _Guess, ids: NDArray[np.int_]) -> tuple[Corners, NDArray[np.int_]]:
    xy = piece.corner_xy(ids)
    px = guess.at(xy)
    inside = ((px > 4) & (px < np.array(image.size) - 5)).all(axis=1)
    ids, xy, px = ids[inside], xy[inside], px[inside]
    corners = refine_corners(image.grey, px, guess.sides(xy))
    keep = corners.found.copy()
    blur = float(np.median(corners.blur[keep])) if keep.any() else 0.0
    limit = MAX_BLUR_PX * max(1.0, max(image.size) / _USUAL_SIDE)
    if blur > limit:
        message = (
            f"{image.path}: the {piece.name} is blurred by {blur:.1f} px, more than the {limit:.0f} px that "
            "can be measured; hold the phone still, let it focus, and shoot again."
        )
        raise CannotDetermine(message)
    keep &= corners.blur < 2.5 * max(blur, 0.5)
    kept = Corners(corners.px[keep], corners.cov[keep], corners.blur[keep], corners.found[keep])
    return kept, ids[keep]
