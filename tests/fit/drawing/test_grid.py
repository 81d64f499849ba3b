"""The grid that words find their place on: what it counts, however it came to hold it."""

from __future__ import annotations

import numpy as np

from fit.drawing.grid import Occupancy

BOXES = np.array([[x, y, x + w, y + h] for x in (0.5, 40, 90) for y in (2, 70, 150) for w in (3, 60) for h in (5, 45)])


def test_a_grid_asked_between_counts_as_one_asked_at_the_end() -> None:
    """Cells taken after the first question are counted like those taken before it, on the sheet and off it."""
    chance = np.random.default_rng(3)
    asked, silent = Occupancy(160, 210), Occupancy(160, 210)
    for k in range(40):
        corner = chance.uniform(-30, 230, 2)
        box = (*corner.tolist(), *(corner + chance.uniform(0, 50, 2)).tolist())
        line = chance.uniform(-10, 210, 2) + np.linspace(0, 1, 60)[:, None] * chance.uniform(-60, 60, 2)
        for grid in (asked, silent):
            if k % 2:
                grid.add_box(box)
            else:
                grid.add_points(line)
        before = asked.hits(BOXES)
    np.testing.assert_array_equal(before, silent.hits(BOXES))
    assert np.count_nonzero(before) > 0 and before.min() < before.max()


def test_a_point_and_a_box_are_counted_by_their_cells() -> None:
    """By hand: a box of 1.5 mm takes nine cells of 0.75 mm, a point one; a box off the sheet counts as taken."""
    grid = Occupancy(30, 30)
    everywhere = np.array([[0.0, 0.0, 29.0, 29.0]])
    assert grid.hits(everywhere) == 0
    grid.add_box((3.0, 3.0, 4.5, 4.5))
    assert grid.hits(everywhere) == 9
    grid.add_points(np.array([[3.1, 3.1], [20.0, 20.0]]))
    assert grid.hits(everywhere) == 10
    assert grid.hits(np.array([[-5.0, 0.0, 1.0, 1.0]])) > 1e5
