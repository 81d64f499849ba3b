"""The closest pair of two clouds against brute force: scipy's cKDTree asked for every point at every pose."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from fit.clearance import body_of, hinge_motion, slide_motion
from fit.clearance.spheretree import build_tree, closest_pair, points_within
from fit.clearance.sweep import make_scene, sweep
from fit.errors import InputError

STAY = (np.eye(3), np.zeros(3))


def brute(fixed, moving, motion) -> np.ndarray:
    index = cKDTree(fixed)
    return np.array(
        [index.query(moving @ turn.T + shift)[0].min() for turn, shift in zip(motion.turn, motion.shift, strict=True)]
    )


@pytest.mark.parametrize("leaf", [1, 3, 16])
@pytest.mark.parametrize("count", [2, 3, 17, 500])
def test_tree_holds_every_point_once_inside_its_spheres(count, leaf):
    xyz = np.random.default_rng(count).normal(size=(count, 3))
    tree = build_tree(xyz, leaf)
    assert sorted(tree.order) == list(range(count))
    assert np.array_equal(xyz[tree.order], tree.xyz)
    for node, (first, last) in enumerate(tree.start):
        distance = np.linalg.norm(tree.xyz[first:last] - tree.centre[node], axis=1)
        assert distance.max(initial=0.0) <= tree.radius[node] * (1 + 1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_closest_pair_is_that_of_brute_force(seed):
    rng = np.random.default_rng(seed)
    fixed = rng.normal(size=(rng.integers(2, 3000), 3)) * rng.uniform(0.1, 50, 3)
    moving = rng.normal(size=(rng.integers(2, 3000), 3)) * rng.uniform(0.1, 50, 3) + rng.uniform(-80, 80, 3)
    if seed % 3 == 0:  # many equal points and flat clouds
        fixed[:, 2], moving = 0.0, np.repeat(moving, 3, axis=0)
    found = closest_pair(build_tree(fixed), build_tree(moving), STAY)
    assert found.distance == pytest.approx(cKDTree(fixed).query(moving)[0].min(), abs=1e-9)


def test_hinge_over_a_bay_is_exact_at_every_angle(clouds):
    bay, lid = clouds.lid_and_bay(2500)
    motion = hinge_motion(([0, 0, 60], [0, -1, 0]), np.arange(0, 76, 3.0))
    swept = sweep(make_scene(body_of(bay), body_of(lid)), motion)
    assert np.abs(swept.gap - brute(bay, lid, motion)).max() < 1e-6
    apart = np.linalg.norm(swept.moving_point - swept.fixed_point, axis=1)
    assert apart == pytest.approx(swept.gap, abs=1e-9)


def test_slide_of_100_000_points_is_exact(clouds):
    bay, lid = clouds.lid_and_bay(100_000, 8)
    motion = slide_motion([0.3, 0.1, 1.0], [0.0, 2.5])
    swept = sweep(make_scene(body_of(bay), body_of(lid)), motion)
    near = bay[bay[:, 2] > 25]  # brute force over all of it takes minutes; what is left out lies 18 mm and more away
    assert swept.gap.max() < 18
    assert np.abs(swept.gap - brute(near, lid, motion)).max() < 1e-6


def test_search_below_a_bound_finds_nothing_farther():
    tree, other = build_tree(np.zeros((2, 3))), build_tree(np.full((2, 3), 10.0))
    assert closest_pair(tree, other, STAY, below=17.0).fixed == -1
    assert closest_pair(tree, other, STAY, below=17.4).distance == pytest.approx(10 * np.sqrt(3))


def test_points_within_a_reach():
    xyz = np.random.default_rng(1).uniform(-1, 1, (4000, 3))
    tree = build_tree(xyz)
    found = points_within(tree, np.array([0.2, 0.1, 0.0]), 0.3)
    assert sorted(tree.order[found]) == sorted(cKDTree(xyz).query_ball_point([0.2, 0.1, 0.0], 0.3))


@pytest.mark.parametrize("bad", [np.zeros((0, 3)), np.zeros((4, 2)), np.array([[0, 0, np.nan]])])
def test_bad_cloud_is_refused(bad):
    with pytest.raises(InputError, match="cloud must hold"):
        build_tree(bad)


@pytest.mark.parametrize("seed", range(6))
def test_facing_noisy_plates_at_any_tilt_are_exact(seed):
    # everywhere nearly as close as at the closest: what flat discs decide and spheres cannot
    rng = np.random.default_rng(seed)
    tilt = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    tilt *= np.sign(np.linalg.det(tilt))
    low, high = (np.c_[rng.uniform(-40, 40, (4000, 2)), z + rng.normal(0, 0.05, 4000)] for z in (0.0, 12.0))
    motion = hinge_motion(([0, 0, 0], tilt[:, 0]), [0.0, 0.2, 3.0, 40.0])
    swept = sweep(make_scene(body_of(low @ tilt.T), body_of(high @ tilt.T)), motion)
    assert np.abs(swept.gap - brute(low @ tilt.T, high @ tilt.T, motion)).max() < 1e-9
