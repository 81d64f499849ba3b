"""A corner as one shape: distances against shapely, the fit against SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest

from capture.edges.corner_shape import Corner, corner_along
from capture.edges.picked_corner import fit_picked_corner
from fit.errors import CannotDetermine
from fit.points import Points

TURNS = (1.2, -1.2, 0.6, -2.0)


def corner(turn: float, radius: float = 5.0, *, metal: bool = True) -> Corner:
    return Corner(np.array([10.0, 20.0]), np.array([0.3, 0.3 + turn]), radius, metal == (turn > 0))


@pytest.mark.parametrize("turn", TURNS)
def test_distances_are_those_of_shapely(turn):
    """shapely 2: distance of points to a line string; its arc of chords is 0.0003 mm off at most."""
    from shapely import LineString, distance, points

    shape = corner(turn)
    line = shape.contour(0.0).xy
    far = [line[0] - 50 * (line[1] - line[0]), line[-1] + 50 * (line[-1] - line[-2])]
    angles = np.arctan2(*(shape.joints[0] - shape.centre)[::-1]) + np.linspace(0.0, turn, 400)
    arc = shape.centre + shape.radius * np.column_stack([np.cos(angles), np.sin(angles)])
    chain = LineString([far[0], *arc, far[1]])
    beside = line + np.random.default_rng(4).uniform(-1.5, 1.5, line.shape)
    assert np.abs(shape.away(beside)) == pytest.approx(distance(points(beside), chain), abs=1e-3)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("metal", [True, False])
def test_outward_points_away_from_the_metal(turn, metal):
    contour = corner(turn, metal=metal).contour(0.0)
    left = np.array([-math.sin(0.3), math.cos(0.3)])
    assert contour.outward[0] @ left == pytest.approx(-1.0 if metal else 1.0)
    assert corner(turn, metal=metal).metal == metal


@pytest.mark.parametrize("turn", TURNS)
def test_each_number_of_a_move_does_what_it_says(turn):
    shape = corner(turn)
    ends = shape.contour(0.0).xy[[0, -1]]
    places = np.vstack([ends[0], shape.joints, ends[1]])
    moved = shape.moved(np.array([0.01, 0.02, 0.03, 0.04, 0.0]))
    assert moved.away(places)[[0, 3]] == pytest.approx([-0.01, -0.04], abs=1e-4)
    assert moved.radius == shape.radius
    grown = shape.moved(np.array([0.0, 0.0, 0.0, 0.0, 0.5]))
    assert grown.radius == shape.radius + 0.5
    assert grown.away(ends) == pytest.approx([0.0, 0.0], abs=1e-9)


def test_a_stretch_that_leaps_to_another_edge_hardly_counts():
    shape = corner(1.5)
    contour = shape.contour(0.0)
    xy = contour.xy + np.random.default_rng(1).normal(0, 0.03, contour.xy.shape)
    xy[:12] += 0.8 * contour.outward[:12]
    found = corner_along(xy, metal=True)
    assert found.radius == pytest.approx(5.0, abs=0.3)
    assert found.centre == pytest.approx(shape.centre, abs=0.3)


def test_a_straight_line_is_no_corner():
    assert corner_along(np.column_stack([np.arange(30) / 4, np.zeros(30)]), metal=True) is None


def edge_points(shape: Corner, noise: float) -> Points:
    contour = shape.contour(3.0)
    xy = contour.xy + np.random.default_rng(2).normal(0, noise, len(contour.xy))[:, None] * contour.outward
    places = np.column_stack([xy, np.full(len(xy), 3.0)])
    return Points(places, normal=np.column_stack([contour.outward, np.zeros(len(xy))]))


@pytest.mark.parametrize("turn", TURNS)
def test_the_arc_is_where_scipy_finds_it(turn):
    """scipy.optimize.least_squares over the same distances, all numbers free."""
    from scipy.optimize import least_squares

    shape, points = corner(turn), edge_points(corner(turn), 0.02)
    arc, used, _ = fit_picked_corner(points, shape)
    best = least_squares(
        lambda move: shape.away_if_moved(points.xyz[:, :2], move[None])[0],
        np.zeros(5),
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    reference = shape.moved(best.x)
    assert arc["radius"] == pytest.approx(reference.radius, abs=2e-4)
    assert arc.vector(("x", "y")) == pytest.approx(reference.centre, abs=2e-4)
    assert abs(arc["radius"] - 5.0) < 2 * arc.value("radius").u95
    assert 8 < len(used) < len(points)


def test_an_arc_that_might_have_nearly_any_radius_is_refused():
    with pytest.raises(CannotDetermine):
        fit_picked_corner(edge_points(corner(0.4, 1.0), 0.15), corner(0.4, 1.0))
