"""Where the printed pieces lie round a part on the bench: those given, or the usual places for so many strips.

Part coordinates: mm, origin at the lower-left corner of the part's box, x right and y up as seen from the camera.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from capture.pieces import MAX_STRIPS, Piece, frame, strip
from fit.errors import InputError
from fit.points import FloatArray

__all__ = ["Layout", "frame_blank", "layout_of", "parse_piece"]

_GAP_MM = 15.0
_CLEAR_MM = 3.0
_PIECE = re.compile(r"\s*(frame|strip\s*(\d+))\s*@\s*([^,]+),([^,]+?)(?:,(.+))?\s*", re.IGNORECASE)


@dataclass(frozen=True, eq=False, slots=True)
class Layout:
    """Pieces and where they lie: places (n, 3), angle (rad), x, y (mm) of each piece's lower-left printed corner."""

    pieces: tuple[Piece, ...]
    places: FloatArray

    @property
    def words(self) -> str:
        """Such as 'frame' or '4 strips'."""
        strips = sum(piece.kind == "strip" for piece in self.pieces)
        parts = ["frame"] if any(piece.kind == "frame" for piece in self.pieces) else []
        parts += [f"{strips} strip{'s' if strips > 1 else ''}"] if strips else []
        return " and ".join(parts)

    def outline(self) -> FloatArray:
        """Corners (4 n, 2) of all pieces, mm in part coordinates."""
        return np.concatenate([_corners(p, place) for p, place in zip(self.pieces, self.places, strict=True)])


def _corners(piece: Piece, place: FloatArray) -> FloatArray:
    angle, x, y = place
    c, s = math.cos(angle), math.sin(angle)
    box = np.array([(0, 0), (piece.width, 0), (piece.width, piece.height), (0, piece.height)], float)
    return np.asarray(box @ np.array([[c, s], [-s, c]]) + [x, y])


def frame_blank() -> tuple[float, float]:
    """Width and height of the frame's blank middle, mm."""
    piece = frame()
    ring = 2 * piece.ring * piece.square
    return piece.width - ring, piece.height - ring


def layout_of(part: tuple[float, float], strips: int | None) -> Layout:
    """A frame round a part that fits its blank middle, else strips round it.

    part : width and height, mm. strips : how many; 0 asks for the frame, None for whichever suits the part.
    Raises InputError where the part does not fit the frame asked for, or for too many strips.
    """
    fits = _fits_frame(part)
    if strips is None:
        strips = 0 if fits else _usual_strips(part)
    if strips == 0 and not fits:
        across, up = frame_blank()
        message = (
            f"A part of {part[0]:g} × {part[1]:g} mm does not fit the frame's blank middle of {across:g} × {up:g} mm; "
            "use strips: --strips 4."
        )
        raise InputError(message)
    if strips > MAX_STRIPS:
        message = f"There are {MAX_STRIPS} different strips at most; got --strips {strips}."
        raise InputError(message)
    return _framed(part) if strips == 0 else _surrounded(part, strips)


def _fits_frame(part: tuple[float, float]) -> bool:
    across, up = sorted(frame_blank())
    short, long = sorted(part)
    return short <= across - 2 * _CLEAR_MM and long <= up - 2 * _CLEAR_MM


def _usual_strips(part: tuple[float, float]) -> int:
    return 4 if max(part) <= 700 else 6


def _framed(part: tuple[float, float]) -> Layout:
    """The frame with the part in its middle, turned where the part lies across."""
    piece = frame()
    if part[0] <= part[1]:
        place = (0.0, (part[0] - piece.width) / 2, (part[1] - piece.height) / 2)
    else:
        place = (math.pi / 2, (part[0] + piece.height) / 2, (part[1] - piece.width) / 2)
    return Layout((piece,), np.array([place]))


def _surrounded(part: tuple[float, float], count: int) -> Layout:
    """Strips along the part's sides: one at each end first, then where the side is longest for its strips."""
    width, height = part
    sides = [height, height, width, width]  # left, right, lower, upper
    first = [0, 1] if width >= height else [2, 3]
    on = [0, 0, 0, 0]
    for i in range(count):
        side = first[i] if i < 2 else max(range(4), key=lambda k: (sides[k] / (on[k] + 1) ** 1.2, -on[k]))
        on[side] += 1
    places = [place for side in range(4) for place in _along(part, side, on)]
    return Layout(tuple(strip(i) for i in range(count)), np.array(places))


def _along(part: tuple[float, float], side: int, on: list[int]) -> list[tuple[float, float, float]]:
    """Places of the strips of one side, evenly spread, clear of the part and of each other."""
    piece, count = strip(0), on[side]
    upright = side < 2
    length = part[1] if upright else part[0]
    pitch = max(length / max(count, 1), piece.height + _CLEAR_MM)
    middles = length / 2 + (np.arange(count) - (count - 1) / 2) * pitch
    out = _GAP_MM
    if upright:  # beyond the ends of the strips along the other sides, where these reach past the part
        most = max(on[2:])
        reach = (most * (piece.height + _CLEAR_MM) - part[0]) / 2
        out = max(out, reach + _CLEAR_MM) if most else out
    beyond = {0: -out - piece.width, 1: part[0] + out, 2: -out, 3: part[1] + out + piece.width}[side]
    if upright:
        return [(0.0, beyond, float(m - piece.height / 2)) for m in middles]
    return [(-math.pi / 2, float(m - piece.height / 2), beyond) for m in middles]


def parse_piece(text: str) -> tuple[Piece, tuple[float, float, float]]:
    """Read ``strip 3@-60,120`` or ``strip 3@500,-60,90``: name, place of its lower-left printed corner, turn in degrees.

    Raises InputError where the text is not one piece with a place.
    """
    match = _PIECE.fullmatch(text)
    try:
        if not match:
            raise ValueError(text)
        x, y, turn = (float(figure) for figure in (match[3], match[4], match[5] or "0"))
    except ValueError as error:
        message = f"--piece must read like 'strip 3@-60,120' or 'strip 3@500,-60,90' (mm, degrees); got '{text}'."
        raise InputError(message) from error
    piece = frame() if match[2] is None else strip(int(match[2]))
    return piece, (math.radians(turn), x, y)
