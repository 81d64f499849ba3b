"""The README's first run, on the shipped photo, against the exact sizes that the photo was rendered from."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest

SIZE_LIMIT, DISTANCE_LIMIT = 0.08, 0.06  # mm: a sharp-edged plate seen square-on


@pytest.fixture(scope="module")
def truth(request) -> dict:
    return json.loads((request.config.rootpath / "sample_sets/bench_plate/truth.json").read_text())


@pytest.fixture
def results(edgewright, root, tmp_path) -> dict:
    photo = root / "sample_sets/bench_plate/photo1.jpg"
    readings = ("--print-x", "179.1", "--print-y", "239.4", "--height", "1.93", "--height-u", "0.02")
    ran = edgewright("photo", photo, "-o", tmp_path / "out", *readings)
    assert ran.code == 0 and "each part of it is predicted by the rest to 0.0" in ran.out and "next shot" not in ran.out
    assert "The shot, and the next one" in (tmp_path / "out" / "report.html").read_text()
    return json.loads((tmp_path / "out" / "results.json").read_text())


def test_sample_is_measured_true(results, truth):
    pattern_top = truth["targets"][0]["pattern_mm_true"][1]
    holes = [f for f in truth["features"] if f["kind"] == "hole"]
    (slot,) = (f for f in truth["features"] if f["kind"] == "slot")
    found = [f["values"] for f in results["features"] if f["kind"] == "circle"]
    assert len(found) == len(holes) == 4
    pairs = []
    for hole in holes:
        place = np.array([hole["centre_world"][0], pattern_top - hole["centre_world"][1]])
        pairs.append((place, hole["diameter"], min(found, key=lambda v: np.hypot(*(middle(v) - place)))))
    for place, diameter, values in pairs:
        check(values["diameter"], diameter, SIZE_LIMIT)
        assert np.hypot(*(middle(values) - place)) < 0.15
    for (a, _, seen_a), (b, _, seen_b) in itertools.combinations(pairs, 2):
        assert np.hypot(*(middle(seen_a) - middle(seen_b))) == pytest.approx(np.hypot(*(a - b)), abs=DISTANCE_LIMIT)
    (values,) = (f["values"] for f in results["features"] if f["kind"] == "slot")
    check(values["width"], slot["width"], SIZE_LIMIT)
    check(values["length"], slot["length_overall"], SIZE_LIMIT)


def middle(values: dict) -> np.ndarray:
    return np.array([values["x"]["value"], values["y"]["value"]])


def check(figure: dict, true: float, limit: float) -> None:
    """Near enough, and inside the interval that was claimed."""
    assert figure["value"] == pytest.approx(true, abs=limit)
    assert abs(figure["value"] - true) <= figure["u95"]


def test_shipped_photo_is_small(root):
    assert (root / "sample_sets/bench_plate/photo1.jpg").stat().st_size <= 3_000_000
