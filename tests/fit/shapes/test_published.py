"""Fits and uncertainties against published circles, the Pearson/York line, NIST's line and the short-arc laws."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.points import Points
from fit.shapes import fit_arc, fit_circle, fit_line, fit_plane
from fit.uncertain import propagate

REFERENCES = Path(__file__).parents[2] / "references"
# Gander, Golub & Strebel, BIT 34 (1994) 558: points from memory, digits recomputed (REFERENCES 1.1)
GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
# Coope, J. Optim. Theory Appl. 76 (1993) 381, as in the `coope` set of the R package circular (REFERENCES 1.2)
COOPE = np.array([(0.7, 4), (3.3, 4.7), (5.6, 4), (7.5, 1.3), (6.4, -1.1), (4.4, -3), (0.3, -2.5), (-1.1, 1.3)])
# Pearson 1901 with York's 1966 weights (York et al., Am. J. Phys. 72 (2004) 367)
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])


def flat(xy: np.ndarray, noise: float | None = None) -> Points:
    return Points(np.column_stack([xy, np.zeros(len(xy))]), noise=noise)


def test_coope_circle_and_its_uncertainty() -> None:
    feature = fit_circle(flat(COOPE), robust=False, form="minimum-zone")
    assert feature["x"] == pytest.approx(3.04323825158254, rel=1e-9)
    assert feature["y"] == pytest.approx(0.745678313458604, rel=1e-9)
    assert feature["diameter"] / 2 == pytest.approx(4.10585583795433, rel=1e-9)
    assert float(np.sum(feature.residuals**2)) == pytest.approx(0.295948437998299, rel=1e-9)
    u = [feature.value("x").u, feature.value("y").u, feature.value("diameter").u / 2]
    assert u == pytest.approx([0.12281, 0.12264, 0.08730], abs=6e-6)
    assert feature.form["roundness"] == pytest.approx(0.571159917443, rel=1e-9)
    assert feature.dof == 5


def test_gander_circle_and_its_minimum_zone() -> None:
    """The radius is u = 26 % of itself, so the fit refuses it; the driver's own solution is checked below it."""
    from fit.shapes.circle import CircleInPlaneModel
    from fit.shapes.solve import solve
    from fit.shapes.zone import minimum_zone

    model = CircleInPlaneModel()
    rows = np.ascontiguousarray(GANDER.T)
    solution = solve(model, model.start(rows), rows)
    assert solution.state == pytest.approx([4.73978241090607, 2.98353269929248, 4.71422603779211], rel=1e-9)
    u = 0.6396871835 * np.sqrt(np.diag(solution.inverse))
    assert u == pytest.approx([0.4776, 1.5429, 1.2243], abs=6e-5)
    assert minimum_zone(model, solution.state, rows) == pytest.approx(1.353615061605, rel=1e-9)


def test_taubin_start_is_the_published_one() -> None:
    from fit.shapes.taubin import taubin

    assert taubin(GANDER.T) == pytest.approx([4.61393269, 2.79520935, 4.87921285], rel=1e-8)
    assert taubin(COOPE.T) == pytest.approx([3.05882267, 0.74195137, 4.10939413], rel=1e-8)


def test_pearson_line_with_equal_weights() -> None:
    feature = fit_line(flat(np.column_stack([PEARSON_X, PEARSON_Y])), robust=False, form="minimum-zone")
    slope = propagate(lambda p: (p[4] - p[1]) / (p[3] - p[0]), feature)
    assert slope.value == pytest.approx(-0.545561197521, rel=1e-9)
    assert float(np.sum(feature.residuals**2)) == pytest.approx(0.618572759437, rel=1e-9)
    # minimum zone of these points: 0.3 √5 (exact)
    assert feature.form["straightness"] == pytest.approx(0.3 * math.sqrt(5), rel=1e-9)


def test_york_line_by_a_stretched_plane() -> None:
    """York's weights differ in x and y, which points with one noise each cannot say; where both are equal they can.

    Checked instead against York's equations with w(x) = w(y) = the y weights, solved here by a plain search.
    """
    from scipy.optimize import minimize_scalar

    weight = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])

    def square(slope: float) -> float:
        w = weight / (1 + slope**2)
        offset = np.sum(w * (PEARSON_Y - slope * PEARSON_X)) / np.sum(w)
        return float(np.sum(w * (PEARSON_Y - offset - slope * PEARSON_X) ** 2))

    best = minimize_scalar(square, bracket=(-0.6, -0.4), options={"xtol": 1e-12})
    points = flat(np.column_stack([PEARSON_X, PEARSON_Y]))
    feature = fit_line(replace(points, noise=1 / np.sqrt(weight)), robust=False)
    slope = (feature["y2"] - feature["y1"]) / (feature["x2"] - feature["x1"])
    assert slope == pytest.approx(best.x, rel=1e-7)
    assert float(np.sum(feature.residuals**2 * weight)) == pytest.approx(best.fun, rel=1e-9)


def test_norris_line_by_shrinking_x() -> None:
    """NIST StRD Norris: least squares in y alone is the limit of orthogonal distance with y shrunk towards nothing."""
    record = json.loads((REFERENCES / "nist_strd_norris.json").read_text())
    x, y = np.array(record["x"]), np.array(record["y"])
    slope, intercept = 1.00211681802045, -0.262323073774029
    shrink = 1e-5
    feature = fit_line(flat(np.column_stack([x, shrink * y])), robust=False)
    found = (feature["y2"] - feature["y1"]) / (feature["x2"] - feature["x1"]) / shrink
    assert found == pytest.approx(slope, rel=1e-9)
    assert feature["y1"] / shrink - found * feature["x1"] == pytest.approx(intercept, rel=1e-6)
    u = propagate(lambda p: (p[4] - p[1]) / (p[3] - p[0]) / shrink, feature).u
    assert u == pytest.approx(0.429796848199937e-3, rel=1e-6)


@pytest.mark.parametrize("arc", [30.0, 60.0, 90.0, 120.0])
def test_short_arc_law(arc: float) -> None:
    """u(R) and u(centre) per unit noise, Chernov & Lesort (2004); with known noise the fit states just these."""
    table = np.loadtxt(REFERENCES / "arc_radius_uncertainty.csv", delimiter=",", comments=("#", "n"))
    for row in table[(table[:, 1] == arc) & (table[:, 0] <= 1000)]:
        angles = np.radians(np.linspace(-arc / 2, arc / 2, int(row[0])))
        xy = 80 * np.column_stack([np.cos(angles), np.sin(angles)]) + [500, -200]
        feature = fit_arc(flat(xy, noise=0.01))
        got = [feature.value(key).u / 0.01 for key in ("radius", "x", "y")]
        assert got == pytest.approx(list(row[2:5]), rel=1e-6)


def test_plane_scatter_is_the_handbook_formula() -> None:
    """u of height at the centroid is s/√n and of a lean is s/√Σx², from the normal equations of a plane."""
    rng = np.random.default_rng(4)
    xy = rng.uniform(-50, 50, (40, 2))
    xy -= xy.mean(axis=0)
    feature = fit_plane(Points(np.column_stack([xy, rng.normal(0, 1e-4, 40)]), noise=0.02))
    assert feature.value("z").u == pytest.approx(0.02 / math.sqrt(40), rel=1e-6)
    lean = 0.02**2 * np.linalg.inv(xy.T @ xy)
    assert feature.cov_own[3:5, 3:5] == pytest.approx(lean, rel=1e-5)
