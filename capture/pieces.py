"""The printed target pieces: which squares, markers and ids each has, and where its corners lie on paper.

All figures are nominal mm on the sheet, x right and y up from the lower-left printed corner, seen facing the print.
The pattern is OpenCV's ChArUco board in its default layout (OpenCV 4.6 and later), dictionary DICT_5X5_1000.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.points import FloatArray

__all__ = [
    "MAX_STICKERS",
    "MAX_STRIPS",
    "STICKER_FIRST_ID",
    "STICKER_MARKER_MM",
    "Piece",
    "frame",
    "piece_of_id",
    "sheet",
    "strip",
]

MAX_STRIPS = 20
MAX_STICKERS = 300
STICKER_FIRST_ID = 700
STICKER_MARKER_MM = 15.0
_STRIP_FIRST_ID, _STRIP_IDS, _SHEET_FIRST_ID = 150, 24, 630
_FRAME_RING = 2


@dataclass(frozen=True, slots=True)
class Piece:
    """A printed board: `columns` × `rows` squares; `ring` squares deep, or full where ring is 0."""

    kind: str
    number: int
    columns: int
    rows: int
    square: float
    marker: float
    first_id: int
    ring: int = 0

    @property
    def name(self) -> str:
        return f"{self.kind} {self.number}" if self.kind == "strip" else self.kind

    @property
    def width(self) -> float:
        """Nominal printed length in x, mm."""
        return self.columns * self.square

    @property
    def height(self) -> float:
        """Nominal printed length in y, mm."""
        return self.rows * self.square

    @property
    def board_id_count(self) -> int:
        """How many ids the full board takes, printed or not."""
        return self.columns * self.rows // 2

    def printed(self, column: int, row: int) -> bool:
        """Whether the square in this column and row (from the top left) is printed."""
        if not self.ring:
            return True
        ring = self.ring
        return column < ring or row < ring or column >= self.columns - ring or row >= self.rows - ring

    def marker_cells(self) -> dict[int, tuple[int, int]]:
        """Marker id -> (column, row) of its white square, for the printed squares."""
        cells = [(c, r) for r in range(self.rows) for c in range(self.columns) if (c + r) % 2 == 1]
        return {self.first_id + i: cell for i, cell in enumerate(cells) if self.printed(*cell)}

    def corner_ids(self) -> NDArray[np.int_]:
        """Inner chessboard corners whose four squares are all printed; ids count as on the full board."""
        across = self.columns - 1
        return np.array(
            [
                (r - 1) * across + (c - 1)
                for r in range(1, self.rows)
                for c in range(1, self.columns)
                if all(self.printed(cc, rr) for cc in (c - 1, c) for rr in (r - 1, r))
            ]
        )

    def corner_xy(self, ids: NDArray[np.int_]) -> FloatArray:
        """Nominal place (N, 2) of inner corners by id, mm, y up."""
        row, column = np.divmod(np.asarray(ids), self.columns - 1)
        return np.column_stack([(column + 1) * self.square, self.height - (row + 1) * self.square])

    def markers_xy(self, marker_ids: Iterable[int]) -> FloatArray:
        """Nominal corners (N, 4, 2) of printed markers: top-left, top-right, bottom-right, bottom-left; mm, y up."""
        cells = self.marker_cells()
        column, row = np.array([cells[i] for i in marker_ids]).reshape(-1, 2).T
        gap, m = (self.square - self.marker) / 2, self.marker
        left, top = column * self.square + gap, self.height - row * self.square - gap
        return np.stack([left[:, None] + [0, m, m, 0], top[:, None] - [0, 0, m, m]], axis=-1)

    def board(self) -> Any:
        """The same piece as OpenCV's CharucoBoard (full board, y down)."""
        import cv2

        ids = np.arange(self.first_id, self.first_id + self.board_id_count)
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square, self.marker, dictionary, ids)


def frame(number: int = 0) -> Piece:
    """The frame in whose blank middle a small part lies: 180 × 240 mm."""
    if number != 0:
        message = f"The frame number must be 0, the only one there is; got {number}."
        raise InputError(message)
    return Piece("frame", 0, 15, 20, 12.0, 9.0, 0, _FRAME_RING)


def strip(number: int) -> Piece:
    """A loose strip, 45 × 240 mm."""
    if not 0 <= number < MAX_STRIPS:
        message = f"The strip number must be 0 to {MAX_STRIPS - 1}; got {number}."
        raise InputError(message)
    return Piece("strip", number, 3, 16, 15.0, 11.0, _STRIP_FIRST_ID + _STRIP_IDS * number)


def sheet() -> Piece:
    """The sheet from which a lens is learned: 180 × 240 mm."""
    return Piece("sheet", 0, 9, 12, 20.0, 15.0, _SHEET_FIRST_ID)


def piece_of_id(marker_id: int) -> Piece | None:
    """The board that a marker id belongs to; None for a sticker's or an unknown id."""
    if 0 <= marker_id < _STRIP_FIRST_ID:
        return frame()
    if _STRIP_FIRST_ID <= marker_id < _STRIP_FIRST_ID + _STRIP_IDS * MAX_STRIPS:
        return strip((marker_id - _STRIP_FIRST_ID) // _STRIP_IDS)
    if _SHEET_FIRST_ID <= marker_id < _SHEET_FIRST_ID + sheet().board_id_count:
        return sheet()
    return None
