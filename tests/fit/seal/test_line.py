"""Length of a seal's own line against closed forms, published checks and shapely; its U95 against repeats."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest
from shapely import LinearRing, LineString, Polygon
from shapely import distance as distance_between
from shapely import points as points_of

from fit.errors import CannotDetermine, InputError
from fit.paths.chain import layout, locate
from fit.seal.line import edge_of, seal_line

TILT = np.array([[9, -12, 20], [20, 15, 0], [-12, 16, 15]]) / 25  # exact rotation, unit quaternion (4, 1, 2, 2)/5
TURNED_OVER = np.diag([1.0, -1.0, -1.0])  # the face looks down: left stays left as seen on it


@pytest.fixture(scope="module")
def checks(root):
    """tests/references/seal_checks.json: geometry and definitions, each with its source."""
    items = json.loads((root / "tests/references/seal_checks.json").read_text())["items"]
    return {item["name"]: item for item in items}


@pytest.mark.parametrize("tilt", [None, TILT, TURNED_OVER])
@pytest.mark.parametrize("clockwise", [False, True])
def test_rounded_rectangle_of_the_reference(checks, made, clockwise, tilt):
    for case in checks["rounded rectangle centre line"]["cases"]:
        edge = edge_of(made.rounded_rectangle(case["a"], case["b"], case["r"], clockwise, tilt=tilt))
        assert edge.chain.lengths.sum() == pytest.approx(case["length"], abs=1e-9)
        assert abs(edge.turn.value) == pytest.approx(2 * math.pi)


@pytest.mark.parametrize("tilt", [None, TILT, TURNED_OVER])
@pytest.mark.parametrize("clockwise", [False, True])
def test_parallel_offset_of_the_reference(checks, made, clockwise, tilt):
    # Steiner's formula for parallel curves: L + 2πd
    for case in checks["parallel offset of a closed simple path"]["cases"]:
        path = made.rounded_rectangle(600, 400, 50, clockwise, tilt=tilt)
        assert path["length"] == pytest.approx(case["L0"], abs=1e-9)
        line = seal_line(edge_of(path), case["d"])
        assert line.length.value == pytest.approx(case["L"], abs=1e-9)
        assert line.per_mm == pytest.approx(2 * math.pi)
        side = "out" if case["d"] > 0 else "in"
        assert seal_line(edge_of(path), abs(case["d"]), side).length.value == pytest.approx(case["L"], abs=1e-9)


def dense(chain) -> np.ndarray:
    """Points along a chain, close enough together for 1e-7 of its length."""
    pieces = []
    ends = np.concatenate([[0.0], np.cumsum(chain.lengths)])
    for i, (a, b) in enumerate(itertools.pairwise(ends)):
        count = 2 if chain.curvatures[i] == 0 else 20001
        pieces.append(locate(chain, np.linspace(a, b, count) - 1e-12)[0])
    return np.concatenate(pieces)


CHAINS = {
    "hook": ([80, (30, 90), 60, (40, -70), 90, (25, 120), 50], False),
    "s": ([50, (60, 45), (60, -45), 50], False),
    "stadium": ([200, (50, 180), 200, (50, 180)], True),
    "triangle": ([100, (20, 120), 100, (20, 120), 100, (20, 120)], True),
}


@pytest.mark.parametrize("distance", [6.0, -6.0, 12.5])
@pytest.mark.parametrize("name", CHAINS)
def test_offset_equals_shapely(made, name, distance):
    steps, closed = CHAINS[name]
    edge = edge_of(made.walk(steps, closed=closed))
    line = seal_line(edge, distance, "left")
    moved = dense(line.moved.chain)
    length = LineString(moved).length
    # every place of the moved line lies at the distance asked for (shapely's own offsets first simplify the line)
    apart = distance_between(LineString(dense(edge.chain)), points_of(moved[:: len(moved) // 60]))
    assert apart == pytest.approx(np.full(len(apart), abs(distance)), abs=1e-6)
    assert line.length.value == pytest.approx(length, abs=1e-6 * length)
    turned = edge.chain.lengths.sum() - distance * edge.turn.value
    assert line.length.value == pytest.approx(turned, abs=1e-9)


@pytest.mark.parametrize("tilt", [TILT, -TILT @ np.diag([1.0, 1.0, -1.0]), TURNED_OVER])
def test_an_open_path_keeps_its_sides_wherever_its_face_looks(made, tilt):
    steps = CHAINS["hook"][0]
    for side in ("left", "right"):
        flat, turned = (seal_line(edge_of(made.walk(steps, tilt=to)), 6.0, side) for to in (None, tilt))
        assert turned.length.value == pytest.approx(flat.length.value, abs=1e-9)


def test_sharp_corners_round_outside_and_meet_inside(made):
    square = made.walk([100, ("corner", 90), 80, ("corner", 90), 100, ("corner", 90), 80, ("corner", 90)], closed=True)
    edge = edge_of(square)
    ring = LinearRing([(0, 0), (100, 0), (100, 80), (0, 80)])
    outside = Polygon(ring).buffer(7, quad_segs=20000).exterior.length
    assert seal_line(edge, 7, "out").length.value == pytest.approx(outside, abs=1e-6 * outside)
    assert seal_line(edge, 7, "in").length.value == pytest.approx(2 * (86 + 66), abs=1e-9)


def test_an_arc_tighter_than_the_offset_becomes_a_corner(made):
    line = seal_line(edge_of(made.rounded_rectangle(200, 100, 4)), 10, "in")
    assert line.length.value == pytest.approx(2 * (180 + 80), abs=1e-6)
    assert len(line.moved.collapsed) == 4


def test_direction_of_arcs_is_found_without_a_turn(made):
    from dataclasses import replace

    path = made.walk([80, (30, 90), 60, (40, -70), 90])
    bare = tuple(
        part
        if part.kind == "line"
        else replace(
            part, order=part.order[:9], values=part.values[:9], cov_own=part.cov_own[:9, :9], shared=part.shared[:, :9]
        )
        for part in path.segments
    )
    known, found = edge_of(path).chain, edge_of(replace(path, segments=bare)).chain
    assert found.curvatures == pytest.approx(known.curvatures)
    assert layout(found).joints == pytest.approx(layout(known).joints, abs=1e-9)


def test_open_line_length_and_u95_hold_over_repeats(made):
    # an edge walked 120 times with noise of 0.1 mm, fitted each time: the offset line's stated U95 holds its true length
    from fit.paths.path import fit_path
    from fit.points import Points

    true = made.walk([120, (45, 80), 90, (60, -50), 110])
    exact = seal_line(edge_of(true), 8.0).length.value
    chain = edge_of(true).chain
    total = float(chain.lengths.sum())
    along = np.linspace(0, total, 250)
    rng = np.random.default_rng(2)
    held, ratios = [], []
    for _ in range(60):
        flat = locate(chain, along)[0] + rng.normal(0, 0.1, (250, 2))
        fit = fit_path(Points(np.c_[flat, np.zeros(250)], noise=0.1))
        line = seal_line(edge_of(fit.feature), 8.0)
        held.append(abs(line.length.value - exact) <= line.length.u95)
        ratios.append((line.length.value - exact) / line.length.u)
    assert np.mean(held) >= 0.88  # 60 repeats of a true 95 % fall below this once in a hundred
    assert 0.7 < np.std(ratios) < 1.35


@pytest.mark.parametrize("side", ["out", "in", "above"])
def test_open_path_has_no_outside(made, side):
    with pytest.raises(InputError, match="left or right"):
        seal_line(edge_of(made.walk([50, (20, 90), 50])), 3.0, side)


def test_offset_beyond_what_is_there_is_refused(made):
    with pytest.raises(CannotDetermine, match="by less"):
        seal_line(edge_of(made.walk([(10, 180), (10, 180)], closed=True)), 11, "in")


def test_broken_path_is_refused(made):
    from dataclasses import replace

    path = made.walk([50, (20, 90), 50])
    with pytest.raises(InputError, match="unbroken"):
        edge_of(replace(path, segments=(path.segments[0], path.segments[2])))
