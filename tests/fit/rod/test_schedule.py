"""Corners to schedule and back, against worked schedules."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from fit.errors import EdgewrightError
from fit.rod import Schedule, corners_of_schedule, reversed_schedule, schedule_of_axes, schedule_of_corners
from fit.rod.typed import parse_corners, parse_radius, parse_schedule

REFERENCES = Path(__file__).parents[2] / "references"
EXAMPLES = json.loads((REFERENCES / "rod_schedule.json").read_text())["examples"]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["name"])
def test_worked_schedules(example: dict) -> None:
    """rod_schedule.json: four corner lists, recomputed by geometry; B's points from a public forum question."""
    schedule = schedule_of_corners(example["points"], example["centreline_radius"])
    np.testing.assert_allclose(schedule.straight, example["straight"], atol=1e-9)
    np.testing.assert_allclose(np.degrees(schedule.bend), example["bend_deg"], atol=1e-9)
    np.testing.assert_allclose(np.degrees(schedule.rotation), example["rotation_deg"], atol=1e-9)
    np.testing.assert_allclose(schedule.arc, example["arc"], atol=1e-9)
    assert schedule.cut_length == pytest.approx(example["cut"], abs=1e-9)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["name"])
def test_schedule_back_to_corners(example: dict) -> None:
    """The rebuilt corners are the given ones but for one rotation and shift, to 1e-9."""
    points = np.array(example["points"])
    rebuilt = corners_of_schedule(schedule_of_corners(points, example["centreline_radius"]))
    a, b = points - points.mean(axis=0), rebuilt - rebuilt.mean(axis=0)
    u, _, v = np.linalg.svd(b.T @ a)
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ v))]) @ v
    np.testing.assert_allclose(b @ turn, a, atol=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_both_ways_at_random(seed: int) -> None:
    random = np.random.default_rng(seed)
    n = int(random.integers(1, 8))
    turns = random.uniform(-np.pi, np.pi, n)
    turns[0] = 0
    made = Schedule(
        random.uniform(0, 300, n + 1), turns, np.radians(random.uniform(1, 170, n)), random.uniform(5, 60, n)
    )
    corners = corners_of_schedule(made, random.normal(size=3), random.normal(size=3), random.normal(size=3))
    found = schedule_of_corners(corners, made.radius)
    for name in ("straight", "rotation", "bend"):
        np.testing.assert_allclose(getattr(found, name), getattr(made, name), atol=1e-9)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["name"])
def test_end_for_end(example: dict) -> None:
    """A schedule turned about is the schedule of the corners read backwards, with the same sense of rotation."""
    radius = np.atleast_1d(example["centreline_radius"])
    turned = reversed_schedule(schedule_of_corners(example["points"], radius))
    backwards = schedule_of_corners(example["points"][::-1], radius[::-1])
    np.testing.assert_allclose(turned.straight, backwards.straight, atol=1e-9)
    np.testing.assert_allclose(np.cos(turned.rotation), np.cos(backwards.rotation), atol=1e-9)
    np.testing.assert_allclose(np.sin(turned.rotation), np.sin(backwards.rotation), atol=1e-9)


def test_marks_of_both_ends_are_the_same_places() -> None:
    schedule = schedule_of_corners(EXAMPLES[2]["points"], EXAMPLES[2]["centreline_radius"])
    from_b = schedule.cut_length - reversed_schedule(schedule).marks[::-1, ::-1]
    np.testing.assert_allclose(schedule.marks, from_b, atol=1e-9)


def test_bs8666_shape_11_exact_deduction() -> None:
    """One 90° bend in round bar: BS 8666:2005 shape code 11, exact column (geometry)."""
    text = (REFERENCES / "bs8666_shape11.csv").read_text().splitlines()
    rows = list(csv.reader(line for line in text if not line.startswith("#")))[1:]
    for d, inside, _, exact, _ in [[float(c) for c in row] for row in rows]:
        a, b = 400.0, 300.0  # outside legs; the centre line lies d/2 inside
        corners = [[0, 0, 0], [a - d / 2, 0, 0], [a - d / 2, b - d / 2, 0]]
        schedule = schedule_of_corners(corners, inside + d / 2)
        assert a + b - schedule.cut_length == pytest.approx(exact, abs=5e-5)


