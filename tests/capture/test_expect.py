"""What a set-up will give: against the solver's own Monte Carlo, and against what a real photo then got."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from capture.camera.lens import lens_prior
from capture.camera.profile import CameraProfile
from capture.forecast import expect
from capture.forecast.expect import SetUp, camera_of, expected_sizes
from capture.forecast.expect_advice import advice_for
from capture.forecast.layout import Layout, frame_blank, layout_of, parse_piece
from capture.forecast.typical_part import RoundedBox, hole_rim
from fit.errors import CannotDetermine, InputError


def u95(setup: SetUp) -> dict[str, float]:
    return {size.name: size.value.u95 for size in expected_sizes(setup)}


_NOTHING_KNOWN = np.array([95.0, 5e-4, 25.0, 25.0, 0.15, 0.4, 5e-4, 5e-4, 0.4])
FRAMED = SetUp((110.0, 160.0), layout_of((110.0, 160.0), None))
STRIPS = SetUp((900.0, 500.0), layout_of((900.0, 500.0), 4), distance=1000.0)


def test_what_a_caliper_is_worth():
    """Its part of a hole distance, by hand: u of the reading over the nominal side, along x and along y; the lens is known,
    so that the photo itself cannot trade one reading against the other."""
    sizes = expected_sizes(replace(FRAMED, learned=True))[0]
    dx, dy = 0.8 * 110, 0.8 * 160
    length = math.hypot(dx, dy)
    by_hand = 1.96 * math.hypot(dx * dx / 180 * 0.02, dy * dy / 240 * 0.02) / length
    assert sizes.value.budget()["caliper"] == pytest.approx(by_hand, rel=0.03)
    assert sizes.nominal == pytest.approx(length)


def test_what_a_height_is_worth():
    """Seen square-on a face that is dh higher looks larger by dh / (distance - height)."""
    sizes = expected_sizes(replace(STRIPS, tilt=0.0, height_u=0.4, learned=True))[0]
    assert sizes.value.budget()["height"] == pytest.approx(1.96 * 0.4 / 998.5 * sizes.nominal, rel=0.02)


def test_what_knowing_more_is_worth():
    plain, unknown, learned = (u95(s) for s in (FRAMED, replace(FRAMED, print_u=None), replace(FRAMED, learned=True)))
    raised = replace(FRAMED, height=37.0, thickness=1.5, tilt=0.0)
    name = "distance between holes"
    assert unknown[name] > 10 * plain[name]
    assert unknown[name] == pytest.approx(1.96 * 0.015 * 0.8 * math.hypot(110, 160), rel=0.1)
    assert learned[name] < plain[name]
    assert u95(raised)[name] > 4 * u95(replace(raised, learned=True))[name]
    assert u95(raised)[name] > 1.5 * u95(replace(raised, tilt=math.radians(30)))[name]
    assert u95(replace(FRAMED, height_u=1.15))[name] > 5 * plain[name]


def test_more_strips_hold_a_long_part_better():
    six = replace(STRIPS, layout=layout_of(STRIPS.part, 6))
    assert u95(six)["distance between straight edges"] < 0.95 * u95(STRIPS)["distance between straight edges"]


@pytest.mark.parametrize("distance", [900.0, 1000.0, 1050.0, 1100.0])
def test_sizes_change_little_with_the_distance(distance):
    """Edges that are straight to the last digit, as only drawn ones are, are no worse for it."""
    near, far = (u95(replace(STRIPS, distance=d)) for d in (850.0, distance))
    assert all(far[name] < 1.5 * near[name] for name in near)


def test_it_foretells_what_the_sample_photo_got(edgewright, root, tmp_path):
    """The shipped photo's own ± of its holes, from the camera's place that it solved; within a factor of 1.6."""
    readings = ("--print-x", "179.1", "--print-y", "239.4", "--height", "1.93", "--height-u", "0.02")
    photo = root / "sample_sets/bench_plate/photo1.jpg"
    assert edgewright("photo", photo, "-o", tmp_path / "out", *readings).code == 0
    record = json.loads((tmp_path / "out/results.json").read_text())
    camera = record["camera"]
    outline = next(f for f in record["features"] if f["kind"] == "path")
    ends = np.array(
        [[s["values"][k]["value"] for k in ("x1", "y1")] for s in outline["segments"] if s["kind"] == "line"]
    )
    part = tuple(float(v) for v in np.ptp(ends, axis=0))
    setup = SetUp(
        part, layout_of(part, 0), camera["camera_centre"][2] / math.cos(math.radians(camera["tilt"])),
        math.radians(camera["tilt"]), height=1.93, height_u=0.02, thickness=1.93, focal_35=camera["fx"] / 4000 * 35.3,
    )  # fmt: skip
    told = u95(setup)
    holes = [f["values"]["diameter"]["u95"] for f in record["features"] if f["kind"] == "circle"]
    assert 1 / 1.6 < told["hole diameter"] / np.median(holes) < 1.6
    longest = max(record["dimensions"], key=lambda d: d["value"])
    apart = next(e.nominal for e in expected_sizes(setup) if e.name == "distance between holes")
    share = longest["value"] / apart
    alike = u95(replace(setup, part=(share * part[0], share * part[1])))  # its holes as far apart as the photo's are
    assert 1 / 1.6 < alike["distance between holes"] / longest["u95"] < 1.6


@pytest.mark.parametrize("part, count", [((900.0, 500.0), n) for n in (1, 2, 3, 4, 6, 9)] + [((100.0, 60.0), 4)])
def test_strips_lie_clear_of_part_and_each_other(part, count):
    shapely = pytest.importorskip("shapely")
    layout = layout_of(part, count)
    boxes = [shapely.Polygon(corners) for corners in layout.outline().reshape(-1, 4, 2)]
    assert len(boxes) == count and all(box.area == pytest.approx(45 * 240) for box in boxes)
    for i, box in enumerate(boxes):
        assert not box.intersects(shapely.box(0, 0, *part))
        assert all(not box.intersects(other) for other in boxes[i + 1 :])
    assert layout.words == f"{count} strip{'s' * (count > 1)}"


@pytest.mark.parametrize("part", [(120.0, 180.0), (180.0, 120.0)])
def test_a_part_lies_in_the_frames_blank(part):
    layout = layout_of(part, None)
    assert layout.words == "frame" and frame_blank() == (132.0, 192.0)
    low, high = layout.outline().min(axis=0), layout.outline().max(axis=0)
    np.testing.assert_allclose((low + high) / 2, np.array(part) / 2)
    assert ((high - low)[0] > (high - low)[1]) == (part[0] > part[1])


def test_typical_part_is_what_it_says():
    box = RoundedBox(100.0, 60.0)
    xy, outward = box.outline()
    steps = np.hypot(*np.diff(xy, axis=0, append=xy[:1]).T)
    assert steps.sum() == pytest.approx(2 * (100 + 60) - 8 * box.radius + 2 * math.pi * box.radius, rel=2e-3)
    moved = np.roll(xy, -1, axis=0) - xy
    np.testing.assert_allclose((moved * outward).sum(axis=1) / np.maximum(steps, 1e-9), 0, atol=0.12)
    assert ((xy - [50, 30]) * outward).sum(axis=1).min() > 0
    assert np.ptp(xy[box.stretch("right"), 0]) == 0 and xy[box.stretch("right"), 0][0] == 100
    assert np.ptp(xy[box.stretch("left"), 0]) == 0 and xy[box.stretch("left"), 0][0] == 0
    corner = xy[box.stretch("corner")] - (np.array([100, 60]) - box.radius)
    np.testing.assert_allclose(np.hypot(*corner.T), box.radius)
    ring, ray = hole_rim(np.array([5.0, 6.0]))
    np.testing.assert_allclose(ring + 4.0 * ray, [[5.0, 6.0]] * len(ring), atol=1e-12)


def test_the_nearest_place_shows_everything():
    camera = camera_of(FRAMED)
    corners = np.column_stack([FRAMED.layout.outline(), np.zeros(4)])
    assert camera.shows(corners, FRAMED.size).all()
    assert not camera.shows(corners, FRAMED.size, margin=0.05).all()
    with pytest.raises(CannotDetermine, match=r"From 100 mm the part .* is not all in the picture; .* from \d+ mm"):
        camera_of(replace(FRAMED, distance=100.0))


def test_advice_names_the_source_that_gets_smaller():
    """Strips that all lie one way leave the print's scale across to a caliper over 45 mm."""
    turns = np.array([0.0, math.pi, 0.05, math.pi])
    places = np.column_stack([turns, [-60.0, 960.0, 910.0, -15.0], [0.0, 500.0, 0.0, 500.0]])
    one_way = replace(STRIPS, layout=Layout(STRIPS.layout.pieces, places), distance=1350.0)
    found = expected_sizes(one_way)
    across = found[0].value.budget()
    assert max(across, key=across.get) == "caliper"
    advice = advice_for(one_way, found)
    assert "along all four sides" in advice and "less from caliper readings of the print" in advice
    round_it = replace(one_way, layout=STRIPS.layout)
    assert u95(round_it)["distance between holes"] < 0.7 * found[0].value.u95
    assert "all four sides" not in advice_for(round_it, expected_sizes(round_it))


