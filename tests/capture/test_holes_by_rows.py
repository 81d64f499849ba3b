"""Round holes in painted sheets told by colour, on drawn photos with exact truth; and where to begin to look for a hole."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges.candidates import Pick
from capture.edges.flatten import Flat
from capture.edges.hole_starts import ringed
from capture.edges.holes_by_rows import black_hole, tinted_hole
from capture.edges.part_mask import PartMask
from capture.edges.picked import measure_picks
from capture.edges.rim_fit import FaceKnowledge, measured_points
from capture.edges.rims import LOWER, Sheet
from capture.edges.round_holes import Circle
from capture.edges.rounding import resolves_rounding
from capture.edges.strip import Lit, linear_light
from capture.pieces import frame
from fit.shapes import fit_circle

KNOWN = FaceKnowledge(Sheet(2.0, 2.0, on_paper=False), 0.02, 0.05)
RED, GREY, BLACK = (0.16, 0.02, 0.015), (0.08, 0.08, 0.08), (0.02, 0.02, 0.02)
SIZES = (7.0, 11.0)


@pytest.fixture(scope="module")
def shot(drawn, tmp_path_factory):
    """A bench, the light on it and the holes' true places, of a sheet of a colour with walls as bright as its face."""

    def made(face, shadow=(0.7, 0.5)):
        holes = tuple(drawn.Hole(0.0, y, size) for y, size in zip((-25.0, 20.0), SIZES, strict=True))
        plate = drawn.Plate(
            thickness=2.0, height=2.0, corners=(0.5,) * 4, angle=0.05, x=120.0, y=160.0, holes=holes, slots=()
        )
        light = drawn.Light(paper=(0.3, 0.3, 0.29), face=face, wall=face, texture=0.02, shadow=shadow)
        scene = drawn.Scene(drawn.look(18, 225, 420), plate, light=light, blur=1.0)
        image = open_image(drawn.save(tmp_path_factory.mktemp("paint") / "plate.jpg", drawn.draw(scene)))
        bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
        return bench, Lit(linear_light(image.colour())), plate.on_bench([[hole.x, hole.y] for hole in holes])

    return cache(made)


@pytest.mark.parametrize("which", [0, 1])
def test_a_painted_hole_is_where_its_colour_ends_from_a_start_half_a_millimetre_off(shot, which):
    bench, lit, places = shot(RED)
    (x, y), size = places[which], SIZES[which]
    edge = tinted_hole(lit, bench, KNOWN, Circle(x + 0.4, y - 0.3, size / 2 - 0.3))
    assert edge is not None and edge.cover > 0.6
    hole = fit_circle(measured_points(bench, KNOWN, edge), robust=False, correlated=True)
    assert np.hypot(hole["x"] - x, hole["y"] - y) < 0.1 and abs(hole["diameter"] - size) < 0.15
    assert abs(hole["diameter"] - size) < hole.value("diameter").u95


def test_a_rounding_too_fine_to_be_seen_hides_no_part_of_a_rim_told_by_colour(shot):
    bench, lit, places = shot(RED)
    edge = tinted_hole(lit, bench, KNOWN, Circle(*places[1], SIZES[1] / 2))
    sharp, open_to_doubt = (
        fit_circle(measured_points(bench, known, edge), robust=False)["diameter"]
        for known in (KNOWN, replace(KNOWN, rim_inset=0.1))
    )
    assert open_to_doubt == pytest.approx(sharp, abs=1e-9)


def test_grey_metal_on_grey_ground_is_told_by_no_colour(shot):
    bench, lit, places = shot(GREY)
    assert tinted_hole(lit, bench, KNOWN, Circle(*places[0], SIZES[0] / 2)) is None


@pytest.mark.parametrize("which", [0, 1])
def test_a_hole_in_black_rubber_is_told_by_the_foot_of_its_wall_where_no_rim_shows(shot, which):
    bench, lit, places = shot(BLACK, (0.0, 0.0))
    (x, y), size = places[which], SIZES[which]
    edge = black_hole(lit, bench, KNOWN, Circle(x + 0.4, y - 0.3, size / 2 - 0.3))
    assert edge is not None and (edge.picked.kind == LOWER).any()
    hole = fit_circle(measured_points(bench, KNOWN, edge), robust=False, correlated=True)
    for key, true in (("x", x), ("y", y), ("diameter", size)):
        assert abs(hole[key] - true) < hole.value(key).u95 < 0.5


@pytest.mark.parametrize("face", [RED, BLACK])
def test_a_slot_among_coarse_pixels_is_told_by_rim_and_foot_together(drawn, tmp_path, face):
    length, width = 26.0, 9.0
    plate = drawn.Plate(holes=(), slots=(drawn.Slot(0.0, 5.0, length, width, 0.3),), corners=(0.5,) * 4)
    light = drawn.Light(paper=(0.3, 0.3, 0.29), face=face, wall=face, texture=0.02)
    scene = drawn.Scene(drawn.look(18, 225, 420), plate, light=light, blur=1.0)
    image = open_image(drawn.save(tmp_path / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    pick = Pick("slot", "slot", plate.on_bench([[1.0, 6.0]]), KNOWN, 9.0)
    found, notices = measure_picks(Lit(linear_light(image.colour())), bench, [pick])
    assert len(found) == 1, notices
    assert found[0].lead is not None and not resolves_rounding(found[0].lead.taken.px_per_mm)
    for key, true in (("length", length), ("width", width)):
        value = found[0].feature.value(key)
        assert abs(value.value - true) < value.u95 < 0.6


def test_a_hole_half_in_shadow_is_found_by_its_rim_from_a_way_point_beside_its_middle():
    step, size = 0.15, 300
    x, y = np.meshgrid(np.arange(size) * step, (size - 1 - np.arange(size)) * step)
    tone = np.where((np.hypot(x - 20, y - 24) < 5)[..., None], np.where(x < 20, 0.35, 0.9)[..., None], [0.2, 0.25, 0.5])
    tone = (tone + np.random.default_rng(1).normal(0, 0.01, tone.shape)).astype(np.float32)
    flat = Flat(tone, 0.0, (size - 1) * step, step, 0.0)
    starts = ringed(PartMask(flat, np.ones((size, size), np.uint8), tone, False), np.array([22.0, 23.0]), 11.0, 3.0)
    best = starts[0]
    assert np.hypot(best.x - 20, best.y - 24) < 0.5 and abs(best.radius - 5) < 0.3


@pytest.mark.parametrize("face", [RED, BLACK])
def test_a_hole_by_rows_is_in_doubt_by_what_its_steps_alone_make_of_it(shot, face):
    bench, lit, places = shot(face, (0.0, 0.0))
    (x, y), size = places[1], SIZES[1]
    found, notices = measure_picks(lit, bench, [Pick("hole", "circle", places[1:], KNOWN, size)])
    assert len(found) == 1, notices
    hole, lead = found[0].feature, found[0].lead
    assert lead is not None and not resolves_rounding(lead.taken.px_per_mm)
    steps = max(lead.taken.circles, key=lambda circle: circle.score)
    for key, other, true in (("x", steps.x, x), ("y", steps.y, y), ("diameter", 2 * steps.radius, size)):
        assert hole.value(key).u95 > abs(hole[key] - other) and hole.value(key).u95 > abs(hole[key] - true)
