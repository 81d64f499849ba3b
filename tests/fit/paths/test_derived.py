"""What follows from a path, against shapely, ezdxf and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from fit.errors import CannotDetermine, InputError
from fit.paths import (
    Chain,
    chord_between,
    curvature_along,
    fit_path,
    length_between,
    marks_along,
    offset_path,
    polyline,
    radius_suggestions,
)
from fit.paths.offset import offset_chain

PIECES = [(60.0, 0.0), (30.0, 20.0), (50.0, 0.0), (12.0, -12.0), (40.0, 0.0)]


@pytest.fixture
def path(walk):
    label = np.full(400, "", dtype="<U5")
    label[[50, 300]] = ["start", "stop"]
    return fit_path(walk(PIECES, 400, 0.03, label=label))


def shapely_line(chain: Chain, parts: int = 4000):
    from shapely.geometry import LineString

    from fit.paths.chain import locate

    return LineString(locate(chain, np.linspace(0, chain.lengths.sum(), parts))[0])


def test_ezdxf_and_shapely_measure_the_polyline_to_the_same_length(path):
    """ezdxf turns the bulges into its own lines and arcs; their parameters and shapely's measure give the length."""
    import ezdxf

    space = ezdxf.new().modelspace()
    drawn = space.add_lwpolyline([(x, y, b) for x, y, b in polyline(path.chain)], format="xyb")
    pieces = list(drawn.virtual_entities())
    assert sum(_length(item) for item in pieces) == pytest.approx(path.feature["length"], abs=1e-6)
    assert sum(_shapely_length(item) for item in pieces) == pytest.approx(path.feature["length"], abs=1e-6)


def _length(item) -> float:
    if item.dxftype() == "LINE":
        return (item.dxf.end - item.dxf.start).magnitude
    span = np.radians((item.dxf.end_angle - item.dxf.start_angle) % 360)
    return float(item.dxf.radius * span)


def _shapely_length(item) -> float:
    """shapely's own measure of fine chords, brought to the arc by Richardson's h² extrapolation."""
    from shapely.geometry import LineString

    if item.dxftype() == "LINE":
        return LineString([(p.x, p.y) for p in (item.dxf.start, item.dxf.end)]).length
    first, span = np.radians(item.dxf.start_angle), np.radians((item.dxf.end_angle - item.dxf.start_angle) % 360)
    lengths = []
    for parts in (200, 400):
        angle = first + span * np.linspace(0, 1, parts + 1)
        lengths.append(LineString(item.dxf.radius * np.column_stack([np.cos(angle), np.sin(angle)])).length)
    return lengths[1] + (lengths[1] - lengths[0]) / 3


@pytest.mark.parametrize(("side", "sign"), [("left", -1), ("right", 1)])
def test_offset_changes_each_radius_and_the_length_by_the_turn(path, side, sign):
    """length ± distance × total turn (J. Steiner's formula for parallel curves)."""
    moved = offset_path(path, 5.0, side)
    turn = sum(s["turn"] for s in path.feature.segments if s.kind == "arc")
    assert moved.feature["length"] == pytest.approx(path.feature["length"] + sign * 5.0 * turn, abs=1e-9)
    for old, new in zip(path.feature.segments, moved.feature.segments, strict=True):
        if old.kind == "arc":
            assert new["radius"] == pytest.approx(old["radius"] + sign * 5.0 * np.sign(old["turn"]), abs=1e-9)
            assert new.value("radius").u95 == pytest.approx(old.value("radius").u95, rel=1e-4)


def test_offset_agrees_with_shapely(path):
    moved = offset_path(path, 5.0, "left")
    outside = shapely_line(path.chain).offset_curve(5.0, quad_segs=400)
    assert outside.length == pytest.approx(moved.feature["length"], abs=2e-3)
    assert outside.hausdorff_distance(shapely_line(moved.chain)) < 0.05


def test_an_arc_that_vanishes_is_told(path):
    moved = offset_path(path, 15.0, "right")
    assert [s.kind for s in moved.feature.segments] == ["line", "arc", "line", "line"]
    (notice,) = moved.notices
    assert notice.code == "arc-collapsed"
    outside = shapely_line(path.chain).offset_curve(-15.0, quad_segs=400)
    assert outside.length == pytest.approx(moved.feature["length"], abs=5e-3)


def test_outer_corners_are_rounded_and_inner_ones_trimmed():
    """A 60 × 40 rectangle moved outwards by 5: 200 + 2 π 5; inwards: 200 − 8 × 5."""
    square = np.ones(4, dtype=bool)
    chain = Chain(
        np.zeros(2),
        0.0,
        np.array([60.0, 40, 60, 40]),
        np.zeros(4),
        np.array([0, 1, 1, 1]) * np.pi / 2,
        ~square,
        square,
        True,
    )
    outer, inner = offset_chain(chain, -5.0), offset_chain(chain, 5.0)
    assert outer.chain.lengths.sum() == pytest.approx(200 + 10 * np.pi)
    assert inner.chain.lengths.sum() == pytest.approx(160.0)
    with pytest.raises(CannotDetermine, match=r"vanishes|no longer meet"):
        offset_chain(chain, 25.0)


def test_length_and_chord_between_named_points(path):
    length = length_between(path, "start", "stop")
    assert length.value == pytest.approx(250 * 192 / 400, abs=1.5 * length.u95)
    assert 0.05 < length.u95 < 0.3
    assert chord_between(path, "start", "stop").value < length.value
    with pytest.raises(InputError, match="start, stop"):
        length_between(path, "start", "nowhere")


def test_marks_are_even_and_on_the_path(path):
    at, places = marks_along(path, 30.0)
    assert np.ptp(np.diff(at)) < 1e-9
    assert at[-1] == pytest.approx(path.feature["length"])
    assert len(places) == len(at) == 7
    with pytest.raises(InputError):
        marks_along(path, 0.0)


def test_curvature_along_shows_both_bends(path):
    table = curvature_along(path, 0.5)
    assert table[:, 1].max() == pytest.approx(1 / 20, rel=0.02)
    assert table[:, 1].min() == pytest.approx(-1 / 12, rel=0.04)


def test_round_radii_are_suggested_and_not_applied(path):
    words = {(s.segment, s.words) for s in radius_suggestions(path.feature)}
    assert ("path 2", "20 mm") in words
    assert ("path 4", "12 mm") in words
    assert path.feature.segments[1]["radius"] != 20.0
