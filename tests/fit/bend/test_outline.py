"""Flanges along an outline: checked as polygons with shapely and by unfolded sizes."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from fit.bend import bend_deduction
from fit.bend.outline import Flange, Fold, flanged_outline, straight_edges
from fit.drawing.model import Arc, Polyline
from fit.errors import EdgewrightError

FOLD = Fold(radius=2.0, thickness=1.5, k=0.42)
RIGHT = math.pi / 2
ROUND = math.tan(math.pi / 8)
PLATE = Polyline(((0, 0, 0), (90, 0, ROUND), (100, 10, 0), (100, 50, ROUND), (90, 60, 0), (0, 60, 0)), closed=True)
"""100 x 60 mm, counter-clockwise, with 10 mm corners on the right."""


def polygon_of(outline: Polyline) -> Polygon:
    points = []
    for piece in outline.pieces():
        if isinstance(piece, Arc):
            turns = np.linspace(piece.start, piece.start + piece.span, 200)
            points += [(piece.x + piece.radius * math.cos(a), piece.y + piece.radius * math.sin(a)) for a in turns]
        else:
            points += [(piece.x1, piece.y1), (piece.x2, piece.y2)]
    return Polygon(points)


def mirrored(outline: Polyline) -> Polyline:
    """The same shape walked clockwise."""
    bulges = [v[2] for v in outline.vertices]
    turned = [(x, y, -bulges[i - 1]) for i, (x, y, _) in enumerate(outline.vertices)]
    return Polyline(tuple(turned[::-1]), closed=True)


def test_reach_is_height_less_deduction() -> None:
    """Folding a flange takes one bend deduction: reach = H − BD (definition)."""
    made = flanged_outline(PLATE, [Flange(3, 15.0, RIGHT)], FOLD)
    assert made.reach[0] == pytest.approx(15.0 - float(bend_deduction(RIGHT, 2.0, 1.5, 0.42)))
    box = polygon_of(made.outline).bounds
    assert box[2] == pytest.approx(100 + made.reach[0])


CHOICES = [(1,), (3,), (5,), (6,), (1, 6), (1, 3), (5, 6), (1, 3, 5, 6)]


@pytest.mark.parametrize("edges", CHOICES, ids=str)
@pytest.mark.parametrize("angle", [60.0, 90.0, -90.0, 120.0])
def test_blank_is_one_sound_polygon(edges: tuple[int, ...], angle: float) -> None:
    made = flanged_outline(PLATE, [Flange(n, 25.0, math.radians(angle)) for n in edges], FOLD)
    blank = polygon_of(made.outline)
    assert blank.is_valid
    for line in made.lines:
        assert blank.buffer(1e-6).contains(LineString([(line.x1, line.y1), (line.x2, line.y2)]))
    assert blank.area > polygon_of(PLATE).area


def test_reliefs_clear_the_bend_beside_metal() -> None:
    """Edge 3 lies between two corner arcs: a slot one T wide and T past the bend at either end."""
    made = flanged_outline(PLATE, [Flange(3, 15.0, RIGHT)], FOLD)
    blank = polygon_of(made.outline)
    for y in (10.75, 49.25):
        assert not blank.contains(LineString([(95.05, y), (104, y)]).centroid)
        free = LineString([(95.01, y), (104, y)])
        assert blank.intersection(free).length < 1e-9
    assert made.lines[0].y1 == pytest.approx(11.5)


def test_walked_the_other_way_round() -> None:
    """The outer side is found by itself: edge 3 of the plate is edge 3 of its mirror list too, with equal reach."""
    other = mirrored(PLATE)
    edge = next(n for n in straight_edges(other) if {other.vertices[n - 1][0], other.vertices[n % 6][0]} == {100})
    a = polygon_of(flanged_outline(PLATE, [Flange(3, 15.0, RIGHT)], FOLD).outline)
    b = polygon_of(flanged_outline(other, [Flange(edge, 15.0, RIGHT)], FOLD).outline)
    assert a.symmetric_difference(b).area < 1e-6


def test_box_of_four_flanges_folds_shut() -> None:
    """An open box: neighbouring flanges keep clear of one another and of both bends."""
    square = Polyline(((0, 0, 0), (80, 0, 0), (80, 60, 0), (0, 60, 0)), closed=True)
    made = flanged_outline(square, [Flange(n, 20.0, RIGHT) for n in (1, 2, 3, 4)], FOLD)
    blank = polygon_of(made.outline)
    assert blank.is_valid
    inset = 2.0 + 1.5 + 1.5
    reach = made.reach[0]
    expected = (80 - 2 * inset) * (60 - 2 * inset) + 2 * (80 - 2 * inset + 60 - 2 * inset) * (reach + inset)
    assert blank.area == pytest.approx(expected)


BAD = {
    "curved edge": [Flange(2, 15.0, RIGHT)],
    "no such edge": [Flange(9, 15.0, RIGHT)],
    "edge zero": [Flange(0, 15.0, RIGHT)],
    "twice": [Flange(3, 15.0, RIGHT), Flange(3, 10.0, RIGHT)],
    "lower than its set-back": [Flange(3, 3.0, RIGHT)],
    "angle zero": [Flange(3, 15.0, 0.0)],
    "angle 180": [Flange(3, 15.0, math.pi)],
    "height NaN": [Flange(3, math.nan, RIGHT)],
}


@pytest.mark.parametrize("case", BAD)
def test_bad_flanges_are_one_clear_line(case: str) -> None:
    with pytest.raises(EdgewrightError) as stop:
        flanged_outline(PLATE, BAD[case], FOLD)
    assert "\n" not in str(stop.value)
    assert len(str(stop.value)) > 20


def test_inner_corner_and_short_edges_are_refused() -> None:
    ell = Polyline(((0, 0, 0), (80, 0, 0), (80, 30, 0), (40, 30, 0), (40, 60, 0), (0, 60, 0)), closed=True)
    with pytest.raises(EdgewrightError, match="inner corner"):
        flanged_outline(ell, [Flange(3, 15.0, RIGHT), Flange(4, 15.0, RIGHT)], FOLD)
    with pytest.raises(EdgewrightError, match="too short"):
        flanged_outline(Polyline(((0, 0, 0), (8, 0, 0), (8, 60, 0), (0, 60, 0)), True), [Flange(1, 15.0, RIGHT)], FOLD)
    with pytest.raises(EdgewrightError, match="closed outline"):
        flanged_outline(Polyline(((0, 0, 0), (80, 0, 0), (80, 30, 0))), [Flange(1, 15.0, RIGHT)], FOLD)


def test_measured_outline_keeps_its_holes(edgewright, tmp_path, parts) -> None:
    import ezdxf

    from fit.outputs import write_result
    from fit.results import Results

    plate = parts.path("outline", parts.rounded_plate(120.0, 80.0, 10.0))
    results = Results(frame="print", features=[plate, parts.hole("hole 1", 40, 30, 8), parts.hole("hole 2", 80, 5, 6)])
    write_result(tmp_path / "in", results)
    shown = edgewright("bend", tmp_path / "in", "-o", tmp_path / "edges", "--outline")
    assert shown.code == 0, shown
    edge = json.loads((tmp_path / "edges" / "results.json").read_text())["bend"]["edges"][0]["edge"]
    words = ["--flange", f"{edge}:20:90", "--radius=2", "--thickness=1.5", "--k=0.42±0.02"]
    done = edgewright("bend", tmp_path / "in", "-o", tmp_path / "out", *words)
    assert done.code == 0, done
    kinds = [e.dxftype() for e in ezdxf.readfile(tmp_path / "out" / "cut_mm.dxf").modelspace() if e.dxf.layer == "cut"]
    before = [
        e.dxftype() for e in ezdxf.readfile(tmp_path / "edges" / "cut_mm.dxf").modelspace() if e.dxf.layer == "cut"
    ]
    assert sorted(kinds) == sorted(before)
    assert kinds.count("CIRCLE") == 2


def test_hole_near_a_flange_is_told(edgewright, tmp_path, parts) -> None:
    from fit.outputs import write_result
    from fit.results import Results

    plate = parts.path("outline", parts.rounded_plate(120.0, 80.0, 10.0))
    near = parts.hole("hole 1", 60, 7, 6)
    write_result(tmp_path / "in", Results(frame="print", features=[plate, near]))
    edgewright("bend", tmp_path / "in", "-o", tmp_path / "edges", "--outline")
    edges = json.loads((tmp_path / "edges" / "results.json").read_text())["bend"]["edges"]
    told = []
    for edge in edges:
        words = ["--flange", f"{edge['edge']}:20:90", "--radius=2", "--thickness=1.5", "--k=0.42±0.02"]
        edgewright("bend", tmp_path / "in", "-o", tmp_path / "out", *words)
        warnings = json.loads((tmp_path / "out" / "results.json").read_text())["warnings"]
        told += [w["code"] for w in warnings if w["code"] == "hole-near-bend"]
    assert told == ["hole-near-bend"]
