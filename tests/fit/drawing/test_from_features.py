"""From features to a drawing: view, datum, sizes, chains."""

from __future__ import annotations

import math
from types import ModuleType

import numpy as np
import pytest

from fit.drawing.files import drawing_files
from fit.drawing.from_features import MovedPath, drawing_of
from fit.drawing.layout import sketch_sheets
from fit.drawing.model import Arc, Circle, Drawing, Line, Polyline, bounds_of
from fit.drawing.sheet import Written
from fit.feature import Feature
from fit.results import Dimension, Results
from fit.rod.record import exact_figures, rod_drawing
from fit.rod.schedule import schedule_of_corners
from fit.uncertain import Value


def turned(feature: Feature, angle: float, shift: tuple[float, float, float], tilt: float = 0.0) -> Feature:
    """The feature turned about z by angle, then about x by tilt, then moved."""
    c, s, a, b = math.cos(angle), math.sin(angle), math.cos(tilt), math.sin(tilt)
    turn = np.array([[1, 0, 0], [0, a, -b], [0, b, a]]) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    values = feature.values.copy()
    places = [("x", "y", "z"), ("x1", "y1", "z1"), ("x2", "y2", "z2")]
    for keys in [*places, ("nx", "ny", "nz")]:
        if keys[0] in feature.order:
            where = [feature.index(key) for key in keys]
            values[where] = turn @ values[where] + (np.array(shift) if keys in places else 0.0)
    for key in ("start", "angle"):
        if key in feature.order and tilt == 0.0:
            values[feature.index(key)] += angle
    segments = tuple(turned(piece, angle, shift, tilt) for piece in feature.segments)
    return Feature(
        feature.name,
        feature.kind,
        feature.order,
        values,
        feature.cov_own,
        feature.shared,
        feature.shared_names,
        segments=segments,
        closed=feature.closed,
    )


def plate(parts: ModuleType) -> list[Feature]:
    return [
        parts.path("outline", parts.rounded_plate(140.0, 90.0, 12.0)),
        parts.hole("hole 1", 20.0, 25.0, 8.0),
        parts.hole("hole 2", 120.0, 25.0, 8.0),
        parts.slot("slot 1", 70.0, 60.0, (30.0, 8.0), 15.0),
    ]


