"""Kinds from rules, names and residuals; the pooled spread."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import fdtri

from capture.arm.choosing import _f_limit, choose_kind
from capture.arm.faces import face_of
from capture.arm.kinds import kind_in_name, parse_rule, rule_for
from capture.arm.spread import pool
from capture.arm.touched import fit_touched
from fit.errors import InputError
from fit.points import Points
from fit.shapes import fit_plane

NOISE = 0.02


def _rng() -> np.random.Generator:
    return np.random.default_rng(17)


def _made(kind: str, count: int = 30) -> Points:
    rng = _rng()
    angle = rng.uniform(0, 2 * np.pi, count)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    high = rng.uniform(10, 60, count)[:, None]
    sphere = rng.normal(size=(count, 3))
    xyz = {
        "plane": np.column_stack([rng.uniform(-50, 50, (count, 2)), np.zeros(count)]),
        "line": np.outer(np.linspace(0, 90, count), [0.6, 0.8, 0.0]),
        "circle": 20 * out,
        "arc": 40 * np.column_stack([np.cos(angle / 4), np.sin(angle / 4), 0 * angle]),
        "sphere": 9 * sphere / np.linalg.norm(sphere, axis=1, keepdims=True),
        "cylinder": 15 * out + high * [0, 0, 1],
        "cone": high * (0.3 * out + [0, 0, 1]),
    }[kind]
    return Points(xyz + rng.normal(0, NOISE, xyz.shape) + [5, 60, 20])


@pytest.mark.parametrize("dof", [2, 3, 7, 40, 399, 400, 5000])
def test_variance_ratio_agrees_with_scipy(dof: int) -> None:
    assert _f_limit(dof) == pytest.approx(fdtri(dof, dof, 0.99), rel=1e-8)


@pytest.mark.parametrize("kind", ["plane", "line", "circle", "arc", "sphere", "cylinder", "cone"])
def test_residuals_tell_the_kind(kind: str) -> None:
    choice = choose_kind("it", _made(kind), None)
    assert choice.kind == kind
    assert choice.spread == pytest.approx(NOISE, rel=0.4)


def test_a_name_decides_between_shapes_that_fit_alike_but_not_against_the_residuals() -> None:
    ring = _made("circle")
    assert choose_kind("ball_end", ring, None).kind == "sphere"
    assert choose_kind("face", _made("sphere"), None).kind == "sphere"


def test_a_hole_below_its_face_is_a_circle_in_it() -> None:
    face = fit_plane(_made("plane")).renamed("face")
    rng = _rng()
    deep = Points(_made("circle", 10).xyz + np.column_stack([np.zeros((10, 2)), -rng.uniform(0.2, 0.9, 10)]))
    assert choose_kind("it", deep, face).kind == "circle"


def _looking(points: Points, directions: np.ndarray) -> Points:
    """With i j k good to 2 degrees."""
    leaned = directions + _rng().normal(0, np.radians(2.0) / np.sqrt(2), directions.shape)
    return replace(points, normal=leaned / np.linalg.norm(leaned, axis=1, keepdims=True))


def test_directions_tell_a_face_touched_in_a_ring_from_an_edge() -> None:
    """The same places, touched from above or from the side (plain geometry)."""
    ring = _made("arc")
    inward = [20.0, 60.0, 20.0] - ring.xyz
    edge = _looking(ring, inward / np.linalg.norm(inward, axis=1, keepdims=True))
    face = _looking(ring, np.tile([0.0, 0.0, 1.0], (len(ring), 1)))
    for name in ("it", "flange_arc", "flange"):
        assert choose_kind(name, edge, None).kind == "arc"
        assert not choose_kind(name, edge, None).is_close
    assert choose_kind("it", face, None).told.startswith("plane by i j k and the residuals (0.0")


@pytest.mark.parametrize(("lean", "projected"), [(0.0, True), (7.0, True), (13.0, False), (20.0, False)])
def test_a_hole_up_to_ten_degrees_off_square_lies_in_the_face(lean: float, projected: bool) -> None:
    """A ring of touches with i j k good to 2 degrees, its axis leaning from the face's normal."""
    face = fit_plane(_made("plane")).renamed("face")
    turn = np.array([[np.cos(a := np.radians(lean)), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    out = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) @ turn.T
    hole = _looking(Points([5.0, 60.0, 18.0] + 10 * out), -out)
    assert (face_of(hole, [face]) is not None) == projected
    assert choose_kind("hole", hole, face_of(hole, [face])).kind == "circle"


def test_a_hole_without_a_face_is_a_circle_in_the_plane_of_its_own_touches() -> None:
    """Touched 0.3 to 0.9 mm below an edge that is in no list: no ball and no wall, whatever chance bends them to."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        angle = 2 * np.pi * (np.arange(9) + rng.uniform(0, 0.8, 9)) / 9
        depth = -rng.uniform(0.3, 0.9, 9)
        ring = Points(np.column_stack([15 * np.cos(angle), 15 * np.sin(angle), depth]) + rng.normal(0, NOISE, (9, 3)))
        assert choose_kind("hole_1", ring, None).kind == "circle"
        hole = fit_touched("hole_1", ring, "circle", None, None, None).feature
        assert hole["diameter"] == pytest.approx(30.0, abs=2 * hole.value("diameter").u95)
        assert hole.value("diameter").u95 < 0.08
        assert hole.on is None


def test_a_wall_that_reaches_through_a_face_is_no_edge_in_it() -> None:
    """Part of a round wall, 60 mm high, and a face half way up."""
    face = fit_plane(_made("plane")).renamed("face")
    rng = _rng()
    angle, high = rng.uniform(0, 1.4, 24), rng.uniform(-30, 30, 24)
    wall = np.column_stack([40 * np.cos(angle), 40 * np.sin(angle), high]) + rng.normal(0, NOISE, (24, 3)) + [5, 60, 20]
    assert choose_kind("it", Points(wall), face).kind == "cylinder"


def test_a_named_hole_stays_one_with_a_quarter_of_its_touches_stray() -> None:
    face = fit_plane(_made("plane")).renamed("face")
    ring = _made("circle", 12)
    out = ring.xyz - [5, 60, 20]
    xyz = ring.xyz.copy()
    xyz[[1, 4, 9]] *= 1 + 1.2 / 80
    looking = _looking(Points(xyz), -out / np.linalg.norm(out, axis=1, keepdims=True))
    assert choose_kind("hole", looking, face).kind == "circle"


def _stray(points: Points, share: float, along: np.ndarray) -> Points:
    """Some of the points moved by 0.5 to 4 mm along given directions (N, 3), to either side."""
    rng = _rng()
    count = round(share * len(points))
    which = rng.permutation(len(points))[:count]
    xyz = points.xyz.copy()
    xyz[which] += along[which] * (rng.uniform(0.5, 4, count) * rng.choice([-1, 1], count))[:, None]
    return replace(points, xyz=xyz)


@pytest.mark.parametrize("share", [0.25, 0.4, 0.5])
def test_a_face_and_a_hole_without_a_known_name_are_told_with_up_to_half_their_touches_stray(share: float) -> None:
    up = np.tile([0.0, 0.0, 1.0], (40, 1))
    face = _stray(_looking(_made("plane", 40), up), share, up)
    assert choose_kind("it", face, None).kind == "plane"
    assert choose_kind("it", replace(face, normal=np.full((40, 3), np.nan)), None).kind == "plane"
    ring = _made("circle", 40)
    out = (ring.xyz - [5, 60, 20]) / 20
    choice = choose_kind("it", _stray(_looking(ring, -out), share, out), None)
    assert choice.kind == "circle"
    assert choice.spread == pytest.approx(NOISE, rel=0.4)


@pytest.mark.parametrize("seed", range(6))
def test_a_hole_touched_here_deeper_and_there_less_is_no_ball(seed: int) -> None:
    """A thin zone about a ball's equator has nearly the same places; but its touches all look square to one axis."""
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(14) + rng.uniform(0, 0.8, 14)) / 14
    out = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    ring = 12 * out - rng.uniform(0.3, 1.5, 14)[:, None] * [0, 0, 1] + rng.normal(0, NOISE, (14, 3))
    assert choose_kind("it", _looking(Points(ring), -out), None).kind == "circle"


@pytest.mark.parametrize("seed", range(6))
def test_a_straight_edge_is_no_narrow_slot_or_pin(seed: int) -> None:
    """Scatter about one line is 0.6 times as wide about two lines, each touch laid to the nearer (folded normal law)."""
    rng = np.random.default_rng(seed)
    along = np.outer(rng.uniform(0, 90, 24), [0.6, 0.8, 0.0]) + rng.normal(0, NOISE, (24, 3))
    face = fit_plane(_made("plane")).renamed("face")
    edge = Points(np.array([5, 60, 20]) + along)
    assert choose_kind("it", edge, face).kind == "line"
    assert choose_kind("it", _looking(edge, np.tile([0.8, -0.6, 0.0], (24, 1))), face).kind == "line"


@pytest.mark.parametrize("name", ["top_face", "hole_1"])
@pytest.mark.parametrize("seed", range(4))
def test_a_face_or_hole_touched_in_line_stays_what_its_name_says(name: str, seed: int) -> None:
    """The fit then refuses it with numbers; few touches in line pass for a pin as thin as their scatter."""
    rng = np.random.default_rng(seed)
    row = Points(np.outer(np.linspace(0, 120, 10), [0.6, 0.8, 0.0]) + rng.normal(0, NOISE, (10, 3)))
    choice = choose_kind(name, row, None)
    assert choice.told == f"{'plane' if name == 'top_face' else 'circle'} by its name alone"
    assert choose_kind("face_edge", row, None).kind == "line"
    assert choose_kind("seam", row, None).kind == "line"


def test_two_sides_of_a_slot_are_no_line_with_strays_and_no_circle() -> None:
    """Sixteen and fifteen touches on parallel sides 5 mm apart: half of them lie in line, by no chance at all."""
    face = fit_plane(_made("plane")).renamed("face")
    rng = _rng()
    side = np.where(np.arange(31) < 16, 2.5, -2.5)
    sides = np.column_stack([rng.uniform(-25, 25, 31), side, np.zeros(31)]) + rng.normal(0, NOISE, (31, 3))
    inward = np.column_stack([np.zeros(31), -np.sign(side), np.zeros(31)])
    choice = choose_kind("it", _looking(Points(np.array([5, 60, 19.5]) + sides), inward), face)
    assert choice.kind is None


def test_four_touches_round_a_hole_below_a_face_make_a_circle() -> None:
    face = fit_plane(_made("plane")).renamed("face")
    out = np.array([[1.0, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])
    hole = _looking(Points([5.0, 60.0, 19.0] + 4 * out), -out)
    assert choose_kind("it", hole, face).told == "circle by i j k alone"


def test_touches_in_one_place_are_no_shape() -> None:
    """Three visits to a closing point, half a millimetre apart."""
    choice = choose_kind(
        "close_1", Points(np.array([[5.0, 0, 0], [5.02, 0.01, 0], [5.5, 0.02, 0], [5.51, 0, 0.01]])), None
    )
    assert choice.kind is None
    assert "a single place" in choice.why


def test_scattered_points_are_undecided() -> None:
    cloud = Points(_rng().uniform(-50, 50, (60, 3)))
    choice = choose_kind("it", cloud, None)
    assert choice.kind is None
    assert "60 points fit no one shape" in choice.why
    assert "3 points are too few" in choose_kind("it", cloud.select(np.arange(3)), None).why


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("Hole 3", "circle"), ("hole_12", "circle"), ("front-bore", "circle"), ("TOP_FACE", "plane"),
        ("ball1", "sphere"),
        ("slot hole", "slot"), ("run_2", "cylinder"), ("wholesale", None), ("outer_edge", None),
    ],
)  # fmt: skip
def test_words_in_names(name: str, kind: str | None) -> None:
    assert kind_in_name(name) == kind


