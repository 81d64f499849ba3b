"""Tip correction against plain geometry and the cosine-error table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from capture.arm.probing import ProbeOptions, measure
from capture.arm.tip import TIP_MODE, Tip, beside, choose_side, correct, qualify, surface_normals
from capture.arm.tipcheck import check_tip, slot_and_block
from capture.arm.touched import fit_touched
from fit.errors import CannotDetermine, InputError
from fit.points import Points
from fit.shapes import fit_sphere

TIP = Tip(6.0, 0.004)
RNG = np.random.default_rng(11)


def _lean(out: np.ndarray, angle: float) -> np.ndarray:
    """Directions leaning by an angle, each to a side of its own."""
    side = np.cross(out, RNG.normal(size=out.shape))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    return np.cos(angle) * out + np.sin(angle) * side


def _ring(radius: float, count: int = 24, height: float = 8.0) -> tuple[np.ndarray, np.ndarray]:
    angle = np.arange(count) * 2 * np.pi / count
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    return radius * out + np.column_stack([np.zeros((count, 2)), RNG.uniform(-height, 0, count)]), out


def test_leaning_directions_leave_the_cosine_error(root: Path) -> None:
    """Correction along i j k off by θ is wrong by r(1 − cos θ); along the fitted normal it is right."""
    table = np.loadtxt(root / "tests/references/ball_tip_cosine_error.csv", delimiter=",", skiprows=4, usecols=(0, 1))
    flat = np.column_stack([RNG.uniform(-50, 50, (30, 2)), np.zeros(30)])
    up = np.tile([0.0, 0.0, 1.0], (30, 1))
    centres = flat + TIP.radius * up
    for degrees, error in table:
        lean = _lean(up, np.radians(degrees))
        along = correct(Points(centres), lean, TIP)
        np.testing.assert_allclose(along.xyz[:, 2], error, rtol=1e-9)
        listed = Points(centres + RNG.normal(0, 1e-9, centres.shape), normal=lean)
        assert abs(fit_touched("face", listed, "plane", None, TIP, None).feature["z"]) < 1e-8


@pytest.mark.parametrize("kind", ["circle", "cylinder", "sphere", "cone"])
@pytest.mark.parametrize("inside", [True, False])
def test_inside_and_outside_come_out_at_the_surface(kind: str, inside: bool) -> None:
    """The same surface of known size, touched from either side by a ball of 6 mm."""
    surface, out = _ring(20.0, height=0.0 if kind == "circle" else 8.0)
    size = "diameter"
    if kind == "sphere":
        out = RNG.normal(size=(24, 3))
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        surface = 20.0 * out
    if kind == "cone":
        size, half = "half_angle", 0.3
        place = RNG.uniform(40, 80, len(out))[:, None]
        surface = place * (np.tan(half) * out + [0, 0, -1.0])
        out = np.cos(half) * out + [0, 0, np.sin(half)]
    out = -out if inside else out
    centres = surface + TIP.radius * out + RNG.normal(0, 1e-7, surface.shape)
    found = fit_touched("it", Points(centres, normal=_lean(out, 0.05)), kind, None, TIP, None)
    assert found.feature[size] == pytest.approx(0.3 if kind == "cone" else 40.0, abs=1e-5)
    if kind == "cone":
        np.testing.assert_allclose(found.feature.vector("xyz"), 0, atol=1e-4)
    np.testing.assert_allclose(found.points.normal, out, atol=1e-5)


@pytest.mark.parametrize("inside", [True, False])
def test_tip_error_is_one_shared_mode(inside: bool) -> None:
    """A tip larger by u makes every outside diameter smaller by u and every hole larger; a plane sinks by u/2."""
    surface, out = _ring(20.0, height=0.0)
    out = -out if inside else out
    centres = Points(surface + TIP.radius * out + RNG.normal(0, 0.01, surface.shape), normal=out)
    feature = fit_touched("it", centres, "circle", None, TIP, None).feature
    answer = feature.shared[feature.shared_names.index(TIP_MODE), feature.index("diameter")]
    assert answer == pytest.approx(TIP.u if inside else -TIP.u, rel=1e-3)
    assert feature.value("diameter").budget()["tip"] == pytest.approx(1.96 * TIP.u, rel=0.1)


def test_side_without_directions() -> None:
    surface, out = _ring(20.0, height=0.0)
    centres = Points(surface - TIP.radius * out + RNG.normal(0, 1e-8, surface.shape))
    assert fit_touched("hole", centres, "circle", None, TIP, "in").feature["diameter"] == pytest.approx(40, abs=1e-6)
    assert fit_touched("hole", centres, "circle", None, TIP, "out").feature["diameter"] == pytest.approx(28, abs=1e-6)
    with pytest.raises(InputError, match=r"'hole': the list has no i j k.*--side 'hole=in' or =out"):
        fit_touched("hole", centres, "circle", None, TIP, None)


def test_plane_side_is_told_from_the_base() -> None:
    flat = Points(np.column_stack([RNG.uniform(-50, 50, (9, 2)), RNG.normal(100, 1e-8, 9)]))
    assert fit_touched("face", flat, "plane", None, TIP, "out").feature["z"] == pytest.approx(103)
    assert fit_touched("face", flat, "plane", None, TIP, "in").feature["z"] == pytest.approx(97)


def test_left_and_right_of_travel() -> None:
    """Walking +x on a face that looks up, the left hand points to +y."""
    travel = np.array([[1.0, 0.0, 0.0]])
    np.testing.assert_allclose(beside(travel, np.array([0, 0, 1.0]), "left"), [[0, 1, 0]])
    np.testing.assert_allclose(beside(travel, np.array([0, 0, 1.0]), "right"), [[0, -1, 0]])
    with pytest.raises(InputError, match="left or right"):
        beside(travel, np.array([0, 0, 1.0]), "in")


def test_touches_from_the_other_side_are_left_out() -> None:
    surface, out = _ring(20.0, height=0.0)
    lean = _lean(out, 0.03)
    lean[[3, 9]] *= -1
    centres = surface + TIP.radius * out + RNG.normal(0, 0.01, surface.shape)
    found = fit_touched("rim", Points(centres, normal=lean), "circle", None, TIP, None)
    assert np.flatnonzero(found.turned).tolist() == [3, 9]
    assert np.flatnonzero(~found.used).tolist() == [3, 9]
    assert found.feature["diameter"] == pytest.approx(40, abs=0.03)


def test_line_side_by_direction_carries_its_own_error() -> None:
    along = np.linspace(0, 80, 12)
    edge = np.column_stack([along, np.zeros(12), np.zeros(12)])
    out = np.tile([0.0, 0.6, 0.8], (12, 1))
    centres = Points(edge + TIP.radius * out + RNG.normal(0, 1e-3, edge.shape), normal=_lean(out, 0.03))
    feature = fit_touched("edge", centres, "line", None, TIP, None).feature
    assert np.abs(feature.vector(("y1", "z1"))).max() < 0.1
    assert feature.value("y1").u95 > abs(feature["y1"])
    assert any(name.startswith("tip:side") for name in feature.shared_names)


def test_qualified_tip_is_right_within_its_interval() -> None:
    """Ball of 25.4 mm and a true tip of 6.012 mm, 40 draws of 25 touches."""
    held = 0
    for _ in range(40):
        out = RNG.normal(size=(25, 3))
        out[:, 2] = np.abs(out[:, 2])
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        touches = Points((25.4 + 6.012) / 2 * out + RNG.normal(0, 0.02, (25, 3)))
        tip = qualify(touches, 25.4)
        held += abs(tip.diameter - 6.012) <= 1.96 * tip.u
    assert held >= 35
    with pytest.raises(InputError, match="The ball must be smaller"):
        qualify(touches, 40.0)


@pytest.mark.parametrize("bad", [(0.0, 0.003), (-2.0, 0.0), (3.0, 4.0), (500.0, 0.1)])
def test_impossible_tips(bad: tuple[float, float]) -> None:
    with pytest.raises(InputError, match=r"\(--tip(-u)?\) must be"):
        Tip(*bad)


@pytest.mark.parametrize(
    ("shift", "words"), [(0.0, None), (6.0, "missing"), (-6.0, "made twice"), (12.0, "wrong side")]
)
def test_balls_betray_a_missing_or_double_correction(shift: float, words: str | None) -> None:
    out = RNG.normal(size=(20, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    ball = fit_sphere(Points((12.7 + shift) / 2 * out + RNG.normal(0, 0.01, out.shape))).renamed("ball_1")
    notices = check_tip([ball], TIP)
    assert [notice.code for notice in notices] == (["tip-side"] if words else [])
    assert not words or words in notices[0].text


def test_one_ball_that_is_usual_either_way_does_not_speak_for_the_others() -> None:
    """With a tip of 6 mm not taken off, a ball of 10 mm reads as one of 16; the other two as none at all."""
    for shift, told in ((0.0, 0), (6.0, 1)):
        balls = []
        for size in (10.0, 12.7, 25.0):
            out = RNG.normal(size=(20, 3))
            out /= np.linalg.norm(out, axis=1, keepdims=True)
            balls.append(fit_sphere(Points((size + shift) / 2 * out + RNG.normal(0, 0.01, out.shape))).renamed("ball"))
        assert len(check_tip(balls, TIP)) == told


def test_touches_nearer_than_the_tip_are_refused(tmp_path: Path) -> None:
    """A ball of 5 mm whose surface points are read as centres of a tip of 6 mm: nothing is left to call a ball."""
    out = RNG.normal(size=(12, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    rows = [",".join(f"{v:.5f}" for v in (*place, *way)) + ",ball" for place, way in zip(2.5 * out, out, strict=True)]
    (tmp_path / "a.csv").write_text("# unit: mm\nx,y,z,i,j,k,feature\n" + "\n".join(rows) + "\n")
    with pytest.raises(CannotDetermine, match=r"only 2\.500 mm from its middle, less than the tip's radius, 3\.000 mm"):
        measure([tmp_path / "a.csv"], ProbeOptions(tip=6.0, points="centre", fits=("ball=sphere",)))


def test_a_ball_of_whole_millimetres_is_no_inch_ball_gone_wrong() -> None:
    """24 mm is 1.4 mm from an inch ball, near half of this tip."""
    out = RNG.normal(size=(20, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    ball = fit_sphere(Points(12.0 * out + RNG.normal(0, 0.01, out.shape))).renamed("ball_1")
    assert check_tip([ball], Tip(2.8, 0.003)) == []


def test_slot_and_block() -> None:
    """True width 20, tip 6: without correction slot 14 and block 26, made twice slot 26 and block 14."""
    assert slot_and_block(20.02, 19.99, 6.0) is None
    assert "missing" in str(slot_and_block(14.0, 26.0, 6.0))
    assert "made twice" in str(slot_and_block(26.0, 14.0, 6.0))


def test_side_follows_the_majority() -> None:
    sphere = fit_sphere(Points(np.vstack([np.eye(3), -np.eye(3)]) * 5.0 + RNG.normal(0, 1e-9, (6, 3))))
    xyz = np.vstack([np.eye(3), -np.eye(3)]) * 5.0
    normals = surface_normals(sphere, xyz, np.full((6, 3), np.nan))
    assert choose_side(sphere, normals, normals, None) == 1.0
    assert choose_side(sphere, normals, -normals, "out") == -1.0
