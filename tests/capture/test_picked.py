"""Picked edges on drawn photos with exact truth: the edge meant beside its wall and its shadow, and how to choose."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.face import Face
from capture.camera.image import open_image
from capture.edges import leading, picked, picked_hole
from capture.edges.candidates import Pick
from capture.edges.follow import contour_along, settle_edge
from capture.edges.leading import lead
from capture.edges.moved import round_moved
from capture.edges.picked import measure_picks, measured
from capture.edges.rim_fit import Edge, FaceKnowledge, measured_points, refined_round
from capture.edges.rims import FACE_LINE, LOWER, RimPoints, Sheet
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.rounding import ROUNDINGS, Rounding
from capture.edges.siding import face_tone, ground_tone
from capture.edges.slot_holes import Stadium, best_stadium
from capture.edges.slot_starts import prolonged
from capture.edges.strip import Lit, linear_light, unroll
from capture.pieces import frame
from fit.errors import CannotDetermine
from fit.feature import Feature

RIGHT_MM = 0.3
"""Nearer to the edge meant than to its wall's foot or its shadow's end, which lie 0.6 mm and more away."""
CORNERS = np.array([[-38.0, -56], [38, -56], [38, 56], [-38, 56]])


def photographed(drawn, folder, face: tuple[float, float, float]):
    """A plate 3 mm thick, seen at 25°, with a narrow hard shadow: plate, solved bench and picture in linear light."""
    plate = drawn.Plate(thickness=3.0, height=3.0, corners=(0.5,) * 4, angle=0.05)
    light = drawn.Light(shadow=(0.7, -0.45), soft=0.05, face=face, wall=(0.12, 0.12, 0.13), dark=0.3)
    scene = drawn.Scene(drawn.look(25, 250, 260), plate, light=light)
    image = open_image(drawn.save(folder / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    return plate, bench, Lit(linear_light(image.colour()))


@pytest.fixture(scope="module")
def shot(drawn, tmp_path_factory):
    return photographed(drawn, tmp_path_factory.mktemp("grey"), (0.42, 0.43, 0.45))


@pytest.fixture(scope="module")
def white(drawn, tmp_path_factory):
    """The same with a sheet as white as the paper under it."""
    return photographed(drawn, tmp_path_factory.mktemp("white"), (0.76, 0.75, 0.73))


def known() -> FaceKnowledge:
    return FaceKnowledge(Sheet(3.0, 3.0, on_paper=True), 0.02, 0.05)


def edge_pick(plate, side: int, off: float) -> Pick:
    """Two way-points, `off` mm outside one side of the plate and a little along it."""
    ends = np.array([CORNERS[side], CORNERS[(side + 1) % 4]])
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    outward = np.array([along[1], -along[0]])
    near = ends + np.array([[8.0], [-8.0]]) * along + off * outward
    return Pick(f"side {side}", "line", plate.on_bench(near), known())


def hole_picks(plate) -> list[Pick]:
    holes = enumerate(plate.holes)
    return [Pick(f"hole {i}", "circle", plate.on_bench([[h.x + 1, h.y]]), known(), h.diameter * 1.1) for i, h in holes]


def missed(plate, points) -> float:
    """Mean distance of measured points from the plate's true edge, mm, outward positive."""
    return float(plate.outside(*points.xyz[:, :2].T).mean())


def u95_across(line) -> float:
    """Interval of a line's middle square to itself, mm."""
    normal = np.array([-(line["y2"] - line["y1"]), line["x2"] - line["x1"]]) / line["length"] / 2
    ends = [line.index(key) for key in ("x1", "y1", "x2", "y2")]
    across = np.tile(normal, 2)
    own = across @ line.cov_own[np.ix_(ends, ends)] @ across
    return 1.96 * float(np.sqrt(own + ((line.shared[:, ends] @ across) ** 2).sum()))


def test_only_the_edge_taken_is_settled(shot, monkeypatch):
    plate, bench, lit = shot
    asked = []
    monkeypatch.setattr(leading, "settle_edge", lambda *given, **more: asked.append(1) or settle_edge(*given, **more))
    one = lead(lit, bench, edge_pick(plate, 0, 0.5))
    assert len(one.candidates) > 1 and not asked
    found, _ = measured(lit, bench, [one])
    assert len(found) == 1 and len(asked) == 1
    assert one.taken.edges is one.taken.edges and len(asked) == 1


def test_any_candidate_can_be_settled_for_the_other_picks_may_leave_but_a_weak_one(shot):
    plate, bench, lit = shot
    one = lead(lit, bench, edge_pick(plate, 0, 0.5))
    weakest = min(one.candidates, key=lambda c: c.score)
    assert weakest.score < 0.5 * one.taken.score
    assert all(len(candidate.edges) == len(ROUNDINGS) for candidate in one.candidates)
    found, notices = measured(lit, bench, [replace(one, taken=weakest, other=None)])
    assert len(found) + len(notices) == 1