def test_rules() -> None:
    rules = [parse_rule("hole_*=circle@top"), parse_rule("hole_9=slot"), parse_rule("a=b=plane")]
    assert (rules[0].pattern, rules[0].kind, rules[0].plane) == ("hole_*", "circle", "top")
    assert rules[2].pattern == "a=b"
    exact = rule_for("HOLE_9", rules)
    assert exact is not None
    assert exact.kind == "slot"
    assert rule_for("bore", rules) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hole", "--fit must read NAME=KIND"),
        ("=plane", "--fit must read"),
        ("h=cirkle", "got 'cirkle'. Did you mean circle"),
    ],
)
def test_bad_rules(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_rule(text)


def test_pooled_spread_leaves_rough_features_out() -> None:
    rng = _rng()
    fits = []
    for k in range(12):
        flat = np.column_stack([rng.uniform(-50, 50, (14, 2)), rng.normal(0, 0.02 if k else 0.5, 14)])
        fits.append(fit_plane(Points(flat), robust=False))
    spread = pool(fits)
    assert spread is not None
    assert spread.sigma == pytest.approx(0.02, rel=0.15)
    assert spread.dof == 11 * 11
    few, dof = spread.moderated(replace(fits[1], points=4, dof=1.0, rms=0.0))
    assert few == pytest.approx(spread.sigma * np.sqrt(20 / 21))
    assert dof == 21
    assert pool(fits[:0]) is None
