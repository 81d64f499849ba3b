"""The quick start of cylinders and cones: it must lead to the same minimum as the search all round, or stand back."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from fit.points import Points
from fit.shapes import axis, fit_cone, fit_cylinder
from fit.shapes.cylinder import CylinderModel
from fit.shapes.frame import frame_at
from fit.shapes.quadric import about_axis, product_means, quadric_axis

_spec = importlib.util.spec_from_file_location("worlds", Path(__file__).with_name("worlds.py"))
assert _spec is not None and _spec.loader is not None
worlds = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(worlds)
FITS = {"cylinder": fit_cylinder, "cone": fit_cone}


def made(kind: str, seed: int, noise: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    shape = worlds.truth(kind, rng)
    shape["arc"] = math.radians(rng.uniform(40, 360))
    count = int(rng.integers(30, 300))
    return worlds.sample(shape, count, rng) + rng.normal(0, noise * shape["radius"], (count, 3))


@pytest.mark.parametrize("kind", ["cylinder", "cone"])
def test_same_minimum_as_searched_all_round(kind: str, monkeypatch: pytest.MonkeyPatch):
    """Thirty random patches each, quick start against the search alone."""
    for seed in range(30):
        points = Points(made(kind, seed, 10 ** (-5 + seed % 4)))
        quick = FITS[kind](points, robust=False)
        with monkeypatch.context() as patched:
            patched.setattr(axis, "_FEWEST", 10**9)
            searched = FITS[kind](points, robust=False)
        assert quick.rms == pytest.approx(searched.rms, rel=1e-9)
        assert quick.values == pytest.approx(searched.values, rel=1e-6, abs=1e-6)


def quick_state(points: np.ndarray) -> object | None:
    return axis._by_quadric(CylinderModel(), points.T, False, CylinderModel()._state_of)


def test_quick_start_is_taken_on_a_cylinder_and_not_on_other_shapes():
    """An elliptic tube is a quadric too, but no cylinder; a rough patch tells nothing."""
    rng = np.random.default_rng(1)
    turn, along = rng.uniform(0, 2 * math.pi, 200), rng.uniform(0, 60, 200)
    tube = np.column_stack([20 * np.cos(turn), 20 * np.sin(turn), along]) + rng.normal(0, 0.02, (200, 3))
    assert quick_state(tube) is not None
    assert quick_state(tube * [1.0, 0.6, 1.0]) is None
    assert quick_state(tube + rng.normal(0, 3, (200, 3))) is None


def test_the_quadric_of_a_cone_is_not_drawn_to_its_wide_end():
    """Axis off by some 6 mrad in the middle; 25 mrad where the sum of f² alone is least, whatever its gradients."""
    errors = []
    for seed in range(20):
        normal = np.random.default_rng(seed).normal(size=3)
        normal /= np.linalg.norm(normal)
        shape = {"kind": "cone", "place": np.zeros(3), "normal": normal, "radius": 50.0, "angle": 0.2, "first": 0.2,
                 "arc": math.radians(90)}  # fmt: skip
        rng = np.random.default_rng((seed, 1))
        points = worlds.sample(shape, 200, rng) + rng.normal(0, 0.05, (200, 3))
        rows = (points - points.mean(axis=0)).T
        rows /= np.sqrt(np.mean(rows**2))
        principal = np.linalg.eigh(rows @ rows.T / 200)[1]
        direction = principal @ quadric_axis(product_means(principal.T @ rows))[1]
        errors.append(np.linalg.norm(np.cross(direction, normal)))
    assert np.median(errors) < 0.012


@pytest.mark.parametrize(("growth", "taper"), [(-0.3, True), (0.0, False)])
def test_the_round_shape_about_an_axis(growth: float, taper: bool):
    """Points without noise on a cone or cylinder: exact where the axis is known, from sums alone. Off by a lean and a
    shift, the axis comes back but for their squares and product."""
    rng = np.random.default_rng(5)
    turn, z = rng.uniform(0, 2, 300), rng.uniform(-1, 1, 300)
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    rho = 2 + growth * z
    means = product_means(axes @ np.stack([0.5 + rho * np.cos(turn), -0.2 + rho * np.sin(turn), z]))
    place = axes @ [0.5, -0.2, 0.0]
    point, direction, *sizes = about_axis(means, axes, place, taper)
    assert [*point, *direction, *sizes] == pytest.approx([*place, *axes[:, 2], 2.0, growth], abs=1e-7)
    leant = frame_at(place, axes @ [0.01, -0.02, 1.0]).axes
    point, direction, radius, _ = about_axis(means, leant, place + axes @ [0.02, 0.02, 0.0], taper)
    direction /= np.linalg.norm(direction)
    assert direction == pytest.approx(axes[:, 2], abs=3e-3)
    assert np.cross(point - place, axes[:, 2]) == pytest.approx(np.zeros(3), abs=3e-3)
    assert radius == pytest.approx(2.0, abs=5e-3)


def test_the_quadric_of_a_round_shape_gives_its_axis():
    """Exact points on a cylinder: a point of the axis and its direction, whatever way it lies."""
    rng = np.random.default_rng(6)
    turn, z = rng.uniform(0, 2, 300), rng.uniform(-1, 1, 300)
    rows = np.stack([0.5 + 2 * np.cos(turn), -0.2 + 2 * np.sin(turn), z])
    middle = rows.mean(axis=1)
    principal = np.linalg.eigh(np.cov(rows))[1]
    point, direction, square = quadric_axis(product_means(principal.T @ (rows - middle[:, None])))
    assert np.abs(principal @ direction) == pytest.approx([0, 0, 1], abs=1e-7)
    assert (principal @ point + middle)[:2] == pytest.approx([0.5, -0.2], abs=1e-7)
    assert square < 1e-12


def test_the_quadric_tells_its_distances():
    """Mean square of the points' distances to first order: nine numbers less than the noise put in."""
    points = made("cylinder", 3, 1e-3)
    rows = (points - points.mean(axis=0)).T
    principal = np.linalg.eigh(rows @ rows.T)[1]
    told = quadric_axis(product_means(principal.T @ rows))[2] / (1 - 9 / len(points))
    radius = worlds.truth("cylinder", np.random.default_rng(3))["radius"]
    assert math.sqrt(told) / radius == pytest.approx(1e-3, rel=0.15)
