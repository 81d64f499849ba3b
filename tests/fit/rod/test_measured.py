"""Touched rods: truth inside U95, strays, skew, tip centres told by the known diameter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rod_world import RodWorld, touched_rod

from fit.errors import EdgewrightError
from fit.points import Points
from fit.rod import RodInputs, measure_rod
from fit.rod.shapes import features_of, surface_points


def _inputs(rod: float, radius: float | None, **more) -> RodInputs:
    given = {"radius": () if radius is None else (radius,), "tip": 3.0, "points": "centre"}
    return RodInputs(rod, **{**given, **more})


def _misses(found, truth):
    """(error, u95) of every figure, mm and radians."""
    pairs = [*zip(found.straight, truth.straight, strict=True), *zip(found.bend, truth.bend, strict=True)]
    pairs += [(found.cut_length, truth.cut_length)]
    misses = [(value.value - true, value.u95) for value, true in pairs]
    for value, true in zip(found.rotation[1:], truth.rotation[1:], strict=True):
        misses.append(((value.value - true + np.pi) % (2 * np.pi) - np.pi, value.u95))
    return misses


def test_truth_lies_inside_u95() -> None:
    """10 rods, 100 figures: at least 90 % inside (95 % less three standard errors); tests/bench counts more."""
    misses = []
    for seed in range(10):
        points, truth, rod = touched_rod(seed)
        misses += _misses(measure_rod(points, _inputs(rod, truth.radius[0])), truth)
    inside = np.mean([abs(error) <= u95 for error, u95 in misses])
    assert inside >= 0.90
    assert max(abs(error) / u95 for error, u95 in misses) < 2.5


def test_without_noise_it_is_exact() -> None:
    points, truth, rod = touched_rod(3, RodWorld(noise=1e-7))
    for error, _ in _misses(measure_rod(points, _inputs(rod, truth.radius[0])), truth):
        assert abs(error) < 1e-5


def test_radius_from_touches_on_the_bends() -> None:
    points, truth, rod = touched_rod(5, RodWorld(per_bend=10))
    found = measure_rod(points, _inputs(rod, None))
    for value in found.radius:
        assert abs(value.value - truth.radius[0]) <= 1.5 * value.u95
    assert all(abs(error) <= 1.5 * u95 for error, u95 in _misses(found, truth))


def test_tip_error_moves_figures_as_its_mode_says() -> None:
    """A tip that is one standard uncertainty larger moves each figure by that figure's shared part."""
    points, truth, rod = touched_rod(1)
    exact = measure_rod(points, _inputs(rod, truth.radius[0], tip_u=0.1))
    larger = measure_rod(points, _inputs(rod, truth.radius[0], tip=3.1, tip_u=0.1))
    figures = [*zip(exact.straight, larger.straight, strict=True), (exact.cut_length, larger.cut_length)]
    for before, after in figures:
        assert after.value - before.value == pytest.approx(before.shared[0], abs=0.002)
    assert exact.cut_length.budget()["tip"] > 0


def test_stray_touches_are_named_and_left_out() -> None:
    points, truth, rod = touched_rod(4)
    xyz = points.xyz.copy()
    xyz[[5, 40]] += [[0.0, 2.5, 1.5], [3.0, 0.0, 2.0]]
    found = measure_rod(replace(points, xyz=xyz), _inputs(rod, truth.radius[0]))
    assert [n.feature for n in found.notices if n.code == "stray-touch"] == ["run_1", "run_3"]
    assert all(abs(error) <= 2 * u95 for error, u95 in _misses(found, truth))


def test_axes_that_pass_each_other_are_told_and_widen_u95() -> None:
    points, truth, rod = touched_rod(6, RodWorld(bends=1))
    plain = measure_rod(points, _inputs(rod, truth.radius[0]))
    first, last = plain.axes.ends_of_runs()
    normal = np.cross(last[0] - first[0], last[1] - first[1])
    shift = np.where(points.label[:, None] == "run_2", 0.6 * normal / np.linalg.norm(normal), 0.0)
    found = measure_rod(replace(points, xyz=points.xyz + shift), _inputs(rod, truth.radius[0]))
    assert "axes-skew" in [n.code for n in found.notices]
    assert found.skew[0] == pytest.approx(0.6, abs=0.1)
    assert found.cut_length.u95 > plain.cut_length.u95


def test_rod_diameter_tells_centres_from_surface() -> None:
    points, truth, rod = touched_rod(2)
    told = measure_rod(points, _inputs(rod, truth.radius[0], points=None))
    assert told.inputs.points == "centre"
    surface = surface_points(told)
    again = measure_rod(
        replace(surface, noise=None, shared=None, shared_names=()), RodInputs(rod, radius=(truth.radius[0],))
    )
    assert again.cut_length.value == pytest.approx(told.cut_length.value, abs=0.02)


def test_features_carry_what_was_measured() -> None:
    points, truth, rod = touched_rod(7)
    features = {f.name: f for f in features_of(measure_rod(points, _inputs(rod, truth.radius[0])))}
    assert list(features) == ["run_1", "run_2", "run_3", "run_4", "end_a", "end_b"]
    assert features["run_2"].kind == "cylinder"
    assert features["run_2"]["diameter"] == rod
    cosine = features["end_a"].vector(("nx", "ny", "nz")) @ features["run_1"].vector(("nx", "ny", "nz"))
    assert cosine == pytest.approx(-1)