@pytest.mark.parametrize("off", [-2.5, -1.0, 0.0, 1.5, 2.5])
def test_the_edge_is_found_from_way_points_some_mm_off(shot, off):
    """Wall, shadow and face lie within 3 mm of one another; the holes tell what metal looks like."""
    plate, bench, lit = shot
    picks = [*hole_picks(plate), *(edge_pick(plate, side, off) for side in range(4))]
    found, notices = measure_picks(lit, bench, picks)
    assert [item.feature.name for item in found] == [pick.name for pick in picks], notices
    for item in found[2:]:
        assert abs(missed(plate, item.points)) < RIGHT_MM and u95_across(item.feature) < 0.6, item.feature.name
    for item, hole in zip(found, plate.holes, strict=False):
        value = item.feature.value("diameter")
        assert abs(value.value - hole.diameter) <= value.u95 < 0.5


@pytest.mark.parametrize("off", [-2.5, 0.0, 2.5])
@pytest.mark.parametrize(
    ("tone", "side"), [*(("shot", side) for side in range(4)), *(("white", side) for side in (0, 1, 3))]
)
def test_a_lone_edge_is_right_or_the_interval_holds_both(tone, side, off, request):
    """White on white, the upper side shows neither wall nor shadow: nothing is asked of it."""
    plate, bench, lit = request.getfixturevalue(tone)
    (item,), _ = measure_picks(lit, bench, [edge_pick(plate, side, off)])
    miss = abs(missed(plate, item.points))
    assert miss <= u95_across(item.feature)
    assert miss < RIGHT_MM or "two-edges" in {notice.code for notice in item.notices}


def test_the_other_edge_can_be_asked_for(white):
    """The two keys give the two candidates, whichever was the clearer, without a warning."""
    plate, bench, lit = white
    leads = [lead(lit, bench, edge_pick(plate, side, off)) for side in range(4) for off in (-1.5, 1.5)]
    auto = next(one for one in leads if one.other is not None)
    asked = {key: lead(lit, bench, replace(auto.pick, edge=key)) for key in ("metal", "open")}
    inner, outer = asked["metal"].taken, asked["open"].taken
    assert outer.away - inner.away == pytest.approx(abs(auto.apart), abs=1e-9)
    assert abs(auto.apart) > 0.25
    assert {inner.score, outer.score} == {auto.taken.score, auto.other.score}
    for one in asked.values():
        (item,), _ = measured(lit, bench, [one])
        assert not [notice for notice in item.notices if notice.code == "two-edges"]
    (item,), _ = measured(lit, bench, [auto])
    (told,) = [notice.text for notice in item.notices if notice.code == "two-edges"]
    assert f"{abs(auto.apart):.1f} mm apart" in told and 'edge = "open"' in told and 'edge = "metal"' in told
    assert u95_across(item.feature) >= abs(auto.apart)


def test_kept_leads_measure_as_fresh_picks_do(shot):
    plate, bench, lit = shot
    picks = [*hole_picks(plate), edge_pick(plate, 0, 1.0)]
    fresh, _ = measure_picks(lit, bench, picks)
    kept, _ = measured(lit, bench, [lead(lit, bench, pick) for pick in picks])
    for one, other in zip(fresh, kept, strict=True):
        np.testing.assert_array_equal(one.feature.values, other.feature.values)


def test_the_side_of_the_metal_can_be_told(shot):
    """Way-points run counter-clockwise round the plate, so its metal lies to their left."""
    plate, bench, lit = shot
    for side in range(4):
        one = lead(lit, bench, replace(edge_pick(plate, side, 0.5), metal="left"))
        assert all(candidate.metal for candidate in one.candidates)
        assert abs(np.median(plate.outside(*one.taken.contour.xy.T))) < 0.3


