"""Straight edges from points of which a stretch was led astray: left out with a warning, refused, or a bow that is kept."""

from __future__ import annotations

import numpy as np
import pytest

from capture.edges.picked_line import fit_picked_line
from fit.errors import CannotDetermine
from fit.points import Points

ALONG = np.arange(0.0, 60.0, 0.3)
SLOPE = 0.05


def edge_points(aside: np.ndarray) -> Points:
    """Points along a line of known slope, moved across it by `aside` mm, with 0.01 mm of noise."""
    rng = np.random.default_rng(4)
    y = SLOPE * ALONG + aside + rng.normal(0, 0.01, len(ALONG))
    normal = np.tile([0.0, 1.0, 0.0], (len(ALONG), 1))
    return Points(np.column_stack([ALONG, y, np.zeros_like(y)]), np.full(len(ALONG), 0.01), normal)


def slope(line) -> float:
    return float((line["y2"] - line["y1"]) / (line["x2"] - line["x1"]))


@pytest.mark.parametrize("start, end", [(0.7, 1.0), (0.0, 0.25), (0.4, 0.7)])
def test_a_stretch_along_another_edge_is_left_out_and_told(start, end):
    share = ALONG / 60
    astray = (share >= start) & (share < end)
    line, kept, notices = fit_picked_line(edge_points(np.where(astray, 1.6, 0.0)), 8.0)
    assert [notice.code for notice in notices] == ["stray-stretch"] and "1.6 mm beside" in notices[0].text
    assert slope(line) == pytest.approx(SLOPE, abs=3e-4) and len(kept) <= (~astray).sum()
    assert line["y1"] - SLOPE * line["x1"] == pytest.approx(0.0, abs=0.01)


def test_half_on_one_edge_and_half_on_another_is_refused():
    with pytest.raises(CannotDetermine, match=r"leap between two edges up to 1\.6 mm apart"):
        fit_picked_line(edge_points(np.where(ALONG < 30, 1.6, 0.0)), 8.0)


def test_a_bow_and_lone_strays_are_no_leap():
    bow = 0.6 * np.sin(np.pi * ALONG / 60)
    line, kept, notices = fit_picked_line(edge_points(bow), 8.0)
    assert not notices and len(kept) == len(ALONG)
    assert slope(line) == pytest.approx(SLOPE, abs=2e-3)
    lone = np.zeros(len(ALONG))
    lone[[20, 90, 150]] = 1.0
    line, kept, notices = fit_picked_line(edge_points(lone), 8.0)
    assert not notices and len(kept) >= len(ALONG) - 8 and slope(line) == pytest.approx(SLOPE, abs=3e-4)


@pytest.mark.parametrize("ends", [(True, False), (False, True), (True, True)])
def test_a_line_marked_into_a_rounded_corner_keeps_its_straight_part(ends):
    """3 mm past the tangent point of a 5 mm corner the edge lies 5 - sqrt(25 - 9) = 1 mm beside the line."""
    past = [np.maximum(ALONG - 57.0, 0.0) * ends[1], np.maximum(3.0 - ALONG, 0.0) * ends[0]]
    aside = sum(5.0 - np.sqrt(25.0 - p**2) for p in past)
    line, kept, (notice,) = fit_picked_line(edge_points(aside), 8.0)
    assert notice.code == "stray-stretch" and "turns away" in notice.text
    assert slope(line) == pytest.approx(SLOPE, abs=5e-4) and 0.8 * len(ALONG) < len(kept) < len(ALONG)


@pytest.mark.parametrize(("radius", "told"), [(150.0, True), (700.0, False)])
def test_a_curve_marked_as_a_straight_edge_is_told(radius, told):
    """60 mm of a circle turn by 60 / R: 23° at 150 mm, 4.9° at 700 mm."""
    x = ALONG - 30.0
    _, kept, notices = fit_picked_line(edge_points(np.sqrt(radius**2 - x**2) - radius), 8.0)
    assert len(kept) == len(ALONG)
    assert [notice.code for notice in notices] == ["bent-edge"] * told
    assert not told or "about 23°" in notices[0].text