def _without(points: Points, *names: str) -> Points:
    return points.select(~np.isin(points.label, names))


def test_missing_end_leaves_its_straight_out() -> None:
    points, truth, rod = touched_rod(8)
    found = measure_rod(_without(points, "end_b"), _inputs(rod, truth.radius[0]))
    assert found.straight[-1] is None
    assert found.cut_length is None
    assert abs(found.straight[0].value - truth.straight[0]) < 0.3
    assert "end-missing" in [n.code for n in found.notices]


def test_end_touches_that_disagree_are_refused() -> None:
    points, truth, rod = touched_rod(10, RodWorld(per_end=2))
    row = np.flatnonzero(points.label == "end_a")[0]
    first = measure_rod(points, _inputs(rod, truth.radius[0])).axes.ends_of_runs()
    unit = (first[1][0] - first[0][0]) / np.linalg.norm(first[1][0] - first[0][0])
    xyz = points.xyz.copy()
    xyz[row] += 2.0 * unit
    with pytest.raises(EdgewrightError, match="end_a: its touches disagree"):
        measure_rod(replace(points, xyz=xyz), _inputs(rod, truth.radius[0]))


POINTS, TRUTH, ROD = touched_rod(9)
RADIUS = float(TRUTH.radius[0])
BAD = {
    "no radius": lambda: measure_rod(POINTS, _inputs(ROD, None)),
    "no runs": lambda: measure_rod(_without(POINTS, "run_1", "run_2", "run_3", "run_4"), _inputs(ROD, RADIUS)),
    "no names": lambda: measure_rod(POINTS.named(""), _inputs(ROD, RADIUS)),
    "one run": lambda: measure_rod(_without(POINTS, "run_2", "run_3", "run_4"), _inputs(ROD, RADIUS)),
    "missing run": lambda: measure_rod(_without(POINTS, "run_2"), _inputs(ROD, RADIUS)),
    "few touches": lambda: measure_rod(POINTS.select(np.r_[0:3, 18:80]), _inputs(ROD, RADIUS)),
    "bend of no run": lambda: measure_rod(
        replace(POINTS, label=np.where(POINTS.label == "end_a", "bend_9", POINTS.label)), _inputs(ROD, RADIUS)
    ),
    "wrong rod diameter": lambda: measure_rod(POINTS, _inputs(ROD * 3, RADIUS)),
    "inch rod diameter": lambda: measure_rod(POINTS, _inputs(ROD / 25.4, RADIUS)),
    "centres as surface": lambda: measure_rod(POINTS, _inputs(ROD, RADIUS, points="surface")),
    "wrong tip": lambda: measure_rod(POINTS, _inputs(ROD, RADIUS, tip=6.0)),
    "centres without tip": lambda: measure_rod(POINTS, _inputs(ROD, RADIUS, tip=0.0)),
    "negative tip": lambda: measure_rod(POINTS, _inputs(ROD, RADIUS, tip=-3.0)),
    "NaN tip": lambda: measure_rod(POINTS, _inputs(ROD, RADIUS, tip=np.nan)),
    "zero diameter": lambda: measure_rod(POINTS, _inputs(0.0, RADIUS)),
    "NaN diameter": lambda: measure_rod(POINTS, _inputs(np.nan, RADIUS)),
    "negative radius": lambda: measure_rod(POINTS, _inputs(ROD, -3.0)),
    "NaN radius": lambda: measure_rod(POINTS, _inputs(ROD, np.nan)),
    "radius list": lambda: measure_rod(POINTS, RodInputs(ROD, radius=(20.0, 30.0), tip=3.0, points="centre")),
    "points in inches": lambda: measure_rod(replace(POINTS, xyz=POINTS.xyz / 25.4), _inputs(ROD, RADIUS)),
    "radius too large": lambda: measure_rod(POINTS, _inputs(ROD, 5000.0)),
    "touches at one place": lambda: measure_rod(
        replace(POINTS, xyz=np.where((POINTS.label == "run_1")[:, None], POINTS.xyz[0], POINTS.xyz)),
        _inputs(ROD, RADIUS),
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_clear_line(case: str) -> None:
    with pytest.raises(EdgewrightError) as stop:
        BAD[case]()
    assert "\n" not in str(stop.value)
    assert len(str(stop.value)) > 20


def test_runs_tell_their_cylindricity_and_ends_their_flatness() -> None:
    """A zone (ISO 12180-1, ISO 12781-1) is never wider than the residuals' spread about the rod's own axis or end."""
    points, truth, rod = touched_rod(5)
    for feature in features_of(measure_rod(points, _inputs(rod, truth.radius[0]))):
        zone = feature.form["cylindricity" if feature.kind == "cylinder" else "flatness"]
        assert 0 < zone <= np.ptp(feature.residuals) + 1e-9
    exact, truth, rod = touched_rod(5, RodWorld(noise=1e-7))
    for feature in features_of(measure_rod(exact, _inputs(rod, truth.radius[0]))):
        assert max(feature.form.values()) < 1e-5


def test_too_few_touches_on_an_end_show_no_flatness() -> None:
    points, truth, rod = touched_rod(5, RodWorld(per_end=3))
    ends = [f for f in features_of(measure_rod(points, _inputs(rod, truth.radius[0]))) if f.kind == "plane"]
    assert [dict(end.form) for end in ends] == [{}, {}]