def test_where_nothing_helps_the_worst_source_is_named_and_six_strips_kept():
    six = replace(STRIPS, layout=layout_of(STRIPS.part, 6))
    advice = advice_for(six, expected_sizes(six))
    assert (
        advice.startswith("Most comes from where light shows the rim: soft even light")
        and "Keep the 6 strips" in advice
    )


def test_the_command(edgewright):
    told = edgewright("expect", "--part", "900x500", "--distance", "1 m", "--strips", "4", "--json")
    record = json.loads(told.out)
    assert (record["format"], record["target"], record["distance"]) == ("edgewright-expect", "4 strips", 1000.0)
    for size in record["sizes"]:
        assert size["u95"] == pytest.approx(math.hypot(*size["budget"].values()), rel=1e-6)
        assert size["dominant"] == max(size["budget"], key=size["budget"].get)
    assert "six strips" in record["advice"] and "edgewright camera" in record["advice"]
    table = edgewright("expect", "--part", "900x500", "--distance", "1 m", "--strips", "4")
    assert table.code == 0 and "most of it from" in table.out and record["advice"] in table.out
    assert "Measure the print's two sides" in edgewright("expect", "--print-unknown").out
    assert "Measure the height" in edgewright("expect", "--height", "1.5±2").out
    pieces = ("--piece", "strip 7@420,20", "--piece", "strip 3@-60,20")
    placed = json.loads(edgewright("expect", "--part", "400x300", *pieces, "--json").out)
    assert placed["target"] == "2 strips"
    assert "Measure the sheet's thickness" in edgewright("expect", "--height", "60±0.1", "--learned").out
    inch = edgewright("expect", "--unit-out", "inch")
    assert inch.code == 0 and " in away" in inch.out


