"""U95 of a smallest gap: holds the gap of the true points. The full study is tests/bench/clearance_coverage.py."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from fit.clearance import body_of, slide_motion
from fit.clearance.body import Body
from fit.clearance.crowd import crowd_of
from fit.clearance.gap_error import symmetric_halfwidth
from fit.clearance.local_surface import surface_through
from fit.clearance.patch import Side, patch_around
from fit.clearance.spheretree import build_tree, closest_pair
from fit.clearance.sweep import make_scene, sweep

STAY = slide_motion([0, 0, 1], [0.0])


def shared_body(xyz, names, moves, captures=frozenset()) -> Body:
    count = len(xyz)
    modes = np.array([np.broadcast_to(move, (count, 3)) for move in moves], float)
    return Body(
        np.asarray(xyz, float), np.full(count, 1e-9), None, modes, names, np.zeros(count, int), ("part",), captures
    )


def test_halfwidth_without_bias_is_the_normal_one():
    assert symmetric_halfwidth(0.0, 2.0) == pytest.approx(2.0 * 1.959963984540054, rel=1e-6)


@pytest.mark.parametrize(("bias", "spread"), [(0.3, 1.0), (-2.0, 0.5), (5.0, 0.1)])
def test_halfwidth_holds_95_percent(bias, spread):
    half = symmetric_halfwidth(bias, spread)
    draws = np.random.default_rng(1).normal(bias, spread, 200_000)
    assert np.mean(np.abs(draws) <= half) == pytest.approx(0.95, abs=0.003)


def test_one_pair_of_points_has_the_u95_of_a_distance():
    # two lone points: u² = u₁² + u₂² along the gap (JCGM 100:2008, 5.1.2)
    fixed = body_of([[0, 0, 0], [500, 0, 0]], 0.03)
    moving = body_of([[0, 0, 20], [0, 0, 900]], 0.04)
    error = sweep(make_scene(fixed, moving), STAY).errors[0]
    assert error.u95 == pytest.approx(1.96 * math.hypot(0.03, 0.04), rel=0.1)


def test_points_that_scatter_less_than_stated_are_wrong_together(clouds):
    # an exact grid with a stated u of 0.05: nothing averages out
    fixed, moving = body_of(clouds.grid(20, 0.5), 0.05), body_of(clouds.grid(15, 0.5, 8.0), 0.05)
    error = sweep(make_scene(fixed, moving), STAY).errors[0]
    assert error.u95 == pytest.approx(1.96 * 0.05 * math.sqrt(2), rel=0.02)


@pytest.mark.parametrize("moved", [0.0, 0.08])
def test_ball_in_a_shell_comes_nearer_whichever_way_it_is_moved(moved):
    # all round alike: the gap is found too small by the length of the move, chi-distributed with three degrees of freedom
    out = np.random.default_rng(2).normal(size=(4000, 3))
    out /= np.linalg.norm(out, axis=1)[:, None]
    fixed = body_of(50 * out, 1e-9)
    moving = shared_body(45 * out + [moved, 0, 0], ("station:x", "station:y", "station:z"), 0.05 * np.eye(3))
    u95 = sweep(make_scene(fixed, moving), STAY).errors[0].u95
    assert u95 == pytest.approx(0.05 * stats.chi(3).ppf(0.95), rel=0.05)


def test_plate_that_may_lean_both_ways(clouds):
    # two turns lower some corner by a (|z₁| + |z₂|): that is a square in z₁, z₂, so 0.95 = erf(u / 2a)²
    fixed, xyz = body_of(clouds.grid(20, 1.0), 1e-9), clouds.grid(10, 1.0, 5.0)
    turns = 0.005 * np.array([np.c_[0 * xyz[:, :2], xyz[:, 0]], np.c_[0 * xyz[:, :2], xyz[:, 1]]])
    moving = replace(body_of(xyz, 1e-9), shared=turns, shared_names=("tie 2:1", "tie 2:2"))
    u95 = sweep(make_scene(fixed, moving), STAY).errors[0].u95
    assert u95 == pytest.approx(2 * 0.05 * special.erfinv(math.sqrt(0.95)), rel=0.05)


def test_shared_errors_of_parts_that_touch():
    places = [[0, 0, 0], [300, 0, 0]], [[0, 0, 0], [300, 0, 90]]
    moving = shared_body(places[1], ("height:top",), [[0, 0, 0.1]])
    assert 0 <= sweep(make_scene(body_of(places[0], 1e-9), moving), STAY).errors[0].u95 < 0.3


@pytest.mark.parametrize("seed", [7, 16, 29, 45])
def test_sharp_ridge_is_not_taken_for_rough_metal(seed):
    # 80 points of one edge compete: noise makes the gap look 3.8 ± 0.65 of itself too small (Monte Carlo of 400 such worlds)
    rng, along, down = np.random.default_rng(seed), np.arange(-20, 20, 0.5), np.arange(0, 10, 0.5)
    floor = np.c_[rng.uniform(-20, 20, (6000, 2)), np.zeros(6000)]
    x, y = (axis.ravel() for axis in np.meshgrid(along, 0.7 * down))
    ridge = np.unique(np.r_[np.c_[x, y, 5 + y], np.c_[x, -y, 5 + y]], axis=0)
    seen = [body_of(xyz + rng.normal(0, 0.05, xyz.shape), 0.05) for xyz in (floor, ridge)]
    assert sweep(make_scene(*seen), STAY).errors[0].bias > 3 * 0.05


@pytest.mark.parametrize(("skin", "noise"), [(0.1, 0.02), (0.03, 0.05)])
def test_skin_of_rough_metal_strays_point_by_point(clouds, skin, noise):
    rng, flat = np.random.default_rng(5), clouds.grid(20, 0.5)
    strays = []
    for _ in range(20):
        tree = build_tree(flat + rng.normal(0, math.hypot(skin, noise), flat.shape) * [0, 0, 1])
        side, highest = Side(tree, np.full(len(flat), noise)), int(np.argmax(tree.xyz[:, 2]))
        strays.append(patch_around(side, highest, np.eye(3)[[2, 0, 1]]).stray)
    assert np.median(strays) == pytest.approx(skin, rel=0.1)


def test_what_is_steep_or_bent_is_not_taken_for_rough_metal():
    rng = np.random.default_rng(6)
    for _ in range(10):
        out = rng.normal(size=(5000, 3))
        ball = 20 * out / np.linalg.norm(out, axis=1)[:, None] + rng.normal(0, 0.05, out.shape)
        tree = build_tree(ball[ball[:, 2] > 0])
        side = Side(tree, np.full(len(tree.xyz), 0.05))
        assert patch_around(side, int(np.argmax(tree.xyz[:, 2])), np.eye(3)[[2, 0, 1]]).stray == 0.0


@pytest.mark.parametrize(("across", "at"), [([1.0, 0.0], 0.0), ([0.6, 0.8], 0.3)])
def test_crease_is_not_rounded(across, at):
    # a roof of 150 degrees; polynomials of fourth order round its crest by 1.4 to 1.9 of the noise
    rng = np.random.default_rng(8)
    places = rng.uniform(-3, 3, (500, 2))
    true = -np.tan(np.radians(15)) * np.abs(places @ across - at)
    crest, levels = np.abs(places @ across - at) < 0.1, []
    for _ in range(20):
        surface = surface_through(true + rng.normal(0, 0.05, 500), places, 0.05)
        levels.append((surface.root @ surface.kept - true)[crest].mean())
    assert abs(np.mean(levels)) < 0.5 * 0.05


def test_lean_that_a_tie_explains_is_taken_back():
    # least squares over the 160 points of an edge would know such a lean to 0.2 of the tie's own uncertainty
    rng, found, x = np.random.default_rng(9), [], np.linspace(-20, 20, 160)
    turn = 0.0025 * np.c_[np.zeros((160, 2)), x][None]
    for _ in range(6):
        floor = build_tree(np.c_[rng.uniform(-22, 22, (3000, 2)), rng.normal(0, 0.05, 3000)])
        edge = build_tree(np.c_[x, np.zeros(160), 6 + rng.normal(0, 0.05, 160)] + 2 * turn[0])
        trees, of_edge = (floor, edge), turn[:, edge.order]
        pair = closest_pair(*trees, STAY.pose(0))
        crowd = crowd_of(trees, STAY.pose(0), pair, lambda _, moving, of=of_edge: of[:, moving], np.zeros((1, 1)), 0.07)
        found.append(crowd.levelling[0])
    assert np.mean(found) == pytest.approx(-2.0, abs=0.35)


def test_other_wall_of_a_channel_is_no_part_of_the_patch(clouds):
    # leaves of the tree hold points of both walls, so that every patch reaches the far one
    rng = np.random.default_rng(10)
    walls = np.concatenate([clouds.grid(20, 0.5), clouds.grid(20, 0.5, 6.0)])
    tree = build_tree(walls + rng.normal(0, 0.05, walls.shape))
    lower = np.flatnonzero(tree.xyz[:, 2] < 3)
    highest = int(lower[np.argmax(tree.xyz[lower, 2])])
    patch = patch_around(Side(tree, np.full(len(walls), 0.05)), highest, np.eye(3)[[2, 0, 1]])
    assert patch.surface is not None
    assert (tree.xyz[patch.points, 2] < 3).all()


def test_unknown_noise_gives_no_u95(clouds):
    fixed, moving = body_of(clouds.grid(20, 1.0), 0.05), body_of(clouds.grid(15, 1.0, 8.0))
    assert sweep(make_scene(fixed, moving), STAY).errors == (None,)


def test_shared_error_of_one_capture_cancels():
    places = [[0, 0, 0], [300, 0, 0]], [[0, 0, 10], [300, 0, 90]]
    one = frozenset({"photo"})
    sides = [shared_body(xyz, ("height:top",), [[0, 0, 0.5]], one) for xyz in places]
    assert sweep(make_scene(*sides), STAY).errors[0].u95 < 1e-6


def test_shared_error_of_two_captures_takes_the_worse_reading():
    places = [[0, 0, 0], [300, 0, 0]], [[0, 0, 10], [300, 0, 90]]
    fixed = shared_body(places[0], ("tip:radius",), [[0, 0, 0.1]])
    facing = shared_body(places[1], ("tip:radius",), [[0, 0, -0.1]])
    alike = shared_body(places[1], ("tip:radius",), [[0, 0, 0.1]])
    assert sweep(make_scene(fixed, facing), STAY).errors[0].u95 == pytest.approx(1.96 * 0.2, rel=1e-3)
    assert sweep(make_scene(fixed, alike), STAY).errors[0].u95 == pytest.approx(1.96 * 0.1 * math.sqrt(2), rel=1e-3)


def test_shared_error_across_the_gap_does_not_count():
    places = [[0, 0, 0], [300, 0, 0]], [[0, 0, 10], [300, 0, 90]]
    sides = [shared_body(xyz, ("caliper:x",), [[0.5, 0, 0]]) for xyz in places]
    assert sweep(make_scene(*sides), STAY).errors[0].u95 < 1e-6


@pytest.mark.parametrize(("height", "noise"), [(8.0, 0.05), (1.0, 0.1)])
def test_u95_holds_the_gap_of_the_true_points(clouds, height, noise):
    # the closest of thousands of noisy pairs looks 5 sigma too close; an interval of one pair would never hold the truth
    rng = np.random.default_rng(11)
    held = []
    for _ in range(30):
        true = [np.c_[rng.uniform(-15, 15, (2500, 2)), np.full(2500, z)] for z in (0.0, height)]
        truth = closest_pair(build_tree(true[0]), build_tree(true[1]), STAY.pose(0)).distance
        seen = [body_of(xyz + rng.normal(0, noise, xyz.shape), noise) for xyz in true]
        swept = sweep(make_scene(*seen), STAY)
        assert truth - swept.gap[0] > 2 * noise
        held.append(abs(truth - swept.gap[0]) <= swept.errors[0].u95)
    assert np.mean(held) >= 0.9
