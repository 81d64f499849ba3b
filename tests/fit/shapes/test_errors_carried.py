"""Shared and own errors: what the fit states against what refitting moved or noisy points gives."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.shapes import (
    fit_arc,
    fit_circle,
    fit_cone,
    fit_cylinder,
    fit_line,
    fit_plane,
    fit_slot,
    fit_sphere,
    radius_range,
    short_arc,
)
from fit.shapes.frame import axes_about
from fit.uncertain import Value, propagate

NORMAL = np.array([0.3, -0.4, 0.8]) / math.sqrt(0.89)
AXES = axes_about(NORMAL)
TURN = 2 * math.pi
PLACE = np.array([50.0, -20.0, 30.0])


def ring(count: int, span: float, radius: float = 20.0) -> FloatArray:
    turn = np.linspace(0.4, 0.4 + span, count, endpoint=span < 6)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(count)])


def stadium(count: int) -> FloatArray:
    """Outline points of a slot 24 long over all, 8 wide, turned by 0.7."""
    t = np.arange(count) * (32 + 8 * math.pi) / count
    side = np.clip(t, 0, 16) - np.clip(t - 16 - 4 * math.pi, 0, 16) - 8
    turn = -math.pi / 2 + np.clip(t - 16, 0, 4 * math.pi) / 4 + np.clip(t - 32 - 4 * math.pi, 0, None) / 4
    xy = np.column_stack([side + 4 * np.cos(turn), 4 * np.sin(turn)])
    turned = xy @ np.array([[math.cos(0.7), math.sin(0.7)], [-math.sin(0.7), math.cos(0.7)]])
    return np.column_stack([turned, np.zeros(count)])


def open_slot(reach: float) -> FloatArray:
    """The slot without what lies further along it than so far from its middle, where the sides end at 8."""
    points = stadium(90)
    points = points[points[:, :2] @ [math.cos(0.7), math.sin(0.7)] < reach]
    return points + np.random.default_rng(1).normal(0, 0.01, points.shape) * [1, 1, 0]


def shape_of(name: str) -> FloatArray:
    rng = np.random.default_rng(8)
    count = 60
    height = np.column_stack([np.zeros((count, 2)), rng.uniform(-30, 30, count)])
    cap = rng.normal(size=(count, 3)) * [1, 1, 0.6]
    flat = {
        "line": np.column_stack([np.linspace(-40, 40, count), 3 + np.zeros(count), np.zeros(count)]),
        "plane": np.column_stack([rng.uniform(-40, 40, (count, 2)), np.zeros(count)]),
        "circle": ring(count, TURN),
        "arc": ring(count, 1.9),
        "slot": stadium(count),
        "sphere": 20 * cap / np.linalg.norm(cap, axis=1, keepdims=True),
        "cylinder": ring(count, 4) + height,
        "cone": ring(count, TURN, 1.0) * (30 + 0.3 * height[:, 2:]) + height,
    }[name]
    return np.asarray(PLACE + flat @ AXES.T)


FITS: dict[str, Callable[..., Feature]] = {
    "line": fit_line,
    "plane": fit_plane,
    "circle": fit_circle,
    "arc": fit_arc,
    "slot": fit_slot,
    "sphere": fit_sphere,
    "cylinder": fit_cylinder,
    "cone": fit_cone,
}


def mode(points: FloatArray, seed: int) -> FloatArray:
    """A smooth shared error: a random affine move of all points of about 0.01 mm."""
    rng = np.random.default_rng(seed)
    return np.asarray(rng.normal(0, 0.005, 3) + (points - PLACE) @ rng.normal(0, 2e-4, (3, 3)))


@pytest.mark.parametrize("kind", FITS)
def test_shared_error_is_what_refitting_moved_points_gives(kind: str) -> None:
    """The stated answer to a shared mode, at 1 % of it, against central differences of whole fits."""
    xyz = shape_of(kind)
    move = mode(xyz, 3)
    points = Points(xyz, noise=0.01, shared=move[None], shared_names=("caliper:x",))
    stated = FITS[kind](points).shared[0]
    up, down = (FITS[kind](replace(points, xyz=xyz + s * 0.01 * move)).values for s in (1, -1))
    moved = (up - down) / 0.02
    if kind in ("plane", "cylinder", "line"):  # only what is across is the shape's own
        along = moved[:3] - stated[:3]
        axis = FITS[kind](points).vector(("nx", "ny", "nz")) if kind != "line" else AXES[:, 0]
        moved[:3] -= axis * (along @ axis) if kind != "plane" else along - axis * (along @ axis)
        if kind == "line":
            moved[3:6] -= axis * ((moved[3:6] - stated[3:6]) @ axis)
    np.testing.assert_allclose(stated, moved, atol=2e-5)


@pytest.mark.parametrize("kind", ["circle", "arc", "slot", "line"])
def test_the_given_planes_own_error_is_carried(kind: str) -> None:
    """A hole touched 2 mm below its face: leaning the face moves its foot, as refitting in the leaned face shows."""
    xyz = shape_of(kind) - 2.0 * NORMAL
    face = fit_plane(Points(shape_of("plane"), noise=0.05)).renamed("face")
    stated = FITS[kind](Points(xyz, noise=1e-9), face)
    step = np.linalg.cholesky(face.cov_own + 1e-18 * np.eye(6))
    moved = np.zeros((len(stated.values), 6))
    for i in range(6):
        up, down = (
            FITS[kind](Points(xyz, noise=1e-9), replace(face, values=face.values + s * 1e-3 * step[:, i])).values
            for s in (1, -1)
        )
        moved[:, i] = (up - down) / 2e-3
    if kind == "line":  # ends are known across only
        across = np.eye(3) - np.outer(AXES[:, 0], AXES[:, 0])
        moved[:3], moved[3:6] = across @ moved[:3], across @ moved[3:6]
    cov = moved @ moved.T
    free = list(range(6, len(stated.order))) if kind != "line" else []
    for block in (slice(0, 3), slice(3, 6), free):
        np.testing.assert_allclose(stated.cov_own[block][:, block], cov[block][:, block], rtol=5e-3, atol=2e-9)
    assert stated.on == "face"


@pytest.mark.parametrize("kind", FITS)
@pytest.mark.parametrize("known", [True, False])
def test_interval_holds_the_truth(kind: str, known: bool) -> None:
    """95 % intervals of the size over some hundred noisy sets of 30 points.

    The limits hold 999 binomials in 1000; the study of 10,000 sets stands in tests/bench.
    """
    key = {"plane": "nx", "arc": "radius", "slot": "length", "cone": "half_angle"}.get(kind, "diameter")

    def size(feature: Feature) -> Value:
        if kind == "line":  # an end is known across only
            return propagate(lambda p: float(AXES[:, 1] @ p[:3]), feature)
        return feature.value(key)

    xyz, rng, inside = shape_of(kind)[::2], np.random.default_rng(11), 0
    true = size(FITS[kind](Points(xyz, noise=1e-6), robust=False)).value
    trials, least, most = (100, 0.87, 1.0) if kind in ("cylinder", "cone") else (300, 0.908, 0.987)
    for _ in range(trials):
        points = Points(xyz + rng.normal(0, 0.02, xyz.shape), noise=0.02 if known else None)
        value = size(FITS[kind](points, form="none"))
        inside += abs(value.value - true) <= value.u95
    assert least <= inside / trials <= most


def test_the_rule_for_known_noise() -> None:
    """A known noise stands while χ² is below its 95 % point; above it the residuals scale it and lend their dof."""
    xyz, rng = shape_of("circle"), np.random.default_rng(2)
    noisy = xyz + rng.normal(0, 0.02, xyz.shape)
    agreed, denied = (fit_circle(Points(noisy, noise=s)) for s in (0.02, 0.01))
    free = fit_circle(Points(noisy))
    assert math.isinf(agreed.dof)
    assert denied.dof == free.dof == 2 * 60 - 6
    np.testing.assert_allclose(denied.cov_own, free.cov_own, rtol=1e-6)
    assert agreed.value("diameter").u == pytest.approx(2 * 0.02 / math.sqrt(60), rel=1e-3)


def test_correlated_edge_states_a_wider_error() -> None:
    """Slow waves of 15 points along an edge: the interval of the radius must grow by about √15 and hold the truth."""
    rng, inside, factor = np.random.default_rng(4), 0, []
    turn = np.linspace(0, 2 * math.pi, 600, endpoint=False)
    for _ in range(60):
        wave = np.convolve(rng.normal(size=615), np.ones(15) / math.sqrt(15), "valid")[:600]
        xy = (20 + 0.02 * wave)[:, None] * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
        plain, wide = (fit_circle(Points(xy), robust=False, correlated=c).value("diameter") for c in (False, True))
        inside += abs(wide.value - 40) <= wide.u95
        factor.append(wide.u / plain.u)
    assert inside >= 53
    assert 2.9 < np.median(factor) < 4.8


def test_short_arcs_are_flagged_and_hopeless_ones_refused() -> None:
    xyz = PLACE + ring(40, math.radians(24)) @ AXES.T
    noisy = xyz + np.random.default_rng(1).normal(0, 0.002, xyz.shape)
    notice = short_arc(fit_arc(Points(noisy, noise=0.002)).renamed("rim"))
    assert notice is not None
    assert (notice.code, notice.feature) == ("short-arc", "rim")
    assert "Only 24° of rim is seen" in notice.text
    assert short_arc(fit_arc(Points(PLACE + ring(40, 1.0) @ AXES.T, noise=0.002))) is None
    with pytest.raises(CannotDetermine, match="the curve is seen, 40 points: its radius may be anything from"):
        fit_arc(Points(xyz + np.random.default_rng(1).normal(0, 0.2, xyz.shape), noise=0.2))


def test_radius_range_runs_by_the_curvature() -> None:
    assert radius_range(100.0, 50.0) == pytest.approx((1 / 0.015, 200.0))
    assert math.isinf(radius_range(100.0, 120.0)[1])


@pytest.mark.parametrize(
    ("kind", "points", "words"),
    [
        ("plane", np.column_stack([np.arange(9.0), 2 * np.arange(9.0), np.zeros(9)]), "lie in line"),
        ("plane", np.zeros((2, 3)), "needs at least 3 points; got 2"),
        ("plane", np.eye(3), "nothing to tell its uncertainty from"),
        ("line", np.ones((5, 3)), "lie within 0 mm of each other"),
        ("circle", np.column_stack([np.arange(9.0), 2 * np.arange(9.0), np.zeros(9)]), "in line"),
        ("sphere", np.column_stack([ring(12, TURN)]), "in line or in a plane"),
        ("slot", ring(40, TURN) + np.random.default_rng(0).normal(0, 0.02, (40, 3)), "as good as a circle"),
        ("slot", open_slot(9.0), "round from its sides, so its length is open"),
        ("slot", open_slot(7.5), "both ends"),
        ("cylinder", np.zeros((8, 3)), "in one place"),
    ],
)
def test_what_the_points_cannot_carry_is_refused(kind: str, points: FloatArray, words: str) -> None:
    with pytest.raises(CannotDetermine, match=words):
        FITS[kind](Points(points))


def test_a_very_short_arc_free_in_space_is_refused_with_numbers_or_told_within_its_u95() -> None:
    """Radius 200 over 6 degrees: chord 20.9 mm, sagitta 0.27 mm, of the order of what 30 points scatter by."""
    refused = 0
    for seed in range(12):
        noise = np.random.default_rng(seed).normal(0, 0.02, (30, 3))
        points = Points(PLACE + ring(30, math.radians(6), 200.0) @ AXES.T + noise)
        try:
            radius = fit_arc(points).value("radius")
        except CannotDetermine as error:
            refused += 1
            told = re.search(r"bend by only ([\d.]+) mm, scatter included, over ([\d.]+) mm", str(error))
            span = re.search(r"Only [\d.]+° of the curve is seen", str(error))
            assert span or (told and 0.2 < float(told[1]) < 0.5 and float(told[2]) == pytest.approx(20.9, abs=0.2))
        else:
            assert abs(radius.value - 200) < 3 * radius.u95
    assert refused > 6


def test_a_refused_span_reads_in_plain_degrees() -> None:
    rng = np.random.default_rng(3)
    turn = rng.uniform(0, 3.2, 7)
    xyz = np.column_stack([3 * np.cos(turn), 3 * np.sin(turn), np.zeros(7)])
    xyz[:, :2] += rng.normal(0, 1.2, (7, 2))
    with pytest.raises(CannotDetermine, match=r"Only \d{3}° of the curve is seen"):
        fit_circle(Points(xyz))


def test_cone_that_is_a_cylinder_is_refused() -> None:
    xyz = shape_of("cylinder")
    with pytest.raises(CannotDetermine, match="as good as a cylinder"):
        fit_cone(Points(xyz + np.random.default_rng(0).normal(0, 0.02, xyz.shape)))


def test_unknown_form_is_named() -> None:
    with pytest.raises(InputError, match="must be one of none, least-squares, minimum-zone; got best"):
        fit_plane(Points(shape_of("plane"), noise=0.1), form="best")


def test_start_counts_from_x_projected_into_the_plane() -> None:
    """Looking down −z the same arc runs the other way; where n is x, angles count from +y."""
    xyz = ring(50, 1.0) + np.array([5.0, 6.0, 0.0])
    arc = fit_arc(Points(xyz, noise=0.001))
    assert (arc["start"], arc["span"]) == pytest.approx((0.4, 1.0), abs=1e-6)
    onto_x = fit_arc(Points(xyz[:, [2, 0, 1]], noise=0.001))
    assert (onto_x["nx"], onto_x["start"]) == pytest.approx((1.0, 0.4), abs=1e-6)


def test_known_diameter_steadies_a_partly_touched_rod() -> None:
    xyz = PLACE + (ring(60, 1.0, 4.0) + np.column_stack([np.zeros((60, 2)), np.tile([0.0, 40, 80], 20)])) @ AXES.T
    points = Points(xyz + np.random.default_rng(5).normal(0, 0.02, xyz.shape), noise=0.02)
    free, held = fit_cylinder(points), fit_cylinder(points, 8.0)
    assert held["diameter"] == 8.0
    assert held.value("diameter").u95 == 0.0
    place = [propagate(lambda p: float(AXES[:, 0] @ p[:3]), rod).u for rod in (free, held)]
    assert place[1] < 0.5 * place[0]


@pytest.mark.parametrize("heading", [0.0, 0.3, math.pi / 2])
def test_a_line_straight_to_the_last_digit_on_a_level_face(heading):
    """Its plane is level, however it leans about the line; a height's error lifts it and leans it along the line alone."""
    along = np.linspace(-40, 40, 60)
    way, left = (np.array([math.cos(t), math.sin(t), 0]) for t in (heading, heading + math.pi / 2))
    lifted = np.array([0, 0, 1.0]) * (0.5 + 0.01 * along[:, None]) + 0.2 * left

    def fitted(scatter: float) -> Feature:
        off = scatter * np.random.default_rng(1).standard_normal((60, 1)) * left
        xyz = PLACE + along[:, None] * way + off
        return fit_line(
            Points(xyz, noise=np.full(60, 0.02), shared=lifted[None], shared_names=("height:top",)), robust=False
        )

    exact, rough = fitted(0.0), fitted(1e-5)
    np.testing.assert_allclose(exact.shared, rough.shared, atol=1e-4)
    np.testing.assert_allclose(exact.cov_own, rough.cov_own, atol=1e-8)
    np.testing.assert_allclose(exact.shared[0, :3] @ left, 0.2, rtol=1e-6)
    np.testing.assert_allclose(exact.vector(("z1", "z2")), PLACE[2])