@pytest.mark.parametrize(
    "options, words",
    [
        (["--part", "900"], "two sizes such as 900x500"),
        (["--part", "0x5"], "above 0"),
        (["--part", "300x300", "--strips", "0"], "does not fit the frame"),
        (["--strips", "21", "--part", "900x900"], "20 different strips at most"),
        (["--piece", "strip 3"], "--piece must read like"),
        (["--piece", "strip 99@0,0"], "must be 0 to 19"),
        (["--piece", "strip 3@-60,0", "--piece", "strip 3@200,0"], "the same piece twice"),
        (["--piece", "strip 3@-60,0", "--strips", "4"], "either --strips or --piece"),
        (["--distance", "500", "--px-per-mm", "4"], "either --distance or --px-per-mm"),
        (["--distance", "0"], "above 0 mm"),
        (["--distance", "60"], "not all in the picture"),
        (["--part", "5000x3000"], "too small to be found"),
        (["--part", "900x500", "--distance", "4000"], "Go as near as"),
        (["--height", "1.5±1", "--height-u", "0.1"], "not both"),
        (["--height", "700"], "0 to 500 mm"),
        (["--camera", "missing.json"], "cannot be read"),
    ],
)
def test_refusals(edgewright, options, words):
    refused = edgewright("expect", *options)
    assert refused.code == 2 and words in refused.err and len(refused.err.splitlines()) == 1 and not refused.out


def test_reading_a_piece():
    piece, place = parse_piece(" Strip 3 @ -60, 120.5, 90")
    assert piece.name == "strip 3" and place == pytest.approx((math.pi / 2, -60, 120.5))
    assert parse_piece("frame@0,0")[0].kind == "frame"
    with pytest.raises(InputError, match="must read like"):
        parse_piece("sheet@0,0")


def test_a_lens_that_bends_tells_a_raised_face_better():
    """One tilted view of one plane ties focal length and middle of the lens; what the lens bends shows the middle."""
    raised = replace(FRAMED, height=37.0, thickness=1.5, tilt=math.radians(25))
    straight = CameraProfile(
        raised.size, lens_prior(raised.image).centre, np.diag(_NOTHING_KNOWN**2), raised.image.exif
    )
    name = "distance between holes"
    assert u95(replace(raised, camera=straight))[name] > 1.5 * u95(raised)[name]


def test_holes_are_as_doubtful_as_in_usual_photos(monkeypatch):
    """Half of the holes of a photo show gaps or leaps: one of an expected pair does."""
    setup, name = replace(STRIPS, learned=True), "distance between holes"
    usual = u95(setup)
    monkeypatch.setattr(expect, "_HOLE_COVERS", (1.0, 1.0))
    clear = u95(setup)
    monkeypatch.setattr(expect, "_HOLE_COVERS", (0.9, 0.9))
    assert 1.05 * clear[name] < usual[name] < u95(setup)[name]