def test_a_slot_is_measured_among_other_picks(drawn, tmp_path):
    """A slot has one candidate only, judged by no score; holes beside it tell what metal looks like."""
    slot = drawn.Slot(0.0, 10.0, 30.0, 8.0, 0.3)
    plate = drawn.Plate(slots=(slot,))
    scene = drawn.Scene(drawn.look(8, 250, 260), plate)
    image = open_image(drawn.save(tmp_path / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    sheet = FaceKnowledge(Sheet(2.0, 2.0), 0.02, 0.05)
    pick = Pick("slot", "slot", plate.on_bench([[0.5, 10.0]]), sheet, 8.0)
    picks = [*(replace(hole, known=sheet) for hole in hole_picks(plate)), pick]
    found, notices = measure_picks(Lit(linear_light(image.colour())), bench, picks)
    assert [item.feature.name for item in found] == ["hole 0", "hole 1", "slot"], notices
    for key, true in (("length", 30.0), ("width", 8.0)):
        value = found[2].feature.value(key)
        assert abs(value.value - true) <= value.u95


def test_a_slot_taken_to_end_where_a_shadow_in_it_does_is_followed_to_its_end(drawn, tmp_path):
    """To a few tenths of a millimetre: its steps are fitted later."""
    plate = drawn.Plate(slots=(drawn.Slot(0.0, 10.0, 30.0, 8.0, 0.3),))
    image = open_image(drawn.save(tmp_path / "plate.jpg", drawn.draw(drawn.Scene(drawn.look(8, 250, 260), plate))))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    lit, sheet = Lit(linear_light(image.colour())), Sheet(2.0, 2.0)
    half = 11.0 * np.array([np.cos(0.3), np.sin(0.3)])
    first, last = plate.on_bench(np.array([0.0, 10.0]) + np.array([-half, half]))
    whole = best_stadium(lit, bench, sheet, Stadium(first, last, 4.0))
    assert prolonged(lit, bench, sheet, whole) is None
    part = replace(whole, last=whole.first + 0.4 * (whole.last - whole.first), score=whole.score / 2)
    longer = prolonged(lit, bench, sheet, part)
    assert longer is not None and np.hypot(*(longer.last - last)) < 0.4 > np.hypot(*(longer.first - first))


def test_a_long_slot_in_black_rubber_is_found_whole_from_a_way_point_near_its_rim(drawn, tmp_path):
    plate = drawn.Plate(holes=(), slots=(drawn.Slot(0.0, 5.0, 44.0, 9.0, 0.3),))
    light = drawn.Light(face=(0.03, 0.03, 0.03), wall=(0.03, 0.03, 0.03), slope=0.5)
    image = open_image(
        drawn.save(tmp_path / "plate.jpg", drawn.draw(drawn.Scene(drawn.look(8, 250, 260), plate, light=light)))
    )
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    sheet = FaceKnowledge(Sheet(2.0, 2.0), 0.02, 0.05)
    pick = Pick("slot", "slot", plate.on_bench([[6.0, 9.5]]), sheet, 8.5)
    found, notices = measure_picks(Lit(linear_light(image.colour())), bench, [pick])
    assert len(found) == 1, notices
    for key, true in (("length", 44.0), ("width", 9.0)):
        value = found[0].feature.value(key)
        assert abs(value.value - true) <= value.u95 < 0.5


def test_the_enlarged_view_draws_the_edge_in_question_too(white):
    """Orange appears in picks.png and overlay.png where two edges stay possible, and only there."""
    import cv2

    from capture.edges.overlay import OTHER
    from capture.jobs.pictures import Marked, photo_pictures

    plate, bench, lit = white
    leads = [lead(lit, bench, edge_pick(plate, side, off)) for side in range(4) for off in (-1.5, 1.5)]
    for one in (next(a for a in leads if a.other), next(a for a in leads if not a.other)):
        (item,), _ = measured(lit, bench, [one])
        marked = Marked([item.feature], item.points, {item.feature.name: one})
        made = photo_pictures(bench.image, bench.image.colour(), bench, [one.pick], marked)
        for name in ("picks.png", "overlay.png"):
            shown = cv2.imdecode(np.frombuffer(made[name], np.uint8), cv2.IMREAD_COLOR).astype(int)
            orange = int((np.abs(shown - OTHER).max(axis=2) < 25).sum())
            assert orange > 20 if one.other else orange == 0, (name, orange)


def test_both_faces_of_a_raised_sheet_are_as_wrong_as_its_height(shot):
    """Rays cut a millimetre higher land where the mode of the height says, at upper and lower rims alike."""
    plate, bench, lit = shot
    contour = circle_contour(*plate.on_bench([(0.0, 0.0)])[0], 20.0, 30.0)
    row = np.arange(0, len(contour.xy), 4)
    picked = RimPoints(
        row, np.zeros(len(row)), np.resize([FACE_LINE, LOWER], len(row)), np.ones(len(row)), np.zeros(len(row))
    )
    strip = unroll(lit, bench, contour, (-1.0, 1.0), 0.2)
    places = contour.at(np.zeros(len(contour.xy)))[row]
    for sheet, rides in ((Sheet(30.0, 2.0), True), (Sheet(30.0, 30.0), False)):
        points = measured_points(bench, FaceKnowledge(sheet, 0.5, 0.05), Edge(strip, picked, 1.0, 1.0))
        mode = points.shared[points.shared_names.index("height:top")]
        lower = picked.kind == LOWER
        assert lower.any() and not lower.all()
        for rows, height in ((~lower, 30.0), (lower, 30.0 - sheet.thickness)):
            px = bench.project(places[rows])
            moved = bench.cut(px, Face.level("a", height + 0.5, 0.1)) - bench.cut(px, Face.level("a", height, 0.1))
            wanted = moved[:, :2] if rides or height == 30.0 else 0 * moved[:, :2]
            np.testing.assert_allclose(mode[rows, :2], wanted, atol=0.002)


def test_where_the_rounding_is_open_a_hole_is_begun_at_the_circle_that_explains_most(shot, monkeypatch):
    """Every circle tried is of the true contour; the sharp one may be that of a lit wall's foot."""
    plate, bench, lit = shot
    begun = []

    def noted(*args):
        begun.append(args[-1])
        return refined_round(*args)

    monkeypatch.setattr(picked_hole, "refined_round", noted)
    monkeypatch.setattr(picked, "rounding_on_bench", lambda *_, **__: Rounding(0, 0.1, 0.08))
    one = lead(lit, bench, hole_picks(plate)[0])
    circles = [replace(c, score=score) for c, score in zip(one.taken.circles, range(9), strict=False)]
    measured(lit, bench, [replace(one, taken=replace(one.taken, circles=tuple(circles)))])
    assert begun[0] == pytest.approx([circles[-1].x, circles[-1].y, circles[-1].radius])


def test_an_outline_of_more_places_than_a_picture_has_rows_has_a_tone(shot):
    plate, bench, lit = shot
    x, y = plate.on_bench([[0.0, 0.0]])[0]
    turns = (np.linspace(0, 2 * np.pi, count, endpoint=False) for count in (6000, 600))
    rings = ([x, y] + 25 * np.column_stack([np.cos(turn), np.sin(turn)]) for turn in turns)
    long, short = (contour_along(ring, known().sheet.height, material_inside=True) for ring in rings)
    for tone in (face_tone, ground_tone):
        np.testing.assert_allclose(tone(lit, bench, long), tone(lit, bench, short), atol=0.01)


@pytest.mark.parametrize(("u95", "refused"), [(15.0, False), (30.0, True)])
def test_a_path_whose_pieces_do_not_meet_is_not_measured(u95, refused):
    path = Feature("edge", "path", ("length",), [100.0], [[(u95 / 1.96) ** 2]], np.zeros((0, 1)), ())
    if not refused:
        picked._refuse_vague(path)
        return
    with pytest.raises(CannotDetermine, match="do not meet"):
        picked._refuse_vague(path)


@pytest.mark.parametrize("blob", [0.88, 1.13])
@pytest.mark.parametrize("wrong", [0.7, 1.3])
def test_a_rough_diameter_may_be_thirty_per_cent_out(wrong, blob, shot, monkeypatch):
    """The blob that shows the hole is itself wider or narrower; what is found at last counts."""
    plate, bench, lit = shot
    hole = plate.holes[0]
    x, y = plate.on_bench([[hole.x, hole.y]])[0]
    seen = [SimpleNamespace(is_round=True, circle=Circle(x, y, blob * hole.diameter / 2))]
    monkeypatch.setattr(leading, "find_openings", lambda *_: seen)
    monkeypatch.setattr(leading, "ringed", lambda *_: [])
    pick = Pick("hole", "circle", np.array([[x + 2.0, y - 2.0]]), known(), hole.diameter * wrong)
    (found,), _ = measured(lit, bench, [lead(lit, bench, pick)])
    assert found.feature["diameter"] == pytest.approx(hole.diameter, abs=RIGHT_MM)


def test_a_hole_taken_to_be_another_circle_is_that_circle_and_more_in_doubt(shot):
    """Moved by what sets two circles apart, points lie on the other one; part of the way stays in doubt."""
    plate, bench, lit = shot
    hole = plate.holes[0]
    x, y = plate.on_bench([[hole.x, hole.y]])[0]
    start = np.array([x, y, hole.diameter / 2])
    height = known().sheet.height
    found, _, edge = refined_round(lit, bench, known(), lambda x, y, r: circle_contour(x, y, r, height, 0.2), start)
    circle = found.vector(("x", "y", "diameter")) * [1, 1, 0.5] + [0.25, -0.15, 0.05]
    moved, _ = round_moved(bench, known(), edge, found, circle)
    assert moved.vector(("x", "y", "diameter")) * [1, 1, 0.5] == pytest.approx(circle, abs=0.02)
    for key in ("x", "diameter"):
        assert moved.value(key).u95 > found.value(key).u95


def test_what_may_as_well_be_grain_is_no_edge(shot):
    """Way-points on the open face of the sheet, 25 mm and more from any edge."""
    plate, bench, lit = shot
    bare = Pick("bare", "line", plate.on_bench([[-12.0, 26.0], [12.0, 26.0]]), known())
    found, (notice,) = measure_picks(lit, bench, [bare])
    assert not found and notice.code == "not-measured" and "grain" in notice.text
