"""Lines of the printed pattern are known and are no part's edge."""

from __future__ import annotations

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges.candidates import Pick
from capture.edges.follow import contour_along
from capture.edges.leading import lead
from capture.edges.printed_lines import printed_share
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.strip import Lit, linear_light
from capture.pieces import frame
from fit.errors import CannotDetermine

INNER_MM = 2 * frame().square
"""Where the frame's ring of squares ends, from its outer side."""


@pytest.fixture(scope="module")
def shot(drawn, tmp_path_factory):
    """A plate raised by 20 mm in the frame, seen at 15°."""
    plate = drawn.Plate(thickness=1.5, height=20.0, corners=(0.5,) * 4)
    scene = drawn.Scene(drawn.look(15, 250, 260), plate)
    image = open_image(drawn.save(tmp_path_factory.mktemp("print") / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    return bench, Lit(linear_light(image.colour()))


def shown_on(bench, ground, height):
    """Places (N, 2) on a face at a height that show where places (N, 2) of the print do."""
    foot = np.column_stack([ground, np.zeros(len(ground))])
    return (foot + height / bench.centre[2] * (bench.centre - foot))[:, :2]


@pytest.mark.parametrize("height", [0.0, 20.0])
@pytest.mark.parametrize(
    ("x", "lean", "share"),
    [(INNER_MM, 0.0, 0.5), (INNER_MM - 0.7, 0.0, 0.0), (INNER_MM, 0.3, 0.0), (INNER_MM + 30.0, 0.0, 0.0)],
)
def test_what_runs_along_printed_squares_is_told(x, lean, share, height, shot):
    """Every other square is black where the ring ends."""
    bench, _ = shot
    y = np.arange(36.0, 204.0, 0.5)
    ground = np.column_stack([x + lean * (y - 120), y])
    line = contour_along(shown_on(bench, ground, height), height, material_inside=True, closed=False)
    assert printed_share(bench, line) == pytest.approx(share, abs=0.05)


def test_a_marker_s_border_is_printed_too(shot):
    bench, _ = shot
    y = np.arange(40.0, 200.0, 0.5)
    line = contour_along(np.column_stack([0 * y + 12 + 1.5, y]), 0.0, material_inside=True, closed=False)
    assert 0.3 < printed_share(bench, line) < 0.45  # 9 mm of every 24


def test_way_points_on_the_print_find_no_edge(shot):
    bench, lit = shot
    ends = np.array([[INNER_MM, 60.0], [INNER_MM, 180.0]])
    known = FaceKnowledge(Sheet(20.0, 1.5, on_paper=False), 0.05, 0.05)
    with pytest.raises(CannotDetermine, match="lines of the printed pattern"):
        lead(lit, bench, Pick("side", "line", shown_on(bench, ends, 20.0), known))
