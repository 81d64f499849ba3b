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
        direction = principal @ quadric_axis(product_means(principal.T @ rows))[0]
        errors.append(np.linalg.norm(np.cross(direction, normal)))
    assert np.median(errors) < 0.012


def test_axis_known_the_round_shape_about_it_is_exact():
    """Points without noise on a cone about a known axis: place, radius there and growth come out, from sums alone."""
    rng = np.random.default_rng(5)
    turn, z = rng.uniform(0, 2, 300), rng.uniform(-1, 1, 300)
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    for growth, taper in ((-0.3, True), (0.0, False)):
        rho = 2 + growth * z
        rows = axes @ np.stack([0.5 + rho * np.cos(turn), -0.2 + rho * np.sin(turn), z])
        assert about_axis(product_means(rows), axes, taper) == pytest.approx((0.5, -0.2, 2.0, growth), abs=1e-7)


def test_the_quadric_tells_its_distances():
    """Mean square of the points' distances to first order: nine numbers less than the noise put in."""
    points = made("cylinder", 3, 1e-3)
    rows = (points - points.mean(axis=0)).T
    principal = np.linalg.eigh(rows @ rows.T)[1]
    told = quadric_axis(product_means(principal.T @ rows))[1] / (1 - 9 / len(points))
    radius = worlds.truth("cylinder", np.random.default_rng(3))["radius"]
    assert math.sqrt(told) / radius == pytest.approx(1e-3, rel=0.15)
