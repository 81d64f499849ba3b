"""Geometry of the printed pieces against OpenCV's own board model, which is built from the layout alone."""

from __future__ import annotations

import numpy as np
import pytest

from capture.pieces import MAX_STRIPS, Piece, frame, piece_of_id, sheet, strip
from fit.errors import InputError

PIECES = [frame(), sheet(), strip(0), strip(7), strip(19)]


def y_up(piece: Piece, points: np.ndarray) -> np.ndarray:
    """OpenCV's board coordinates (y down from the upper left corner) in ours."""
    return np.array([0, piece.height]) + np.asarray(points, float)[..., :2] * [1, -1]


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.name)
def test_corners_lie_where_opencv_puts_them(piece):
    theirs = y_up(piece, piece.board().getChessboardCorners())
    ids = piece.corner_ids()
    assert np.allclose(piece.corner_xy(ids), theirs[ids], atol=1e-4)


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.name)
def test_markers_lie_where_opencv_puts_them(piece):
    board = piece.board()
    theirs = {
        int(i): y_up(piece, points) for i, points in zip(np.ravel(board.getIds()), board.getObjPoints(), strict=True)
    }
    cells = piece.marker_cells()
    assert np.allclose(piece.markers_xy(cells), [theirs[marker_id] for marker_id in cells], atol=1e-4)


def test_nominal_sides():
    assert [(p.width, p.height) for p in (frame(), sheet(), strip(3))] == [(180, 240), (180, 240), (45, 240)]


def test_frame_prints_only_its_outer_ring():
    piece = frame()
    inside = [(c, r) for r in range(20) for c in range(15) if not piece.printed(c, r)]
    assert len(inside) == 11 * 16
    assert len(piece.corner_ids()) == 62  # a rim corner beside the blank lacks one of its four squares
    assert len(piece.marker_cells()) == 62


def test_ids_of_all_pieces_are_apart():
    ids = [
        i
        for p in (frame(), sheet(), *map(strip, range(MAX_STRIPS)))
        for i in range(p.first_id, p.first_id + p.board_id_count)
    ]
    assert len(ids) == len(set(ids))
    assert max(ids) < 700


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.name)
def test_a_marker_tells_its_piece(piece):
    assert {piece_of_id(i) for i in piece.marker_cells()} == {piece}


@pytest.mark.parametrize("marker_id", [684, 699, 700, 999, -1])
def test_other_ids_belong_to_no_board(marker_id):
    assert piece_of_id(marker_id) is None


@pytest.mark.parametrize(("make", "number"), [(strip, 20), (strip, -1), (frame, 1)])
def test_numbers_out_of_range_are_refused(make, number):
    with pytest.raises(InputError, match=f"number must be 0.*got {number}"):
        make(number)
