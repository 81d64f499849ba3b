"""Picked arcs on a drawn plate with exact corners: way-points that end short of them, or out on the straight edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges.candidates import Pick
from capture.edges.guide import past_its_ends
from capture.edges.picked import measure_picks
from capture.edges.picked_arc import fit_picked_arc
from capture.edges.picked_corner import spans
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.strip import Lit, linear_light
from capture.pieces import frame
from fit.errors import CannotDetermine
from fit.points import Points

RADII = (5.0, 7.0, 9.0, 14.0)


@pytest.fixture(scope="module")
def shot(drawn, tmp_path_factory):
    plate = drawn.Plate(corners=RADII, angle=0.05)
    scene = drawn.Scene(drawn.look(8, 200, 300), plate, light=drawn.Light(shadow=(0.4, -0.3)))
    image = open_image(drawn.save(tmp_path_factory.mktemp("arcs") / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    return plate, bench, Lit(linear_light(image.colour()))


def along_corner(plate, which: int, at: float) -> np.ndarray:
    """Place (2,) on the plate's edge `at` mm along it from the middle of a corner."""
    radius = RADII[which]
    sign = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)][which])
    half, side = math.pi / 4 * radius, np.sign(at)
    turn = math.pi / 4 + np.clip(at, -half, half) / radius
    place = radius * np.array([math.cos(turn), math.sin(turn)])
    place += side * max(abs(at) - half, 0.0) * np.array([-math.sin(turn), math.cos(turn)])
    return sign * (np.array([plate.width, plate.length]) / 2 - radius + place)


def pick(plate, which: int, past: tuple[float, float], off: float) -> Pick:
    """Three way-points on a corner, its ends moved along the edge by `past` mm, all `off` mm towards its middle."""
    half = math.pi / 4 * RADII[which]
    near = np.array([along_corner(plate, which, at) for at in (-half - past[0], 0.0, half + past[1])])
    near -= off * near[1] / np.hypot(*near[1])
    return Pick(f"corner {which}", "arc", plate.on_bench(near), FaceKnowledge(Sheet(2.0, 2.0), 0.02, 0.05))


@pytest.mark.parametrize("past", [(0.0, 0.0), (2.0, 2.0), (2.5, -1.0), (-1.0, -1.0)])
@pytest.mark.parametrize("off", [-1.0, 0.0, 1.0])
def test_the_straight_edges_beside_an_arc_do_not_enter_its_radius(shot, past, off):
    """A circle through 2 mm more of the edge at either end of a radius of 5 mm would read a third too large."""
    plate, bench, lit = shot
    found, notices = measure_picks(lit, bench, [pick(plate, which, past, off) for which in range(4)])
    assert not notices and len(found) == 4
    for item, radius in zip(found, RADII, strict=True):
        value = item.feature.value("radius")
        assert abs(value.value - radius) <= value.u95 < 0.2 * radius, (item.feature.name, value.value, value.u95)
        assert item.feature["span"] == pytest.approx(math.pi / 2, abs=0.35)
        assert item.feature.kind == "arc" and item.feature.points == len(item.points)


def test_a_straight_edge_is_no_arc(shot):
    plate, bench, lit = shot
    near = plate.on_bench([[-20.0, 56.0], [0.0, 56.3], [20.0, 55.8]])
    side = Pick("side", "arc", near, FaceKnowledge(Sheet(2.0, 2.0), 0.02, 0.05), metal="right")
    found, (notice,) = measure_picks(lit, bench, [side])
    assert not found and notice.code == "not-measured" and "straight" in notice.text


def test_ends_are_put_on_in_the_direction_of_the_line():
    angle = np.linspace(0, 1, 40)
    line = 20 * np.column_stack([np.cos(angle), np.sin(angle)])
    longer = past_its_ends(line)
    assert len(longer) == len(line) + 16
    assert longer[0] == pytest.approx([20.0, -4.0], abs=0.2)
    assert np.hypot(*np.diff(longer, axis=0).T).max() < 0.55


def arc_points(aside: np.ndarray, radius: float = 20.0) -> tuple[Points, np.ndarray]:
    """A quarter of a circle, moved across itself by `aside` mm, with 0.01 mm of noise, and way-points on it."""
    angle = np.linspace(0, math.pi / 2, len(aside))
    out = np.column_stack([np.cos(angle), np.sin(angle)])
    reach = radius + aside + np.random.default_rng(5).normal(0, 0.01, len(aside))
    xyz = np.column_stack([reach[:, None] * out, np.zeros(len(aside))])
    points = Points(xyz, np.full(len(aside), 0.01), np.column_stack([out, np.zeros(len(aside))]))
    return points, radius * out[[0, len(aside) // 2, -1]]


def test_past_a_leap_to_another_edge_an_arc_is_not_read():
    share = np.linspace(0, 1, 120)
    points, near = arc_points(np.where(share > 0.7, 0.6 * share, 0.0))
    arc, kept, notices = fit_picked_arc(points, near, 8.0)
    assert abs(arc["radius"] - 20.0) <= arc.value("radius").u95 < 1.0 and len(kept) <= 84
    assert notices[0].code == "stray-stretch"
    with pytest.raises(CannotDetermine, match="leap between two edges"):
        fit_picked_arc(*arc_points(np.where(share > 0.5, 0.6, 0.0)), 8.0)


def test_a_bend_much_smaller_than_what_is_marked_is_not_the_arc_meant():
    arc, _, _ = fit_picked_arc(*arc_points(np.zeros(60), radius=10.0), 8.0)
    assert spans(arc, np.array([[0.0, 0.0], [10.0, 3.0], [20.0, 0.0]]))
    assert not spans(arc, np.array([[0.0, 0.0], [30.0, 3.0], [60.0, 0.0]]))


@pytest.mark.parametrize("off", [-1.0, 1.0])
def test_a_corner_of_few_pixels_is_measured_with_the_edges_beside_it(drawn, tmp_path, off):
    plate = drawn.Plate(corners=RADII, angle=0.05)
    scene = drawn.Scene(drawn.look(8, 200, 620), plate, light=drawn.Light(shadow=(0.4, -0.3)))
    image = open_image(drawn.save(tmp_path / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    small = [which for which, radius in enumerate(RADII) if radius < 7]
    found, notices = measure_picks(
        Lit(linear_light(image.colour())), bench, [pick(plate, which, (1.0, 1.0), off) for which in small]
    )
    assert small and not notices
    for item, which in zip(found, small, strict=True):
        value = item.feature.value("radius")
        assert abs(value.value - RADII[which]) <= value.u95 < 0.25 * RADII[which], (which, value.value, value.u95)