def drawn(features: list[Feature], **more: object) -> Drawing:
    return drawing_of(Results("x right, y up", features=features), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("angle", [0.0, 0.3, -0.6])
def test_a_part_lying_askew_is_drawn_and_measured_from_its_own_corner(parts: ModuleType, angle: float) -> None:
    """However the part lies in the photo, places count from its lower left corner along its own edge."""
    drawing = drawn([turned(item, angle, (55.0, 40.0, 2.0)) for item in plate(parts)])
    assert bounds_of(drawing.entities) == pytest.approx((0.0, 0.0, 140.0, 90.0), abs=1e-6)
    first = next(spot for spot in drawing.spots if spot.name == "hole 1")
    assert (first.x, first.y) == pytest.approx((20.0, 25.0)) and first.x_text.startswith("20.00 ±")
    assert [size.text.split(" ")[0] for size in drawing.over_all] == ["140.00", "90.00"]
    slot = next(e for e in drawing.entities if isinstance(e, Polyline) and len(e.vertices) == 4)
    low, high = slot.vertices[0], slot.vertices[1]
    assert math.degrees(math.atan2(high[1] - low[1], high[0] - low[0])) == pytest.approx(15.0)


def test_a_tilted_face_is_seen_square(parts: ModuleType) -> None:
    """Holes in a face tilted by 40° show as true circles at true distances."""
    holes = [
        turned(parts.hole(f"hole {i}", x, y, 9.0), 0.2, (10.0, 20.0, 30.0), 0.7)
        for i, (x, y) in enumerate(((0, 0), (80, 0), (40, 60)))
    ]
    drawing = drawn(holes)
    circles = [e for e in drawing.entities if isinstance(e, Circle)]
    assert len(circles) == 3 and {round(c.radius, 9) for c in circles} == {4.5}
    apart = sorted(math.dist((a.x, a.y), (b.x, b.y)) for i, a in enumerate(circles) for b in circles[:i])
    assert apart == pytest.approx(sorted([80.0, math.hypot(40, 60), math.hypot(40, 60)]))


def test_two_holes_make_the_datum_where_there_is_no_edge(parts: ModuleType) -> None:
    """The first hole is 0, 0 and the line to the farthest one is the x axis; neither has a ± there."""
    drawing = drawn(
        [
            parts.hole("hole 1", 10.0, 10.0, 6.0),
            parts.hole("hole 2", 110.0, 10.0, 6.0),
            parts.hole("hole 3", 50.0, 70.0, 6.0),
        ]
    )
    words = {spot.name: (spot.x_text, spot.y_text) for spot in drawing.spots}
    assert words["hole 1"] == ("0", "0") and words["hole 2"][1] == "0" and words["hole 2"][0].startswith("100.00 ±")
    assert drawing.datum and "hole 1 along the line to hole 2" in drawing.datum.words


def test_what_edge_and_hole_share_cancels_in_the_place(parts: ModuleType) -> None:
    """A shift that moves hole and edge alike adds nothing to the hole's distance from the edge."""
    features = plate(parts)
    moved = []
    for item in features:
        shift = np.zeros((1, len(item.order)))
        for key in ("x", "x1", "x2"):
            if key in item.order:
                shift[0, item.index(key)] = 5.0
        pieces = tuple(
            Feature(
                p.name,
                p.kind,
                p.order,
                p.values,
                p.cov_own,
                np.array([[5.0 if k in ("x", "x1", "x2") else 0.0 for k in p.order]]),
                ("base:x",),
            )
            for p in item.segments
        )
        moved.append(
            Feature(
                item.name,
                item.kind,
                item.order,
                item.values,
                item.cov_own,
                shift,
                ("base:x",),
                segments=pieces,
                closed=item.closed,
            )
        )
    text = next(spot.x_text for spot in drawn(moved).spots if spot.name == "hole 1")
    assert float(text.split("±")[1]) < 0.05


def test_a_user_datum_keeps_its_axes(parts: ModuleType) -> None:
    """Results in a datum frame are measured along that frame, not from the part's corner."""
    drawing = drawing_of(Results("datum frame: primary datum face", features=plate(parts)[1:]))
    assert drawing.datum and (drawing.spots[0].x, drawing.spots[0].y) == pytest.approx((20.0, 25.0))


def test_steps_of_the_outline_get_places(parts: ModuleType) -> None:
    """Edges that are not at the rim are placed from the corner, others not."""
    pieces = parts.stepped_plate(100.0, 80.0, 2, np.random.default_rng(1))
    drawing = drawn([parts.path("outline", pieces)])
    assert sorted(place.axis for place in drawing.places) == ["x", "y"]
    assert next(p for p in drawing.places if p.axis == "x").text.startswith("50.00")


def test_measured_gaps_are_closed_and_doubles_left_out(parts: ModuleType) -> None:
    """Lines whose measured ends miss each other meet at their crossing; the same edge is drawn once."""
    gaps = [
        parts.line("a", (0.2, 0.0), (99.7, 0.0)),
        parts.line("b", (100.0, 0.4), (100.0, 49.5)),
        parts.line("c", (99.8, 50.0), (0.5, 50.0)),
        parts.line("d", (0.0, 49.9), (0.0, 0.3)),
    ]
    drawing = drawn([parts.path("outline", gaps), *gaps])
    assert len(drawing.entities) == 1 and isinstance(drawing.entities[0], Polyline) and drawing.entities[0].closed
    corners = {(round(x, 6) + 0.0, round(y, 6) + 0.0) for x, y, _ in drawing.entities[0].vertices}
    assert corners == {(0, 0), (100, 0), (100, 50), (0, 50)}


def test_arcs_keep_radius_and_side_whichever_way_their_normal_points(parts: ModuleType) -> None:
    """An arc about −z is the same edge."""
    arc = parts.arc("arc 1", (10.0, 20.0), 30.0, 20.0, 75.0)
    start = math.degrees(math.atan2(-1, 1))
    flipped = parts.feature(
        "arc 1", "arc", [10.0, 20.0, 0.0, 0.0, 0.0, -1.0, 30.0, math.radians(-95.0), math.radians(75.0)]
    )
    del start
    shapes = [next(e for e in drawn([item]).entities if isinstance(e, Arc)) for item in (arc, flipped)]
    ends = [
        sorted(
            (round(s.radius * math.cos(s.start + k * s.span), 6), round(s.radius * math.sin(s.start + k * s.span), 6))
            for k in (0, 1)
        )
        for s in shapes
    ]
    assert ends[0] == ends[1]


def test_a_moved_outline_is_cut_and_the_old_one_is_reference(parts: ModuleType) -> None:
    """Clearance inwards: sizes are those of the moved outline, and its words stand on a leader."""
    inner = parts.path(
        "outline 2.5 inside", [turned(p, 0.0, (2.5, 2.5, 0.0)) for p in parts.rounded_plate(135.0, 85.0, 9.5)]
    )
    drawing = drawn(plate(parts), moved=[MovedPath(inner, "outline", "2.5 inside")])
    chains = {
        (e.layer, round(bounds_of([e])[2], 3))
        for e in drawing.entities
        if isinstance(e, Polyline) and len(e.vertices) == 8
    }
    assert chains == {("reference", 137.5), ("cut", 135.0)}
    assert drawing.over_all[0].text.startswith("135.00") and any(spot.text == "2.5 inside" for spot in drawing.spots)
    across = next(e for e in drawing.entities if isinstance(e, Line) and e.layer == "reference")
    assert math.hypot(across.x2 - across.x1, across.y2 - across.y1) == pytest.approx(2.5, abs=0.1)


def test_a_line_moved_beside_an_edge_says_its_side(parts: ModuleType) -> None:
    """On layer reference the edge keeps its layer and sizes; a leader and a note tell how far and to which side."""
    edge = parts.path("edge", [parts.line("edge 1", (0, 0), (200, 0))], closed=False)
    rubber = parts.path("rubber", [parts.line("rubber 1", (0, 6), (200, 6))], closed=False)
    results = Results("x, y", features=[edge, rubber])
    drawing = drawing_of(results, moved=[MovedPath(rubber, "edge", "6.00 left of edge", "reference")])
    layers = {(e.layer, e.vertices[0][1]) for e in drawing.entities if isinstance(e, Polyline)}
    assert layers == {("mark", 0.0), ("reference", 6.0)}
    assert [item.text for item in drawing.lengths] == ["200.00 ±0.03"]
    words = [item.text for item in sketch_sheets(drawing)[0].items if isinstance(item, Written)]
    assert "6.00 left of edge" in words and any("seen from its start" in text for text in words)


def test_asked_sizes_are_listed_with_their_verdict(parts: ModuleType) -> None:
    """Limits and verdict in words; angles in degrees."""
    value = Value(math.radians(90.0), math.radians(0.1) ** 2, np.zeros(0), ())
    sizes = [Dimension("corner", "angle", value, lower=math.radians(89.0), upper=math.radians(91.0), verdict="inside")]
    row = drawing_of(Results("x", features=plate(parts), dimensions=sizes)).sizes[0]
    assert row == ("corner", "90.00° ±0.20°", "89.00° to 91.00°", "inside")


def test_a_round_part_is_one_circle(parts: ModuleType) -> None:
    """A closed path of one arc is a circle to cut, with its over-all size."""
    disc = parts.path("outline", [parts.arc("outline 1", (50.0, 40.0), 30.0, 10.0, 360.0)])
    drawing = drawn([disc, parts.hole("hole 1", 50.0, 40.0, 8.0)])
    assert sorted(round(e.radius, 6) for e in drawing.entities if isinstance(e, Circle)) == [4.0, 30.0]
    assert [size.text.split(" ")[0] for size in drawing.over_all] == ["60.00", "60.00"]


def test_an_outline_without_a_straight_edge_has_its_over_all_size(parts: ModuleType) -> None:
    """Width and height are between the outline's own sides, wherever its frame has its origin."""
    lens = [
        parts.arc("outline 1", (100.0, 0.0), 50.0, -60.0, 120.0),
        parts.arc("outline 2", (150.0, 0.0), 50.0, 120.0, 120.0),
    ]
    drawing = drawn([parts.path("outline", lens)])
    assert [size.text.split(" ")[0] for size in drawing.over_all] == [
        "50.00",
        f"{2 * 50 * math.sin(math.radians(60)):.2f}",
    ]


def test_two_holes_in_one_place_make_no_datum(parts: ModuleType) -> None:
    """A direction needs two places."""
    drawing = drawn([parts.hole("hole 1", 10.0, 10.0, 6.0), parts.hole("hole 2", 10.0, 10.0, 9.0)])
    assert drawing.datum is None and len(drawing.spots) == 2


def test_only_true_shapes_get_a_full_size_print() -> None:
    """A flat rod may be laid on its 1:1 print, one bent in space may not; sketch and DXF are there for both."""
    for corners, flat in (((100, 0), (100, 80)), True), (((100, 0, 0), (100, 80, 0), (100, 80, 60)), False):
        points = np.zeros((len(corners) + 1, 3))
        for i, corner in enumerate(corners):
            points[i + 1, : len(corner)] = corner
        schedule = schedule_of_corners(points, 24.0)
        files = drawing_files(rod_drawing(exact_figures(schedule), points))
        assert ("template_1to1.pdf" in files) is flat
        assert {"sketch.pdf", "sketch.dxf"} <= set(files)
