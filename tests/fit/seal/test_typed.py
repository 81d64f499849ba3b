"""Seals from typed pieces, and clay thicknesses from text."""

from __future__ import annotations

import json
import math

import pytest

from fit.seal import edge_of, gap_map


def test_a_typed_path_equals_the_measured_one(edgewright, tmp_path):
    typed = "400±0.5, R60:90, 220, R60:90, 400, R60:90, 220, R60:90"
    outcome = edgewright("seal", "--pieces", typed, "--offset", "3.5", "-o", str(tmp_path / "out"), "--json")
    table = json.loads(outcome.out)["seal"]
    assert table["closed"]
    # rounded rectangle 520 x 340, R 60: 2(a + b) - (8 - 2 pi) r, and 2 pi d more outside (Steiner)
    length = 2 * (520 + 340) - (8 - 2 * math.pi) * 60
    assert table["edge_length"]["value"] == pytest.approx(length, abs=1e-6)
    assert table["length"]["value"] == pytest.approx(length + 2 * math.pi * 3.5, abs=1e-6)
    assert table["length"]["u95"] == pytest.approx(1.96 * 0.5 / math.sqrt(3), rel=1e-3)


def test_a_ring_has_no_straight_to_point_at(edgewright, tmp_path):
    outcome = edgewright("seal", "--pieces", "R150:180, R150:180", "--offset", "3.5", "-o", str(tmp_path / "out"))
    assert "has no straight" in outcome.out
    assert "put it on a straight" not in outcome.out


def test_thicknesses_by_place(tmp_path, made):
    edge = edge_of(made.rounded_rectangle(520, 340, 60))
    (tmp_path / "spots.csv").write_text("x,y,gap\n100,-1,7\n401,0.5,8\n")
    gaps = gap_map(edge, str(tmp_path / "spots.csv"), "mm")
    assert gaps.at == pytest.approx([100, 401], abs=1.5)


def test_thicknesses_in_inch(tmp_path, made):
    edge = edge_of(made.rounded_rectangle(520, 340, 60))
    (tmp_path / "inch.csv").write_text("# inch\n0, 0.25\n10, 0.5\n")
    gaps = gap_map(edge, str(tmp_path / "inch.csv"))
    assert gaps.gap == pytest.approx([6.35, 12.7])
    assert gaps.at == pytest.approx([0, 254])


@pytest.mark.parametrize(
    ("pieces", "words"),
    [
        ("400, R60:lots", "piece 2"),
        ("400, R60:0", "piece 2"),
        ("400, 0", "piece 2"),
        ("nan, R60:90", "piece 1"),
        ("-400, R60:90", "piece 1"),
        ("400, R60:90, 200, R60:90, 400, R60:90, 220, R60:90", "20.0 mm from where they start"),
        ("R0:90", "straights and bends"),
        ("400 km", "piece 1"),
        ("400±500", "as large as itself"),
    ],
)
def test_bad_typed_path_is_one_plain_line(edgewright, tmp_path, pieces, words):
    outcome = edgewright("seal", "--pieces", pieces, "--offset", "3", "-o", str(tmp_path / "out"))
    assert (outcome.code, outcome.err.count("\n")) == (2, 1), outcome
    assert words in outcome.err
