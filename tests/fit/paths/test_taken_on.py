"""A fitted path moved: what its chain can do together, and its pieces through moved points."""

from __future__ import annotations

import numpy as np
import pytest

from fit.paths import PathFit, fit_path, free_moves, moved_path
from fit.paths.chain import locate, unit

TURN = np.pi / 2
BOX = [(25.0, 0.0), (5 * TURN, 5.0), (40.0, 0.0), (8 * TURN, 8.0), (34.0, 0.0), (8 * TURN, 8.0), (40.0, 0.0)]
BOX += [(5 * TURN, 5.0), (9.0, 0.0)]
"""Round a box of 50 by 53 mm, counter-clockwise, from amid one of its sides."""


@pytest.fixture
def box(walk) -> PathFit:
    return fit_path(walk(BOX, 900, 0.01), closed=True)


def arcs_and_lines(path: PathFit) -> tuple[list, list]:
    every = path.feature.segments
    return [s for s in every if s.kind == "arc"], [s for s in every if s.kind == "line"]


def test_a_box_grows_and_shifts_as_one(box):
    """Left is inward: by half a millimetre all radii shrink, sides move in and none turns."""
    smaller = moved_path(box, np.full(len(box.points), 0.5))
    (was_bent, was_straight), (bent, straight) = arcs_and_lines(box), arcs_and_lines(smaller)
    assert len(bent) == len(straight) == 4
    for before, after in zip(was_bent, bent, strict=True):
        assert after["radius"] == pytest.approx(before["radius"] - 0.5, abs=2e-3)
        assert after.value("radius").u95 == before.value("radius").u95
    for before, after in zip(was_straight, straight, strict=True):
        p, q = before.vector(("x1", "y1")), before.vector(("x2", "y2"))
        inward = np.array([p[1] - q[1], q[0] - p[0]]) / np.hypot(*(q - p))
        assert (after.vector(("x1", "y1")) - p) @ inward == pytest.approx(0.5, abs=2e-3)
        assert after["length"] == pytest.approx(before["length"], abs=5e-3)
    shorter = box.feature["length"] - smaller.feature["length"]
    assert shorter == pytest.approx(2 * np.pi * 0.5, abs=5e-3)
    assert smaller.points.xyz == pytest.approx(smaller.frame.lifted(smaller.frame.flat(smaller.points.xyz)[:, :2]))


def test_the_moves_are_those_that_keep_the_pieces_joined(box):
    """Four sides and four radii: shift, turn, growth and each radius alone are among them, a dent and a kink are not."""
    rows = 1500
    along = (np.arange(rows) + 0.5) * box.feature["length"] / rows
    moves = free_moves(box, along)
    assert moves.shape[1] == 12  # a line's place and direction each, and each arc's radius
    assert moves.T @ moves == pytest.approx(np.eye(12), abs=1e-9)

    def left_over(move: np.ndarray) -> float:
        return float(np.linalg.norm(move - moves @ (moves.T @ move)) / np.linalg.norm(move))

    assert left_over(np.ones(rows)) < 1e-6
    dent = np.exp(-(((along - 60.0) / 3.0) ** 2))
    assert left_over(dent) > 0.5


def test_points_moved_so_are_passed_as_before(box):
    """Whichever of the moves they take, points stand off the moved chain as they stood off it before."""

    def off(path: PathFit) -> np.ndarray:
        place, heading, _ = locate(path.chain, path.along)
        return ((path.frame.flat(path.points.xyz)[:, :2] - place) * unit(heading + np.pi / 2)).sum(axis=1)

    for move in free_moves(box, box.along).T:
        far = 0.05 * move / np.abs(move).max()
        assert np.sqrt(np.mean((off(moved_path(box, far)) - off(box)) ** 2)) < 5e-4
