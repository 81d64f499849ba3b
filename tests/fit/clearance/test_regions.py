"""Regions, crossings, coloured cloud and sampled features."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial import cKDTree

from fit.clearance import Body, body_of, clear, hinge_motion, slide_motion
from fit.clearance.clearance import Demand
from fit.clearance.picture import coloured_ply, gap_plot, tightest_drawing
from fit.clearance.sampled import sample_feature
from fit.feature import KIND_ORDER, Feature


def feature(kind, values, u=0.0, shared=()):
    count = len(values)
    modes = np.array([mode for _, mode in shared], float).reshape(len(shared), count)
    cov = np.diag(np.full(count, u**2))
    return Feature(
        kind, kind, KIND_ORDER[kind][:count], np.array(values, float), cov, modes, tuple(n for n, _ in shared)
    )


def test_each_region_has_the_smallest_gap_of_its_points(clouds):
    bay, lid = clouds.lid_and_bay(3000)
    part = (lid[:, 0] > 200).astype(int)
    moving = Body(lid, np.full(len(lid), np.nan), None, np.zeros((0, len(lid), 3)), (), part, ("near hinge", "far"))
    motion = hinge_motion(([0, 0, 60], [0, -1, 0]), np.arange(0, 20, 4.0))
    found = clear(body_of(bay), moving, motion)
    index = cKDTree(bay)
    for k, region in enumerate(found.regions):
        gaps = [
            index.query(lid[part == k] @ turn.T + shift)[0].min()
            for turn, shift in zip(motion.turn, motion.shift, strict=True)
        ]
        assert region.gap == pytest.approx(min(gaps), abs=1e-9)
        assert region.at == int(np.argmin(gaps))


def test_nearest_fixed_piece_is_named(clouds):
    hose, box = clouds.grid(3, 0.5, 0.0), clouds.grid(3, 0.5, -20.0)
    fixed = np.concatenate([hose + np.array([50, 0, 0]), box])
    part = np.repeat([0, 1], [len(hose), len(box)])
    body = Body(
        fixed, np.full(len(fixed), np.nan), None, np.zeros((0, len(fixed), 3)), (), part, ("hose", "drive unit")
    )
    found = clear(body, body_of(clouds.grid(3, 0.5, 4.0) + np.array([48, 0, 0])), slide_motion([0, 0, 1], [0, 3.0]))
    assert found.regions[0].nearest == "hose"


def test_depth_of_crossing_by_normals(clouds):
    plate, block = clouds.grid(20, 0.5), clouds.grid(5, 0.5, -1.25)
    fixed = body_of(plate, None, np.tile([0.0, 0.0, 1.0], (len(plate), 1)))
    found = clear(fixed, body_of(block), slide_motion([0, 0, 1], [0, 1.0, 3.0, 5.0]))
    assert [crossing.at for crossing in found.crossings] == [0, 1]
    assert found.crossings[0].depth == pytest.approx(1.25, abs=1e-9)
    assert "parts-cross" in [notice.code for notice in found.notices]
    assert "parts cross by 1.25 at 0" in gap_plot(found)
    assert any("Parts cross by 1.25 at 0 mm" in note.text for note in tightest_drawing(found).notes)


@pytest.mark.parametrize("sunk", [1.0, 3.0, 7.5])
def test_depth_in_a_flat_face_is_that_of_the_lowest_point(clouds, sunk):
    floor = clouds.grid(40, 0.5)
    out = np.random.default_rng(2).normal(size=(40_000, 3))
    ball = 20 * out / np.linalg.norm(out, axis=1)[:, None] + [0, 0, 25]
    fixed = body_of(floor, normal=np.tile([0, 0, 1.0], (len(floor), 1)))
    deepest = clear(fixed, body_of(ball), slide_motion([0, 0, -1], [5.0 + sunk])).crossings[0]
    assert deepest.depth == pytest.approx(5.0 + sunk - ball[:, 2].min(), abs=1e-9)


def test_a_part_wholly_behind_the_face_leaves_no_gap(clouds):
    fixed = body_of(clouds.grid(20, 0.5), 0.02, np.tile([0.0, 0.0, 1.0], (len(clouds.grid(20, 0.5)), 1)))
    found = clear(fixed, body_of(clouds.grid(5, 0.5, -9.0), 0.02), slide_motion([0, 0, 1], [0.0]), None, Demand(3.0))
    assert found.swept.gap[0] == pytest.approx(9.0)
    assert found.margin.verdict == "outside"


def test_without_normals_nothing_is_claimed(clouds):
    found = clear(body_of(clouds.grid(20, 0.5)), body_of(clouds.grid(5, 0.5, 0.2)), slide_motion([0, 0, 1], [0, 1.0]))
    assert not found.crossings
    assert {"crossing-unknown", "coarse-cloud"} <= {notice.code for notice in found.notices}


def test_coloured_cloud_is_read_back_by_open3d(clouds, tmp_path):
    import open3d

    found = clear(body_of(clouds.grid(20, 0.5)), body_of(clouds.grid(5, 0.5, 3.0)), slide_motion([0, 0, 1], [0, 1.0]))
    path = tmp_path / "cloud.ply"
    path.write_bytes(coloured_ply(found))
    cloud = open3d.io.read_point_cloud(str(path))
    assert len(cloud.points) == len(found.scene.fixed.xyz) + len(found.scene.moving.xyz)
    colours = np.asarray(cloud.colors)
    assert colours[-1] == pytest.approx(
        np.array([178, 24, 43]) / 255
    )  # the moving grid faces the plate at the smallest gap
    assert "smallest" in gap_plot(found)


def test_sphere_stands_for_its_surface():
    ball = sample_feature(feature("sphere", [1, 2, 3, 12.7], 0.01))
    assert np.linalg.norm(ball.xyz - [1, 2, 3], axis=1) == pytest.approx(np.full(len(ball.xyz), 6.35))
    top = int(np.argmax(ball.xyz[:, 2]))
    # own errors of centre and half the diameter's add up along the normal
    assert math.sqrt((ball.shared[:, top, 2] ** 2).sum()) == pytest.approx(0.01 * math.hypot(1, 0.5), rel=0.01)


def test_gap_between_two_balls_of_one_capture():
    a = sample_feature(feature("sphere", [0, 0, 0, 10], 0.0, [("tip:radius", [0, 0, 0, 0.2])]))
    b = sample_feature(feature("sphere", [0, 0, 30, 10], 0.0, [("tip:radius", [0, 0, 0, 0.2])]))
    found = clear(a, b, slide_motion([0, 0, 1], [0.0]))
    assert found.swept.gap[0] == pytest.approx(20, abs=0.05)
    # the tip's error moves both surfaces towards each other: 0.1 + 0.1 of a millimetre
    assert found.swept.errors[0].u95 == pytest.approx(1.96 * 0.2, rel=0.03)


def test_path_with_a_section_is_a_tube():
    tube = sample_feature(feature("line", [0, 0, 0, 100, 0, 0, 100]), section=22.0)
    assert np.hypot(tube.xyz[:, 1], tube.xyz[:, 2]) == pytest.approx(np.full(len(tube.xyz), 11.0))


def test_arc_is_sampled_where_it_lies():
    arc = sample_feature(feature("arc", [5, 0, 0, 0, 0, 1, 20, math.radians(30), math.radians(60)]))
    angle = np.arctan2(arc.xyz[:, 1], arc.xyz[:, 0] - 5)
    assert (angle.min(), angle.max()) == pytest.approx((math.radians(30), math.radians(90)))


def test_cylinder_spans_its_length():
    rod = sample_feature(feature("cylinder", [0, 0, 50, 0, 0, 1, 8, 100]))
    assert np.hypot(rod.xyz[:, 0], rod.xyz[:, 1]) == pytest.approx(np.full(len(rod.xyz), 4.0))
    assert (rod.xyz[:, 2].min(), rod.xyz[:, 2].max()) == pytest.approx((0, 100))
