"""Compression, strain, cut lengths and corners against the reference data."""

from __future__ import annotations

import csv
import json
import math

import numpy as np
import pytest

from fit.errors import InputError
from fit.seal import (
    RANGES,
    BendLimits,
    Range,
    bend_strain,
    compression,
    cut_tolerance,
    edge_of,
    fitting_heights,
    seal_line,
    section_tolerance,
    squeeze_of,
    tightest_corners,
)


@pytest.fixture(scope="module")
def checks(root):
    """tests/references/seal_checks.json, each item with its source."""
    items = json.loads((root / "tests/references/seal_checks.json").read_text())["items"]
    return {item["name"]: item for item in items}


def test_compression_of_the_reference(checks):
    for case in checks["compression percent"]["cases"]:
        assert 100 * compression(case["free"], case["gap"]) == pytest.approx(case["percent"])


def test_bend_strain_of_the_reference(checks):
    for case in checks["bend strain of a profile"]["cases"]:
        assert bend_strain(case["y"], case["Rn"]) == pytest.approx(case["strain"])


def test_shipped_ranges_are_those_of_the_reference(checks):
    gasket, bulb = checks["published compression ranges"]["ranges"][:2]
    assert 100 * RANGES["gasket"].aim == pytest.approx(gasket["ideal_percent"])
    assert 100 * RANGES["gasket"].most == pytest.approx(gasket["max_percent"])
    assert gasket["min_percent"] == "10-15"
    assert 100 * RANGES["gasket"].least == pytest.approx(15)
    assert "50" in bulb["max_percent"]
    assert 100 * RANGES["bulb"].most == pytest.approx(50)


def test_bulb_of_12_mm():
    # acceptance example: aim gap 7.8, accept 6.0 to 9.6
    assert compression(12, 7.8) == pytest.approx(0.35)
    assert compression(12, 6.0) == pytest.approx(0.50)
    assert compression(12, 9.6) == pytest.approx(0.20)


def test_cut_length_tolerances(root):
    # tests/references/rubber_cut_length.csv: RMA L1-L3; above 4000 mm 0.16, 0.32, 0.50 %
    lines = [
        line for line in (root / "tests/references/rubber_cut_length.csv").read_text().splitlines() if line[0] != "#"
    ]
    for row in csv.DictReader(lines):
        for grade in ("L1", "L2", "L3"):
            assert cut_tolerance(float(row["to_mm"]), grade).limit == float(row[grade])
            assert cut_tolerance(float(row["over_mm"]) + 0.01, grade).limit == float(row[grade])
    assert [cut_tolerance(5000, grade).limit for grade in ("L1", "L2", "L3")] == pytest.approx([8, 16, 25])


@pytest.mark.parametrize(
    ("gap", "u", "verdict"),
    [
        (7.8, 0.1, "inside"),
        (9.6, 0.1, "not proven"),
        (11, 0.1, "outside"),
        (5, 0.1, "outside"),
        (9.7, None, "outside"),
        (7, None, "inside"),
    ],
)
def test_verdict_follows_the_interval(gap, u, verdict):
    assert squeeze_of(0.0, (gap, u), (12.0, 0.0), RANGES["bulb"]).verdict == verdict


def test_squeeze_u95_holds_over_repeats():
    rng = np.random.default_rng(3)
    free, gap = rng.normal(12, 0.2, 4000), rng.normal(8, 0.25, 4000)
    held = [
        abs(found.share - 1 / 3) <= found.u95
        for found in (squeeze_of(0, (g, 0.25), (f, 0.2), RANGES["bulb"]) for f, g in zip(free, gap, strict=True))
    ]
    assert 0.93 <= np.mean(held) <= 0.97


def test_heights_that_fit_all_gaps():
    low, high = fitting_heights([6.0, 7.0, 7.5], RANGES["bulb"])
    assert compression(low, 7.5) == pytest.approx(0.20)
    assert compression(high, 6.0) == pytest.approx(0.50)
    assert fitting_heights([4.0, 9.0], RANGES["bulb"])[0] > fitting_heights([4.0, 9.0], RANGES["bulb"])[1]


def test_tightest_corner_by_direction_of_bending(made):
    # counter-clockwise with one inward bend: bulb outside the loop lies inside that bend only
    edge = edge_of(made.walk([80, (30, 90), 60, (40, -70), 90, (25, 120), 50]))
    corners = {
        corner.direction: corner for corner in tightest_corners(seal_line(edge, 5.0, "right"), BendLimits(20, 30))
    }
    assert corners["outside"].edge_radius.value == 25
    assert corners["outside"].line_radius == pytest.approx(30)
    assert corners["outside"].verdict == "outside"  # 25 on the edge, 30 asked for
    assert corners["inside"].edge_radius.value == 40
    assert corners["inside"].line_radius == pytest.approx(35)
    assert corners["inside"].verdict == "inside"
    assert math.degrees(abs(corners["inside"].turn)) == pytest.approx(70)
    assert corners["outside"].strain == pytest.approx(5 / 25)


def test_without_a_limit_it_is_asked_not_assumed(made):
    line = seal_line(edge_of(made.rounded_rectangle(600, 400, 50)), 3.5)
    unknown = tightest_corners(line, BendLimits())
    assert [(corner.limit, corner.verdict) for corner in unknown] == [(None, None)]
    by_practice = tightest_corners(line, BendLimits(), height=12.0)[0]
    assert (by_practice.limit, by_practice.limit_known, by_practice.verdict) == (60.0, False, "outside")


def test_sharp_corner_has_no_radius(made):
    square = made.walk([100, ("corner", 90), 80, ("corner", 90), 100, ("corner", 90), 80, ("corner", 90)], closed=True)
    corner = tightest_corners(seal_line(edge_of(square), 3.0), BendLimits(10, 10))[0]
    assert (corner.edge_radius.value, corner.direction, corner.verdict) == (0.0, "outside", "outside")


@pytest.mark.parametrize(
    "figures", [(0.5, 0.35, 0.2), (0.2, 0.6, 0.5), (0.0, 0.3, 0.5), (0.2, 0.5, 1.0), (0.2, 0.1, 0.5)]
)
def test_range_upside_down(figures):
    with pytest.raises(InputError, match="must rise"):
        Range(*figures, "typed")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: compression(0, 1), "free height"),
        (lambda: compression(-2, 1), "free height"),
        (lambda: compression(math.nan, 1), "free height"),
        (lambda: compression(10, -1), "gap"),
        (lambda: compression(10, math.inf), "gap"),
        (lambda: bend_strain(3, 0), "radius"),
        (lambda: bend_strain(3, -5), "radius"),
        (lambda: cut_tolerance(100, "L9"), "class"),
        (lambda: cut_tolerance(0, "L1"), "cut length"),
        (lambda: BendLimits(inside=-1), "bulb inside"),
        (lambda: BendLimits(outside=math.nan), "bulb outside"),
    ],
)
def test_figures_that_make_no_sense(call, words):
    with pytest.raises(InputError, match=words):
        call()


def test_section_tolerances(root):
    # tests/references/iso3302_1_extrusions.csv: ISO 3302-1 Table 2, E1-E3
    lines = (root / "tests/references/iso3302_1_extrusions.csv").read_text().splitlines()
    for row in csv.DictReader([line for line in lines if line[0] != "#"]):
        for grade in ("E1", "E2", "E3"):
            assert section_tolerance(float(row["to_mm"]), grade) == float(row[grade])
    for size, grade, words in ((101, "E1", "up to 100"), (-1, "E1", "above 0"), (12, "E9", "class")):
        with pytest.raises(InputError, match=words):
            section_tolerance(size, grade)
