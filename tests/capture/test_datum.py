"""Datum frames against hand-made ones and against Monte Carlo through the whole chain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.arm.datum import datum_from_features, datum_from_nominal, feature_in, points_in
from capture.arm.rigid import rotation_of
from capture.arm.touched import as_shared
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import Points
from fit.shapes import fit_arc, fit_circle, fit_cylinder, fit_line, fit_plane

TURN, SHIFT = rotation_of([0.3, -0.5, 0.8]), np.array([40.0, -25.0, 90.0])
NOISE = 0.02


def _ring(x: float, y: float, radius: float, rng: np.random.Generator, span: float = 2 * np.pi) -> np.ndarray:
    angle = np.linspace(0, span, 13)[:-1]
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle), rng.uniform(-0.8, 0, 12)])


def _touched(rng: np.random.Generator, noise: float = NOISE) -> dict[str, Feature]:
    """A plate in its own frame (face z = 0, front edge y = 0, hole a at x = 0), turned and shifted away."""

    def away(xyz: np.ndarray) -> Points:
        return Points(
            (xyz + rng.normal(0, noise, xyz.shape)) @ TURN.T + SHIFT, normal=np.tile(TURN[:, 2], (len(xyz), 1))
        )

    flat = away(np.column_stack([rng.uniform(-50, 50, (25, 2)), np.zeros(25)]))
    face = as_shared(fit_plane(flat, robust=False).renamed("face"), "plane face")
    edge = away(np.column_stack([np.linspace(-40, 40, 12), np.zeros(12), rng.uniform(-0.8, 0, 12)]))
    side = away(np.column_stack([rng.uniform(-40, 40, 15), np.zeros(15), rng.uniform(-9, 0, 15)]))
    side = replace(side, normal=np.tile(-TURN[:, 1], (15, 1)))
    peg = _ring(20, 30, 6, rng) + np.column_stack([np.zeros((12, 2)), rng.uniform(2, 30, 12)])
    made = {
        "face": face,
        "edge": fit_line(edge, face, robust=False),
        "side": fit_plane(side, robust=False),
        "a": fit_circle(away(_ring(0, 40, 5, rng)), face, robust=False),
        "b": fit_circle(away(_ring(60, 10, 4, rng)), face, robust=False),
        "rim": fit_arc(away(_ring(10, 5, 30, rng, 2.5)), face, robust=False),
        "peg": fit_cylinder(away(peg), robust=False),
    }
    return {name: feature.renamed(name) for name, feature in made.items()}


def _in_own_frame(names: list[str], want: str, noise: float = 1e-9) -> Feature:
    made = _touched(np.random.default_rng(3), noise)
    return feature_in(datum_from_features([made[name] for name in names]), made[want])


def test_plane_line_point_gives_the_drawing_frame() -> None:
    at = _in_own_frame(["face", "edge", "a"], "b")
    np.testing.assert_allclose(at.vector(("x", "y", "z", "nx", "ny", "nz")), [60, 10, 0, 0, 0, 1], atol=1e-7)
    arc = _in_own_frame(["face", "edge", "a"], "rim")
    np.testing.assert_allclose(arc.vector(("x", "y", "radius")), [10, 5, 30], atol=1e-6)
    assert np.degrees(arc["start"]) % 360 == pytest.approx(0, abs=1e-5) or arc["start"] == pytest.approx(2 * np.pi)


def test_three_planes_and_hole_hole() -> None:
    """y out of the side plane; two holes give x from the first to the second."""
    at = _in_own_frame(["face", "side", "a"], "b")
    np.testing.assert_allclose(at.vector(("x", "y", "z")), [-60, -10, 0], atol=1e-6)
    at = _in_own_frame(["face", "a", "b"], "b")
    np.testing.assert_allclose(at.vector(("x", "y", "z")), [np.hypot(60, 30), 0, 0], atol=1e-6)
    at = _in_own_frame(["face", "a", "edge"], "b")
    np.testing.assert_allclose(at.vector(("x", "y", "z")), [60, -30, 0], atol=1e-6)


def test_axis_as_primary() -> None:
    at = _in_own_frame(["peg", "a", "b"], "b")
    np.testing.assert_allclose(at.vector(("x", "y")), [np.hypot(60, 30), 0], atol=1e-5)


def test_the_datum_is_exact_in_itself() -> None:
    made = _touched(np.random.default_rng(4))
    datum = datum_from_features([made["face"], made["a"], made["b"]])
    face, a, b = (feature_in(datum, made[name]) for name in ("face", "a", "b"))
    assert face.value("z").u95 < 1e-9
    assert max(a.value(key).u95 for key in "xyz") < 1e-9
    assert b.value("y").u95 < 1e-9
    assert b.value("x").u95 > NOISE / 3


def test_what_does_not_move_the_frame_stays_a_features_own() -> None:
    """The size of a datum hole, and the distance of the second hole from the first, which only turns the frame."""
    made = _touched(np.random.default_rng(4))
    holes = [made["a"], made["b"]]
    for datum in (
        datum_from_features([made["face"], *holes]),
        datum_from_nominal([*holes, made["rim"]], np.array([[0, 40, 0], [60, 10, 0], [10, 5, 0.0]]), "drawing.csv"),
    ):
        for hole in holes:
            size, before = feature_in(datum, hole).value("diameter"), hole.value("diameter")
            assert size.budget()["own"] == pytest.approx(before.budget()["own"], rel=1e-3)
            assert size.budget().get("datum", 0.0) < 0.05 * size.u95
            assert size.u95 == pytest.approx(before.u95, rel=1e-3)
    across = feature_in(datum_from_features([made["face"], *holes]), made["b"]).value("x")
    of_b, of_a = (hole.cov_own[:3, :3].trace() / 2 for hole in (made["b"], made["a"]))
    assert across.own == pytest.approx(of_b, rel=0.4)
    assert (across.budget()["datum"] / across.factor) ** 2 == pytest.approx(of_a, rel=0.4)


@pytest.mark.parametrize("names", [["face", "edge", "a"], ["face", "a", "b"], ["face", "side", "a"]])
def test_intervals_hold_in_the_datum_frame(names: list[str]) -> None:
    """Monte Carlo, 80 plates: errors of the re-expressed peg, rim and holes over their U95."""
    truth = _touched(np.random.default_rng(0), 1e-9)
    exact = datum_from_features([truth[name] for name in names])
    ratios = []
    for seed in range(80):
        made = _touched(np.random.default_rng(seed))
        datum = datum_from_features([made[name] for name in names])
        for name, keys in (
            ("peg", ("nx", "diameter")),
            ("rim", ("x", "y", "radius")),
            ("b", ("x",)),
            ("a", ("x", "y")),
        ):
            if name == names[-1] or name in names:
                continue
            got, want = feature_in(datum, made[name]), feature_in(exact, truth[name])
            ratios += [(got[key] - want[key]) / got.value(key).u95 for key in keys]
    assert 0.91 < np.mean(np.abs(ratios) <= 1) < 0.985


def test_points_turn_with_their_normals_and_modes() -> None:
    made = _touched(np.random.default_rng(5), 1e-9)
    datum = datum_from_features([made["face"], made["edge"], made["a"]])
    spot = Points(np.array([[60.0, 10.0, 5.0]]) @ TURN.T + SHIFT, normal=TURN[:, 2][None])
    moved = points_in(datum, spot.with_shared(["tip:radius"], TURN[:, 2][None, None] * 0.002))
    np.testing.assert_allclose(moved.xyz, [[60, 10, 5]], atol=1e-7)
    np.testing.assert_allclose(moved.normal, [[0, 0, 1]], atol=1e-9)
    np.testing.assert_allclose(moved.shared[0], [[0, 0, 0.002]], atol=1e-9)
    assert "datum" in moved.frame


def test_best_fit_counts_all_places_alike() -> None:
    """A part whose holes lie off their nominal places has one frame, however well each of them was touched."""
    rng = np.random.default_rng(8)
    nominal = np.array([[0, 40, 0], [60, 10, 0], [-30, -20, 0], [20, -35, 0]], float)
    made = nominal + rng.uniform(-0.5, 0.5, nominal.shape)
    u, _, vt = np.linalg.svd((nominal - nominal.mean(axis=0)).T @ (made - made.mean(axis=0)))
    expected = (made - made.mean(axis=0)) @ (u @ vt).T + nominal.mean(axis=0)
    sure, loose = np.diag([1e-4, 1e-4, 1e-6, 0, 0, 0, 0]), np.diag([1e-8, 1e-8, 1e-4, 0, 0, 0, 0])
    holes = []
    for k, place in enumerate(made @ TURN.T + SHIFT):
        feature = fit_circle(Points(_ring(0, 0, 5, rng) @ np.diag([1.0, 1.0, 0.0])))
        values = np.array([*place, *TURN[:, 2], 10.0])
        holes.append(replace(feature, name=f"hole_{k}", values=values, cov_own=loose if k else sure))
    datum = datum_from_nominal(holes, nominal, "drawing.csv")
    for hole, place in zip(holes, expected, strict=True):
        np.testing.assert_allclose(feature_in(datum, hole).vector("xyz"), place, atol=1e-9)


def test_best_fit_to_nominal_points() -> None:
    rng = np.random.default_rng(6)
    nominal = np.array([[0, 40, 0], [60, 10, 0], [-30, -20, 0], [20, -35, 0]], float)
    face = fit_plane(Points(np.column_stack([rng.uniform(-50, 50, (20, 2)), rng.normal(0, 1e-9, 20)])))
    face = replace(face, cov_own=np.zeros((6, 6)))
    holes = []
    for k, (x, y, _) in enumerate(nominal):
        ring = _ring(x, y, 5, rng) + rng.normal(0, 1e-4, (12, 3))
        holes.append(fit_circle(Points(ring @ TURN.T + SHIFT)).renamed(f"hole_{k}"))
    del face
    datum = datum_from_nominal(holes, nominal, "drawing.csv")
    for hole, place in zip(holes, nominal, strict=True):
        found = feature_in(datum, hole)
        # free in space, the rings' depths of 0 to 0.8 mm make their planes lean
        np.testing.assert_allclose(found.vector("xyz"), place, atol=0.5)
        assert found.value("x").u95 > 0
    with pytest.raises(CannotDetermine, match="three or more points"):
        datum_from_nominal(holes[:2], nominal[:2], "drawing.csv")


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["edge", "face", "a"], "the primary datum must be a plane, cylinder or cone; 'edge' is a line"),
        (["face", "a"], "leaves the frame free along x"),
        (["face", "face", "a"], "all different"),
        (["face"], "a primary, a secondary and a tertiary"),
        (["side", "face", "peg"], None),
    ],
)
def test_unfit_datums(names: list[str], words: str | None) -> None:
    made = _touched(np.random.default_rng(7))
    if words is None:
        datum_from_features([made[name] for name in names])
        return
    with pytest.raises(InputError, match=words):
        datum_from_features([made[name] for name in names])


def test_parallel_datums_are_refused() -> None:
    made = _touched(np.random.default_rng(8))
    again = made["face"].renamed("again")
    with pytest.raises(CannotDetermine, match="'again' gives no direction across the primary"):
        datum_from_features([made["face"], again, made["a"]])
