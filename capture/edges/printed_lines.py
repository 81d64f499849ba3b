"""Where an edge in the photo is one of the printed pattern's own: its lines are black on white, and no part's edge.

A part's edge close to the print runs within a way-point's reach of far stronger steps, all of whose places are known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.camera.face import Face
from capture.edges.strip import Contour
from capture.pieces import Piece
from fit.points import FloatArray

__all__ = ["printed_share"]

_NEAR_MM, _PARALLEL = 0.3, 0.99
"""How near a printed line an edge lies that is it, and the least cosine of the angle between them: 8°."""


def printed_share(bench: Bench, contour: Contour) -> float:
    """Share of a contour that shows where printed lines run the same way."""
    seen = bench.project(contour.at(np.zeros(len(contour.xy))))
    ground = bench.cut(seen, Face.level("print", 0.0, 0.0))[:, :2]
    along = np.gradient(ground, axis=0)
    on = np.zeros(len(ground), bool)
    for j, found in enumerate(bench.pieces):
        origin, *ends = bench.on_piece(j, np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
        to_piece = np.linalg.inv(np.array(ends) - origin)
        turned = along @ to_piece
        on |= _on_lines(found.piece, (ground - origin) @ to_piece, turned / np.linalg.norm(turned, axis=1)[:, None])
    return float(on.mean())


def _on_lines(piece: Piece, xy: FloatArray, along: FloatArray) -> NDArray[np.bool_]:
    """Which places (N, 2) on a piece, y up, lie on a line of its pattern that runs along (N, 2)."""
    black = _black(piece)
    down = np.column_stack([xy[:, 0], piece.height - xy[:, 1]])
    on = np.zeros(len(xy), bool)
    for axis, squares in ((0, black), (1, black.T)):
        across, beside = down[:, axis], down[:, 1 - axis]
        is_along = np.abs(along[:, 1 - axis]) > _PARALLEL
        on |= is_along & (_on_squares(piece, squares, across, beside) | _on_markers(piece, squares, across, beside))
    return on


def _black(piece: Piece) -> NDArray[np.int_]:
    """Squares (columns + 2, rows + 2) from the top left, with white about them: 1 black, 0 white, -1 white with a marker."""
    squares = np.zeros((piece.columns + 2, piece.rows + 2), int)
    for column in range(piece.columns):
        for row in range(piece.rows):
            if piece.printed(column, row):
                squares[column + 1, row + 1] = -1 if (column + row) % 2 else 1
    return squares


def _cell(squares: NDArray[np.int_], column: FloatArray, row: FloatArray) -> NDArray[np.int_]:
    at = [np.clip(n.astype(int) + 1, 0, size - 1) for n, size in zip((column, row), squares.shape, strict=True)]
    return squares[at[0], at[1]]


def _on_squares(piece: Piece, squares: NDArray[np.int_], across: FloatArray, beside: FloatArray) -> NDArray[np.bool_]:
    """Whether a border between a black square and white is near."""
    line, row = np.rint(across / piece.square), np.floor(beside / piece.square)
    differ = (_cell(squares, line - 1, row) > 0) != (_cell(squares, line, row) > 0)
    return np.asarray(differ & (np.abs(across - line * piece.square) < _NEAR_MM))


def _on_markers(piece: Piece, squares: NDArray[np.int_], across: FloatArray, beside: FloatArray) -> NDArray[np.bool_]:
    """Whether a side of a marker's black border is near."""
    column, row = np.floor(across / piece.square), np.floor(beside / piece.square)
    half = piece.marker / 2
    from_middle, aside = (
        np.abs(place - (cell + 0.5) * piece.square) for place, cell in ((across, column), (beside, row))
    )
    is_side = (np.abs(from_middle - half) < _NEAR_MM) & (aside < half)
    return np.asarray(is_side & (_cell(squares, column, row) < 0))
