"""Minimum zones against exhaustive search and a general optimiser."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fit.points import Points
from fit.shapes import fit_circle, fit_line, fit_plane


@pytest.mark.parametrize("seed", range(4))
def test_flatness_is_the_narrowest_pair_of_parallel_planes(seed: int) -> None:
    """The narrowest slab touches a face and a corner, or two edges, of the points' hull: all of them tried."""
    rng = np.random.default_rng(seed)
    xyz = np.column_stack([rng.uniform(-20, 20, (10, 2)), rng.normal(0, 0.3, 10)])
    edges = [xyz[j] - xyz[i] for i, j in combinations(range(10), 2)]
    normals = np.array([np.cross(a, b) for a, b in combinations(edges, 2)])
    size = np.linalg.norm(normals, axis=1)
    normals = normals[size > 1e-9] / size[size > 1e-9, None]
    heights = normals @ xyz.T
    narrowest = float(np.ptp(heights, axis=1).min())
    assert fit_plane(Points(xyz), robust=False, form="minimum-zone").form["flatness"] == pytest.approx(
        narrowest, rel=1e-9
    )


@pytest.mark.parametrize("seed", range(3))
def test_straightness_in_space_is_the_thinnest_cylinder(seed: int) -> None:
    """Against scipy's SLSQP: the least h with every squared distance from the line below h², several starts."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(seed)
    xyz = np.column_stack([rng.normal(0, 0.1, (15, 2)), np.linspace(-50, 50, 15)])

    def room(p: np.ndarray) -> np.ndarray:
        axis = np.array([p[2] / 50, p[3] / 50, 1.0]) / np.sqrt(1 + (p[2] ** 2 + p[3] ** 2) / 2500)
        off = xyz - [p[0], p[1], 0.0]
        return np.asarray(p[4] ** 2 - np.sum((off - np.outer(off @ axis, axis)) ** 2, axis=1))

    rule = [{"type": "ineq", "fun": room}]
    starts = np.column_stack([rng.normal(0, 0.05, (6, 4)), np.full(6, 0.5)])
    ends = [
        minimize(lambda p: p[4], p, constraints=rule, method="SLSQP", options={"ftol": 1e-14, "maxiter": 500})
        for p in starts
    ]
    best = min(end.fun for end in ends if room(end.x).min() > -1e-10)
    found = fit_line(Points(xyz), robust=False, form="minimum-zone").form["straightness"]
    assert found == pytest.approx(2 * best, rel=1e-6)


def test_roundness_in_space_is_that_in_its_plane() -> None:
    rng = np.random.default_rng(3)
    turn = np.linspace(0, 6, 40)
    flat = (30 + rng.normal(0, 0.05, 40))[:, None] * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(40)])
    turned = flat @ np.linalg.qr(rng.normal(size=(3, 3)))[0]
    wobbling = turned + rng.normal(0, 1e-7, turned.shape)
    exact, free = (fit_circle(Points(xyz), form="minimum-zone").form for xyz in (flat, wobbling))
    assert free["roundness"] == pytest.approx(exact["roundness"], abs=1e-6)
    assert exact["roundness"] <= exact["roundness_least_squares"]


def test_minimum_zone_comes_on_demand_only() -> None:
    xyz = np.column_stack([np.random.default_rng(1).normal(size=(9, 2)), np.linspace(0, 9, 9)])
    assert list(fit_line(Points(xyz), form="none").form) == []
    assert list(fit_line(Points(xyz)).form) == ["straightness_least_squares"]
