"""The outline as lines and arcs, with stretches that light moved left out and told."""

from __future__ import annotations

import numpy as np
import pytest

from capture.edges.outline import outline_path
from capture.edges.strip import Contour
from capture.edges.waves import slow_waves
from capture.forecast.typical_part import RoundedBox
from fit.points import Points

TWICE = RoundedBox(200.0, 128.0)
RADIUS = TWICE.radius / 2


def edge_points(seed: int, moved: float = 0.0, stretch: tuple[float, float] = (20.0, 45.0)) -> Points:
    """A box of 100 × 64 mm, points a quarter millimetre apart as a photo gives them, noise 0.01 mm.

    A stretch of the lower side lies `moved` mm outside, as glare shows it.
    """
    rng = np.random.default_rng(seed)
    xy, outward = TWICE.outline()
    xy = xy / 2
    away = rng.normal(0, 0.01, len(xy))
    away += moved * ((xy[:, 1] < 1) & (xy[:, 0] > stretch[0]) & (xy[:, 0] < stretch[1]))
    flat = np.column_stack([xy + away[:, None] * outward, np.full(len(xy), 2.0)])
    normal = np.column_stack([outward, np.zeros(len(xy))])
    return Points(flat, noise=np.full(len(xy), 0.02), normal=normal)


@pytest.mark.parametrize("seed", [0, 1])
def test_a_box_with_rounded_corners(seed):
    path, notices = outline_path(edge_points(seed))
    kinds = [s.kind for s in path.feature.segments]
    assert kinds.count("line") == 4 and kinds.count("arc") == 4 and not notices
    for segment in path.feature.segments:
        if segment.kind == "arc":
            assert segment["radius"] == pytest.approx(RADIUS, abs=0.08)
    length = 2 * (100 + 64) - 8 * RADIUS + 2 * np.pi * RADIUS
    assert path.feature["length"] == pytest.approx(length, abs=0.1)


def test_a_stretch_moved_by_light_is_told_and_doubted():
    """The sides that light left alone stay right; what is left of the other one owns up to a wide interval."""
    path, notices = outline_path(edge_points(2, moved=0.35))
    (low,) = (n for n in notices if n.code == "low-contrast")
    assert "of the edge was left out" in low.text and low.feature == "outline"
    lines = [s for s in path.feature.segments if s.kind == "line"]
    for axis, at in (("x", 0.0), ("x", 100.0), ("y", 64.0)):
        (side,) = (s for s in lines if max(abs(s[f"{axis}1"] - at), abs(s[f"{axis}2"] - at)) < 0.1)
        assert side["length"] > 40
    doubted = [s for s in lines if s["y1"] < 1 and s["y2"] < 1]
    assert doubted and all(s.value("length").u95 > 0.3 for s in doubted)


def test_rows_that_explain_little_weigh_less():
    """A stretch a little off, too little to be left out, pulls its side less where it is doubted."""
    points = edge_points(3, moved=0.05)
    doubt = np.where((points.xyz[:, 1] < 1) & (points.xyz[:, 0] > 20) & (points.xyz[:, 0] < 45), 4.0, 1.0)

    def pull(**more) -> float:
        path, _ = outline_path(points, **more)
        return max(-s["y1"] - s["y2"] for s in path.feature.segments if s.kind == "line" and max(s["y1"], s["y2"]) < 1)

    assert pull(doubt=doubt) < 0.6 * pull()


def test_an_arc_that_turns_little_is_told():
    """Two sides of 60 mm that a bend of radius 60 mm and 20° joins: its radius is said to be open."""
    turn, radius = np.radians(20.0), 60.0
    bend = np.arange(0, turn, 0.2 / radius)
    before = np.column_stack([np.arange(-60, 0, 0.2), np.zeros(300)])
    arc = radius * np.column_stack([np.sin(bend), 1 - np.cos(bend)])
    end = radius * np.array([np.sin(turn), 1 - np.cos(turn)])
    after = end + np.arange(0, 60, 0.2)[:, None] * [np.cos(turn), np.sin(turn)]
    xy = np.vstack([before, arc, after]) + np.random.default_rng(0).normal(0, 0.01, (600 + len(bend), 2))
    points = Points(np.column_stack([xy, np.full(len(xy), 2.0)]), noise=np.full(len(xy), 0.02))
    path, notices = outline_path(points, closed=False, clean=True)
    (found,) = (s for s in path.feature.segments if s.kind == "arc")
    (told,) = (n for n in notices if n.code == "short-arc")
    assert found["span"] == pytest.approx(turn, abs=0.05)
    assert told.text.startswith(f"{found.name} turns by only ") and "radius gauge" in told.text


def test_light_is_one_size_all_along_and_free_where_the_edge_faces_elsewhere():
    """Waves by place and by facing have a mean square of 4 each; sides of a box share no window of facing."""
    xy, outward = TWICE.outline()
    contour = Contour(xy, outward, 0.0)
    every = np.arange(len(xy))
    waves = slow_waves(contour, every)
    facing = waves[-8:]
    np.testing.assert_allclose((facing**2).sum(axis=0), 4.0)
    assert (waves[:-8] ** 2).sum(axis=0).mean() == pytest.approx(4.0, rel=0.02)
    right, top = (facing[:, np.argmax(outward[:, axis])] for axis in (0, 1))
    assert right @ right == pytest.approx(4.0) and right @ top == pytest.approx(0.0, abs=1e-9)
    assert len(slow_waves(Contour(xy[:300], outward[:300], 0.0, closed=False), np.arange(300))) == 4