def test_planar_s_bend_turns_by_plus_180() -> None:
    schedule = schedule_of_corners([[0, 0, 0], [100, 0, 0], [169, 40, 0], [269, 40, 0]], 30)
    assert math.degrees(schedule.rotation[1]) == 180.0


def test_axes_that_pass_each_other_keep_their_angles() -> None:
    schedule = schedule_of_axes([[0, 0, 0], [50, 0, 0.4]], [[50, 0, 0], [50, 60, 0.4]], 10)
    assert math.degrees(schedule.bend[0]) == pytest.approx(90)
    np.testing.assert_allclose(schedule.straight, [40, 50])


BAD = {
    "two corners": lambda: schedule_of_corners([[0, 0, 0], [1, 0, 0]], 5),
    "flat list": lambda: schedule_of_corners([1, 2, 3], 5),
    "two columns": lambda: schedule_of_corners([[0, 0], [1, 0], [1, 1]], 5),
    "NaN corner": lambda: schedule_of_corners([[0, 0, 0], [math.nan, 0, 0], [1, 1, 0]], 5),
    "infinite corner": lambda: schedule_of_corners([[0, 0, 0], [math.inf, 0, 0], [1, 1, 0]], 5),
    "coinciding corners": lambda: schedule_of_corners([[0, 0, 0], [0, 0, 0], [90, 90, 0]], 5),
    "in line": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [90, 0.1, 0]], 5),
    "hairpin": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [0, 0.5, 0]], 5),
    "overlapping bends": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [50, 20, 0], [90, 20, 0]], 15),
    "leg shorter than tangent": lambda: schedule_of_corners([[0, 0, 0], [5, 0, 0], [5, 50, 0]], 15),
    "zero radius": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [50, 50, 0]], 0),
    "negative radius": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [50, 50, 0]], -3),
    "NaN radius": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [50, 50, 0]], math.nan),
    "too many radii": lambda: schedule_of_corners([[0, 0, 0], [50, 0, 0], [50, 50, 0]], [3, 4]),
    "corner text with words": lambda: parse_corners("0,0,zero; 1,1,1"),
    "corner text with two": lambda: parse_corners("0,0; 1,1"),
    "corner text NaN": lambda: parse_corners("0,0,nan; 1,1,1"),
    "empty corners": lambda: schedule_of_corners(parse_corners(""), 5),
    "radius text": lambda: parse_radius("wide"),
    "radius text negative": lambda: parse_radius("-5"),
    "radius text zero": lambda: parse_radius("0"),
    "empty radius in list": lambda: parse_radius("5,,5"),
    "schedule without colons": lambda: parse_schedule("10;20", (5.0,)),
    "schedule of one row": lambda: parse_schedule("10", (5.0,)),
    "schedule without radius": lambda: parse_schedule("10:0:90;20", ()),
    "schedule wrong radii": lambda: parse_schedule("10:0:90;20", (5.0, 6.0)),
    "schedule bend over 180": lambda: parse_schedule("10:0:190;20", (5.0,)),
    "schedule bend zero": lambda: parse_schedule("10:0:0;20", (5.0,)),
    "schedule bend negative": lambda: parse_schedule("10:0:-90;20", (5.0,)),
    "schedule straight negative": lambda: parse_schedule("-10:0:90;20", (5.0,)),
    "schedule rotation over 180": lambda: parse_schedule("10:0:90;20:270:90;5", (5.0,)),
    "schedule with words": lambda: parse_schedule("10:0:square;20", (5.0,)),
    "feed of length 0": lambda: corners_of_schedule(schedule_of_corners(EXAMPLES[0]["points"], 20), feed=(0, 0, 0)),
    "normal along feed": lambda: corners_of_schedule(schedule_of_corners(EXAMPLES[0]["points"], 20), normal=(1, 0, 0)),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_clear_line(case: str) -> None:
    with pytest.raises(EdgewrightError) as stop:
        BAD[case]()
    assert "\n" not in str(stop.value)
    assert len(str(stop.value)) > 20
