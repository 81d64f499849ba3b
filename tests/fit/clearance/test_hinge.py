"""A hinge axis from marked points: exact example, coverage, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fit.clearance.hinge import fit_hinge, read_marks
from fit.clearance.motion import rotation_about
from fit.errors import CannotDetermine, InputError


def turned(marks, point, direction, angles):
    turn = rotation_about(direction, np.radians(angles))
    return np.einsum("jab,mb->jma", turn, marks - point) + point


def test_reference_axis(root):
    # tests/references/registration_examples.json, hinge_axis: exact, unit quaternion (4, 1, 2, 2)/5 about (10, 20, 30)
    example = json.loads((root / "tests/references/registration_examples.json").read_text())["hinge_axis"]
    hinge = fit_hinge(np.array([example["moving_points"], example["moved"]], float))
    assert hinge.direction == pytest.approx(example["axis_direction"], abs=1e-9)
    assert hinge.point == pytest.approx(example["axis_point_nearest_origin"], abs=1e-9)
    assert np.degrees(hinge.angles[1]) == pytest.approx(73.73979529168803, abs=1e-9)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_arcs_of_few_marks_are_enough(count):
    direction = np.array([2.0, -6.0, 3.0]) / 7
    point = np.array([40.0, 10.0, 90.0])
    marks = np.random.default_rng(count).uniform(-200, 200, (count, 3))
    hinge = fit_hinge(turned(marks, point, direction, [0, 25, 50, 80]))
    assert hinge.direction == pytest.approx(direction, abs=1e-9)
    assert np.cross(point - hinge.point, direction) == pytest.approx([0, 0, 0], abs=1e-7)


def test_a_mark_left_out_at_one_opening_does_no_harm():
    direction, point = np.array([0.0, -1.0, 0.0]), np.array([5.0, 0.0, 95.0])
    seen = turned(np.array([[300.0, 0, 90], [350, 200, 80], [100, 150, 100]]), point, direction, [0, 20, 45])
    seen[1, 2] = np.nan
    assert fit_hinge(seen).direction == pytest.approx(direction, abs=1e-9)


def test_stated_errors_are_those_of_repeats():
    direction = np.array([0.1, -1.0, 0.2]) / np.sqrt(1.05)
    point = np.array([10.0, 20.0, 95.0])
    point = point - (point @ direction) * direction
    exact = turned(np.array([[300.0, 0, 90], [350, 200, 80], [100, 150, 100]]), point, direction, [0, 20, 45, 70])
    rng = np.random.default_rng(5)
    found = [fit_hinge(exact + rng.normal(0, 0.1, exact.shape), noise=0.1) for _ in range(150)]
    errors = np.array([np.concatenate([f.point - point, f.direction - direction]) for f in found])
    ratio = errors.std(axis=0) / np.sqrt(np.diag(found[0].cov))
    assert np.all((ratio > 0.8) & (ratio < 1.2))  # 150 repeats know a spread to 6 %


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        (np.zeros((2, 3, 3)), "hardly|not at all"),
        (np.zeros((1, 3, 3)), "more touches"),
        (np.linspace(0, 1, 3)[:, None, None] * np.ones((3, 4, 3)), "along one line"),
    ],
)
def test_marks_that_carry_no_axis_are_refused(marks, words):
    with pytest.raises(CannotDetermine, match=words):
        fit_hinge(marks)


def test_marks_file(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text("# unit inch\nopening,mark,x,y,z\nshut,a,1,0,0\nshut,b,2,0,0\nopen,a,0,0,1\n")
    marks = read_marks(path)
    assert marks.shape == (2, 2, 3)
    assert marks[0, 1, 0] == pytest.approx(50.8)
    assert np.isnan(marks[1, 1]).all()


@pytest.mark.parametrize(
    ("text", "words"),
    [("shut,a,1,0,0\n", "unit"), ("# mm\nshut,a,1,0\n", "line 2"), ("# mm\nshut,a,1,0,word\n", "line 2")],
)
def test_bad_marks_file(tmp_path, text, words):
    path = tmp_path / "marks.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_marks(path)
