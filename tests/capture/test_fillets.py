"""Corners that points round off are rounded off, sharp ones stay sharp."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Point, Polygon
from shapely.geometry.polygon import orient

from capture.edges.fillets import filleted
from fit.paths import PathFit, Pieces, fit_path
from fit.points import Points

BOX = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]])
TALL = np.array([[0.0, 0.0], [60.0, 0.0], [45.0, 40.0], [0.0, 40.0]])


def along(ring: Polygon, seed: int, noise: float = 0.02) -> np.ndarray:
    """Points 0.4 mm apart round a shape, from the middle of its first side on."""
    line = orient(ring).exterior
    first = line.project(Point(30.0, 0.0))
    at = (first + np.arange(0, line.length, 0.4)) % line.length
    xy = np.array([line.interpolate(s).coords[0] for s in at])
    return xy + np.random.default_rng(seed).normal(0, noise, xy.shape)


def sharp_path(corners: np.ndarray, xy: np.ndarray, near: np.ndarray) -> PathFit:
    """Four lines through these of the points."""
    points = Points(np.column_stack([xy, np.zeros(len(xy))])[near], noise=np.full(near.sum(), 0.05))
    pieces = Pieces(corners, np.zeros(4), np.ones(4, bool))
    return fit_path(points, closed=True, pieces=pieces)


def rounded(corners: np.ndarray, xy: np.ndarray, away: float) -> tuple[PathFit, np.ndarray]:
    """What comes of four lines through points so far from every corner, beside all points."""
    near = (np.hypot(*(xy[:, None] - corners).transpose(2, 0, 1)) > away).all(axis=1)
    every = Points(np.column_stack([xy, np.zeros(len(xy))]), noise=np.full(len(xy), 0.05))
    return filleted(sharp_path(corners, xy, near), every, np.ones(len(xy)), near)


@pytest.mark.parametrize("corners", [BOX, TALL])
@pytest.mark.parametrize("radius", [3.0, 6.0])
@pytest.mark.parametrize("kept", [1.0, 0.6])
def test_corners_that_points_round_off(corners, radius, kept):
    """Also where four in ten points of the arcs are missing."""
    xy = along(Polygon(corners).buffer(-radius).buffer(radius, quad_segs=100), seed=1)
    off = np.array([Polygon(corners).exterior.distance(Point(p)) for p in xy])
    rng = np.random.default_rng(2)
    xy = xy[(off < 0.1) | (rng.uniform(size=len(xy)) < kept)]
    path, _ = rounded(corners, xy, away=1.6 * radius)
    kinds = [s.kind for s in path.feature.segments]
    assert kinds.count("arc") == kinds.count("line") == 4 and not path.chain.corners.any()
    for arc in (s for s in path.feature.segments if s.kind == "arc"):
        assert abs(arc["radius"] - radius) < max(arc.value("radius").u95, 0.1) < 0.2 * radius


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("corners", [BOX, TALL])
@pytest.mark.parametrize("blurred", [0.0, 0.25])
def test_sharp_corners_stay_sharp(corners, seed, blurred):
    """Blur rounds a corner's very tip; waves of light along the sides are no bends either."""
    shape = Polygon(corners)
    if blurred:
        shape = shape.buffer(-blurred).buffer(blurred, quad_segs=20)
    xy = along(shape, seed)
    phase = np.random.default_rng(seed).uniform(0, 6)
    xy = xy + 0.06 * np.sin(xy.sum(axis=1) / 4 + phase)[:, None]
    path, _ = rounded(corners, xy, away=1.0)
    assert [s.kind for s in path.feature.segments] == ["line"] * 4


def test_a_corner_without_points_is_left_as_it_is():
    xy = along(Polygon(BOX).buffer(-5).buffer(5, quad_segs=100), seed=3)
    off = np.array([Polygon(BOX).exterior.distance(Point(p)) for p in xy])
    path, _ = rounded(BOX, xy[off < 0.1], away=6.0)
    assert [s.kind for s in path.feature.segments] == ["line"] * 4
