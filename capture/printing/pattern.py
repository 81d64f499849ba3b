"""The black cells of a printed piece or sticker as rectangles, true to the dictionary's bits."""

from __future__ import annotations

import numpy as np

from capture.pieces import STICKER_FIRST_ID, STICKER_MARKER_MM, Piece
from fit.points import FloatArray

__all__ = ["piece_rects", "sticker_rects"]

_CELLS = 7  # 5 × 5 bits and a black border one cell wide


def piece_rects(piece: Piece) -> FloatArray:
    """Black rectangles (N, 4) of a board: x, y, width, height in mm from its lower-left printed corner, y up."""
    side, cells = piece.square, piece.marker_cells()
    squares = [
        (column * side, piece.height - (row + 1) * side, side, side)
        for row in range(piece.rows)
        for column in range(piece.columns)
        if (column + row) % 2 == 0 and piece.printed(column, row)
    ]
    markers = [
        _marker_rects(marker_id, piece.marker) + np.append(outline[3], (0.0, 0.0))
        for marker_id, outline in zip(cells, piece.markers_xy(cells), strict=True)
    ]
    return np.vstack([np.array(squares), *markers])


def sticker_rects(number: int) -> FloatArray:
    """Black rectangles (N, 4) of one sticker, mm from its marker's lower-left corner, y up."""
    return _marker_rects(STICKER_FIRST_ID + number, STICKER_MARKER_MM)


def _marker_rects(marker_id: int, side: float) -> FloatArray:
    """Runs of black cells of one marker, row by row, the lower-left corner at the origin."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    black = cv2.aruco.generateImageMarker(dictionary, marker_id, _CELLS) == 0
    cell = side / _CELLS
    edges = np.diff(np.pad(black.astype(int), ((0, 0), (1, 1))), axis=1)
    row, start = np.nonzero(edges == 1)
    end = np.nonzero(edges == -1)[1]
    return np.column_stack([start * cell, side - (row + 1) * cell, (end - start) * cell, np.full(len(row), cell)])
