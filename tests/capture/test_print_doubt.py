"""Caliper readings against the ratio of the printed squares that the photo shows."""

from __future__ import annotations

import numpy as np
import pytest

from capture.camera.bench import Bench, solve_bench
from capture.pieces import frame, strip

LENS = np.array([3100.0, 1.0003, 2020.0, 1490.0, 0.08, -0.22, 1e-4, -3e-4, 0.1])
PLACES = np.array([[0, 0, 0], [np.pi / 2, 300, -80], [0.1, 500, 0], [-np.pi / 2, 150, 330]])


def solved(synthetic, strips: bool, print_x: float, print_y: float) -> Bench:
    """A print of exactly its nominal size; the readings may be off."""
    pose = synthetic.look(15, 200, 850, (270, 150)) if strips else synthetic.look(20, 50, 330, (90, 120), 90)
    shot = synthetic.Shot(LENS, *pose, np.ones(2), PLACES if strips else np.zeros((1, 3)))
    pieces = [strip(i) for i in range(4)] if strips else [frame()]
    found = synthetic.make_pieces(shot, pieces, 0.02, np.random.default_rng(5))
    return solve_bench(synthetic.blank_image(), found, print_x=print_x, print_y=print_y)


def stretch(bench: Bench) -> tuple[float, float]:
    """Error and U95 of 100 mm across the target's middle, mm."""
    points = bench.points_on_face(bench.project([[40.0, 120, 0], [140, 120, 0]]), 0.0, 0.0, 0.0)
    u = np.linalg.norm((points.shared[:, 1] - points.shared[:, 0])[:, 0])
    return float(bench.scale[0] - 1) * 100, float(1.96 * u)


@pytest.mark.parametrize(
    ("strips", "x", "y"),
    [(False, 180.02, 239.98), (False, 179.97, 240.02), (True, 45.03, 240.0), (True, 44.97, 240.03)],
)
def test_usual_reading_errors_are_not_doubted(synthetic, strips, x, y):
    assert "print-doubt" not in {n.code for n in solved(synthetic, strips, x, y).notices}


@pytest.mark.parametrize(
    ("strips", "x", "y"),
    [(False, 180.8, 240.0), (False, 180.0, 238.6), (False, 178.9, 240.0), (True, 45.4, 240.0), (True, 45.0, 238.4)],
)
def test_a_misread_side_is_told_and_the_interval_holds_the_truth(synthetic, strips, x, y):
    bench = solved(synthetic, strips, x, y)
    (told,) = [n for n in bench.notices if n.code.startswith("print")]
    assert told.code == "print-doubt" and "Read both printed sides again" in told.text
    error, u95 = stretch(bench)
    assert abs(error) < u95
    true = stretch(solved(synthetic, strips, 45.0 if strips else 180.0, 240.0))
    assert u95 > 5 * true[1]
