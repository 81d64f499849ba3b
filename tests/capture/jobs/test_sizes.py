"""Dimensions of a job: general tolerances after the standard, verdicts, checks by caliper, photos compared."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from capture.jobs.general import general_tolerance
from capture.jobs.keys import DimensionKeys
from capture.jobs.made import add_made
from capture.jobs.several import average
from capture.jobs.sizes import feature_named, size_of
from fit.feature import KIND_ORDER, Feature
from fit.points import Points


def hole(
    name: str, x: float, y: float, diameter: float, u: float = 0.01, shared: dict[str, float] | None = None
) -> Feature:
    """A hole whose centre and diameter are known to u, and whose diameter moves with the shared sources given."""
    moves = np.zeros((len(shared or {}), 7))
    moves[:, 6] = list((shared or {}).values())
    cov = np.diag([u**2, u**2, 0, 0, 0, 0, u**2])
    return Feature(name, "circle", KIND_ORDER["circle"], [x, y, 0, 0, 0, 1, diameter], cov, moves, tuple(shared or {}))


def dimension(**keys: object) -> DimensionKeys:
    return DimensionKeys.model_validate(keys)


HOLES = {"hole 1": hole("hole 1", 0, 0, 8), "hole 2": hole("hole 2", 30, 40, 6), "hole 3": hole("hole 3", 60, 0, 6)}


# ISO 2768-1:1989, tables 1, 2 and 3, read from tests/references/iso2768_1.json
def test_general_tolerances_are_those_of_the_standard(root: Path) -> None:
    table = json.loads((root / "tests/references/iso2768_1.json").read_text())
    lower = table["linear_lower"]
    for grade, figures in table["linear_pm"].items():
        below = lower
        for upper, figure in zip(table["linear_upper"], figures, strict=True):
            assert general_tolerance("distance", upper, grade) == figure
            assert (
                general_tolerance("diameter", math.nextafter(below, 1e9) if below != lower else lower, grade) == figure
            )
            below = upper
    assert general_tolerance("distance", 4001, "m") is None and general_tolerance("distance", 0.4, "m") is None
    assert general_tolerance("radius", 7.0, "c") == table["broken_edge_pm"]["c"][2]
    for leg, minutes in zip((5, 50, 100, 400, 500), table["angle_pm_minutes"]["m"], strict=True):
        assert general_tolerance("angle", math.pi / 2, "m", leg) == pytest.approx(math.radians(minutes / 60))
    assert general_tolerance("angle", math.pi / 2, "m") is None


def test_a_distance_with_its_limits_and_whether_it_is_known_well_enough() -> None:
    keys = dimension(kind="distance", **{"from": "hole 1"}, to="hole 2", nominal=50.1, tolerance=0.3)
    found = size_of(keys, HOLES, None).dimension
    assert found is not None
    assert found.value.value == pytest.approx(50.0) and found.verdict == "inside"
    assert (found.lower, found.upper) == (pytest.approx(49.8), pytest.approx(50.4))
    assert found.extra["accurate_enough"] == "yes" and found.extra["largest_source"] == "scatter of the points"
    tight = size_of(keys.model_copy(update={"tolerance": 0.11}), HOLES, None)
    assert tight.dimension is not None and tight.dimension.verdict == "not proven"
    outside = size_of(keys.model_copy(update={"nominal": 51.0}), HOLES, None)
    assert outside.dimension is not None and outside.dimension.verdict == "outside"
    assert [notice.code for notice in outside.notices] == ["out-of-tolerance"]


def test_the_class_of_the_job_holds_where_a_dimension_has_no_tolerance() -> None:
    keys = dimension(kind="diameter", of="hole 1", nominal=8)
    found = size_of(keys, HOLES, "f").dimension
    assert found is not None and found.upper == pytest.approx(8.1) and found.extra["tolerance_from"] == "ISO 2768-f"
    own = size_of(keys.model_copy(update={"general_tolerance": "c"}), HOLES, "f").dimension
    assert own is not None and own.upper == pytest.approx(8.5)
    plain = size_of(keys, HOLES, None).dimension
    assert plain is not None and plain.verdict is None


def test_over_all_pitch_circle_and_sizes_of_one_feature() -> None:
    over = size_of(dimension(kind="over_all", of=["hole *"], direction="x"), HOLES, None).dimension
    assert over is not None and over.value.value == pytest.approx(60 + 4 + 3)
    pitch = size_of(dimension(kind="pitch_circle", of="hole *"), HOLES, None).dimension
    centre_to_centre = np.hypot(*(np.array(pitch.extra["centre"][:2]))) if pitch else 0.0
    assert pitch is not None and pitch.value.value / 2 == pytest.approx(centre_to_centre)  # through hole 1 at 0, 0
    radius = size_of(dimension(kind="radius", of="hole 1"), HOLES, None).dimension
    assert radius is not None and radius.value.value == 4.0
    assert radius.value.u95 == pytest.approx(HOLES["hole 1"].value("diameter").u95 / 2)


def test_a_size_the_kind_does_not_have_is_left_out_with_the_reason() -> None:
    found = size_of(dimension(kind="width", of="hole 1"), HOLES, None)
    assert found.dimension is None and "no width" in found.notices[0].text
    found = size_of(dimension(kind="radius", of="hole 9"), HOLES, None)
    assert found.dimension is None and "'hole 9' was not measured" in found.notices[0].text
    assert "nearest known one is 'hole" in found.notices[0].text
    found = size_of(dimension(kind="radius", of="hole 9"), HOLES, None, ["hole 1", "hole 9"])
    assert found.notices[0].text == "'hole 9' was not measured, so 'radius of hole 9' is left out."


@pytest.mark.parametrize(
    ("limits", "verdict"), [([49.9, 50.1], "not proven"), ([70, 80], "not proven"), ([30, 40], "outside"), (None, None)]
)
def test_the_length_of_a_marked_line_is_the_least_of_its_edge(limits: list[float] | None, verdict: str | None) -> None:
    order = KIND_ORDER["line"]
    values = [{"x2": 30.0, "y2": 40.0, "length": 50.0}.get(key, 0.0) for key in order]
    none = np.zeros((0, len(order)))
    line = Feature("edge", "line", order, values, np.eye(len(order)) * 1e-6, none, ())
    found = size_of(dimension(kind="length", of="edge", limits=limits), {"edge": line}, None)
    assert found.dimension is not None and found.dimension.verdict == verdict
    codes = [notice.code for notice in found.notices]
    assert "line-ends" in codes and ("out-of-tolerance" in codes) == (verdict == "outside")


def test_the_length_of_an_open_path_says_what_its_ends_are(outline: Feature) -> None:
    opened = replace(outline, closed=False)
    keys = dimension(kind="length", of="outline", limits=[0, 1e4])
    found = size_of(keys, {"outline": opened}, None)
    assert found.dimension is not None and found.dimension.verdict == "inside"
    assert [notice.code for notice in found.notices] == ["line-ends"]
    assert not size_of(keys, {"outline": outline}, None).notices


def test_a_caliper_check_agrees_or_says_what_it_means_for_the_print() -> None:
    """Normalised error by hand: U95 = 1.96·√(2·0.01²) = 0.0277; reading ±1.96·0.02 = 0.0392; together 0.0480."""
    keys = dimension(kind="distance", **{"from": "hole 1"}, to="hole 2", check=50.03)
    agrees = size_of(keys, HOLES, None)
    assert agrees.dimension is not None
    assert agrees.dimension.extra["check"]["en"] == pytest.approx(-0.03 / 0.0480, abs=0.001)
    assert agrees.notices[0].code == "check-agrees"
    differs = size_of(keys.model_copy(update={"check": 50.25}), HOLES, None)
    assert differs.notices[0].code == "check-disagrees" and "1.00500" in differs.notices[0].text


def test_photos_are_averaged_by_weight_and_shared_errors_stay() -> None:
    """Weights 4 : 1 from variances 1 : 4; the shared 0.02 does not average out."""
    a, b = (hole("h", 0, 0, d, u, {"caliper:x": 0.02}) for d, u in ((8.00, 0.01), (8.01, 0.02)))
    found = average({"a": a, "b": b}, same_axes=True)
    diameter = found.feature.value("diameter")
    assert diameter.value == pytest.approx(8.002)
    assert diameter.own == pytest.approx((0.8 * 0.01) ** 2 + (0.2 * 0.02) ** 2)
    assert diameter.shared[0] == pytest.approx(0.02)
    assert found.left_out == () and not found.notices


def test_photos_that_scatter_too_much_widen_the_interval() -> None:
    a, b = hole("h", 0, 0, 8.0), hole("h", 0, 0, 8.1)
    found = average({"a": a, "b": b}, same_axes=True)
    ratio = 0.1 / math.sqrt(2) / 0.01  # Birge ratio of two values 0.1 apart, each known to 0.01
    assert found.chi == pytest.approx(ratio)
    assert found.feature.value("diameter").u == pytest.approx(0.01 / math.sqrt(2) * ratio)
    assert found.notices[0].code == "photos-disagree"


def test_the_outlier_among_three_photos_is_named_and_left_out() -> None:
    photos = {name: hole("h", 0, 0, d) for name, d in (("a", 8.0), ("b", 8.005), ("c", 8.3))}
    found = average(photos, same_axes=True)
    assert found.left_out == ("c",) and "Photo c" in found.notices[0].text
    assert found.feature["diameter"] == pytest.approx(8.0025)


def test_places_come_from_one_photo_where_the_part_moved_between_them() -> None:
    found = average({"a": hole("h", 0, 0, 8.0), "b": hole("h", 25, 3, 8.01)}, same_axes=True)
    assert found.feature["x"] == 0.0 and found.feature["diameter"] == pytest.approx(8.005)
    assert [notice.code for notice in found.notices] == ["places-differ"]


@pytest.fixture(scope="module")
def outline() -> Feature:
    """A stadium, 100 between centres and R 20, as a measured closed path."""
    from fit.paths import fit_path

    rng = np.random.default_rng(4)
    s = np.linspace(0, 1, 100, endpoint=False)
    turn = np.pi * np.linspace(0, 1, 60, endpoint=False)
    ring = [
        np.column_stack([-50 + 100 * s, np.full(100, -20.0)]),
        np.column_stack([50 + 20 * np.sin(turn), -20 * np.cos(turn)]),
        np.column_stack([50 - 100 * s, np.full(100, 20.0)]),
        np.column_stack([-50 - 20 * np.sin(turn), 20 * np.cos(turn)]),
    ]
    xy = np.vstack(ring) + rng.normal(0, 0.02, (320, 2))
    points = Points(np.column_stack([xy, np.zeros(320)]), noise=np.full(320, 0.02))
    return fit_path(points, closed=True, name="outline").feature.renamed("outline")


def test_an_outline_moved_outwards_is_longer_by_a_full_turn(outline: Feature) -> None:
    """Steiner's formula: a closed curve's parallel at d is longer by 2π·d; arcs of R 20 become R 26."""
    from capture.jobs.keys import FeatureKeys

    features = {"outline": outline}
    keys = FeatureKeys.model_validate(
        {"name": "laminate", "kind": "offset", "of": "outline", "offset": 6, "side": "out"}
    )
    assert add_made([keys], features) == []
    moved = features["laminate"]
    assert moved["length"] == pytest.approx(outline["length"] + 12 * math.pi, abs=1e-6)
    assert sorted(s.kind for s in moved.segments) == ["arc", "arc", "line", "line"]
    for piece in moved.segments:
        if piece.kind == "arc":
            assert piece["radius"] == pytest.approx(26, abs=4 * piece.value("radius").u95)
        else:
            assert abs(piece["y1"]) == pytest.approx(26, abs=0.05)
    inside = keys.model_copy(update={"name": "inside", "side": "in"})
    add_made([inside], features)
    assert features["inside"]["length"] == pytest.approx(outline["length"] - 12 * math.pi, abs=1e-6)


def test_pieces_of_a_path_have_names(outline: Feature) -> None:
    features = {"outline": outline, "a.2": HOLES["hole 1"]}
    assert feature_named(features, "outline.1") is not None
    assert feature_named(features, "outline.9") is None
    assert feature_named(features, "a.2") is HOLES["hole 1"]
    kinds = [s.kind for s in outline.segments]
    arcs = [f"outline.{i}" for i, kind in enumerate(kinds, 1) if kind == "arc"]
    across = size_of(dimension(kind="distance", **{"from": arcs[0]}, to=arcs[1]), features, None).dimension
    assert across is not None and across.value.value == pytest.approx(100, abs=3 * across.value.u95)


@pytest.mark.parametrize(("x", "y", "truth"), [(10, 5, 15), (0, -12, 8), (62, 3, 20 - math.hypot(12, 3)), (-80, 0, 10)])
def test_a_hole_to_the_edge_of_an_outline(outline: Feature, x: float, y: float, truth: float) -> None:
    """Nearest place on the stadium: straight above or below a line, along the radius of an end."""
    features = {"outline": outline, "hole": hole("hole", x, y, 6)}
    found = size_of(dimension(kind="distance", **{"from": "hole"}, to="outline"), features, None).dimension
    assert found is not None and abs(found.value.value - truth) <= 1.5 * found.value.u95 < 0.1
