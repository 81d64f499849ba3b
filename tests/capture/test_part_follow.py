"""Following an edge: the best path through scores, even spacing, outward sides, and a real edge beside a shadow."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from capture.edges.follow import contour_along, follow_edge, resampled, thread, trace_edge
from capture.edges.rims import LOWER, Sheet, rim_points
from capture.edges.strip import Lit, linear_light


def best_by_trying(score: np.ndarray, cost: float) -> float:
    """The best total of all paths that move at most two columns a row, by trying every one."""
    rows, columns = score.shape
    return max(
        sum(score[i, c] for i, c in enumerate(path)) - cost * sum(abs(a - b) for a, b in itertools.pairwise(path))
        for path in itertools.product(range(columns), repeat=rows)
        if all(abs(a - b) <= 2 for a, b in itertools.pairwise(path))
    )


@pytest.mark.parametrize("cost", [0.0, 0.2, 1.0])
@pytest.mark.parametrize("seed", range(3))
def test_the_path_is_the_best_of_all(seed, cost):
    score = np.random.default_rng(seed).uniform(size=(6, 5))
    path = thread(score, cost, 2, closed=False)
    assert (np.abs(np.diff(path)) <= 2).all()
    total = score[np.arange(6), path].sum() - cost * np.abs(np.diff(path)).sum()
    assert total == pytest.approx(best_by_trying(score, cost), abs=1e-12)


def test_a_ring_forgets_where_it_began():
    """A closed edge's path is the same wherever its first row is."""
    rng, turn = np.random.default_rng(2), np.arange(120) * 2 * np.pi / 120
    wave = 20 + 8 * np.sin(turn)
    score = np.exp(-(((np.arange(41) - wave[:, None]) / 2) ** 2)) + 0.3 * rng.uniform(size=(120, 41))
    path = thread(score, 0.2, 2, closed=True)
    assert np.abs(path - wave).max() < 3
    again = thread(np.roll(score, 47, axis=0), 0.2, 2, closed=True)
    np.testing.assert_array_equal(np.roll(path, 47), again)


def test_even_spacing_keeps_length_and_ends():
    turn = np.linspace(0, 2 * np.pi, 500, endpoint=False) ** 1.3 / (2 * np.pi) ** 0.3
    ring = 20 * np.column_stack([np.cos(turn), np.sin(turn)])
    even = resampled(ring, 0.5, 0.0)
    steps = np.hypot(*np.diff(even, axis=0, append=even[:1]).T)
    assert steps.sum() == pytest.approx(2 * np.pi * 20, rel=1e-3)
    assert np.ptp(steps) < 0.02
    line = np.column_stack([np.linspace(0, 30, 17), 0.1 * np.linspace(0, 30, 17)])
    smooth = resampled(line, 0.5, 2.0, closed=False)
    np.testing.assert_allclose(smooth[[0, -1]], line[[0, -1]], atol=1e-9)
    np.testing.assert_allclose(smooth[:, 1], 0.1 * smooth[:, 0], atol=1e-9)


@pytest.mark.parametrize("turned", [False, True], ids=["anticlockwise", "clockwise"])
@pytest.mark.parametrize("material_inside", [True, False])
def test_outward_is_away_from_the_material(turned, material_inside):
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    ring = (5 * ray)[::-1] if turned else 5 * ray
    contour = contour_along(ring, 1.0, material_inside=material_inside)
    away = (contour.outward * contour.xy).sum(axis=1) / 5
    np.testing.assert_allclose(away, 1.0 if material_inside else -1.0, atol=1e-2)


def test_open_lines_have_the_material_to_their_left():
    contour = contour_along(np.array([[0.0, 0], [1, 0], [2, 0]]), 0.0, material_inside=True, closed=False)
    np.testing.assert_allclose(contour.outward, [[0, -1]] * 3)


@pytest.fixture(scope="module")
def shadowed(drawn):
    """A plate with a hard shadow on one side, seen at 12°, and where its edge truly is."""
    plate = drawn.Plate(76, 112, (8, 8, 8, 8), holes=(), angle=0.06)
    camera = drawn.look(12, 250, 250)
    scene = drawn.Scene(camera, plate, light=drawn.Light(shadow=(0.8, 0.5), soft=0.1))
    return plate, camera, Lit(linear_light(drawn.draw(scene)[..., ::-1].copy()))


def rough_contour(plate, off: float) -> np.ndarray:
    """A rough contour of pixels, as a mask gives it, 1 ± `off` mm outside the plate."""
    step = 0.2
    x, y = np.meshgrid(np.arange(20, 160, step), np.arange(220, 20, -step))
    wave = 1.0 + off * np.sin(np.arctan2(y - plate.y, x - plate.x) * 9)
    contours, _ = cv2.findContours(
        (plate.outside(x, y) < wave).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    return contours[0][:, 0] * [step, -step] + [20, 220]


def test_the_edge_is_followed_not_its_shadow(shadowed):
    """From a contour up to two millimetres wrong to the sheet's edge within a tenth of a pixel or so (4.9 px per mm)."""
    plate, camera, lit = shadowed
    sheet = Sheet(plate.height, plate.thickness)
    ((strip, offset, wall),) = follow_edge(lit, camera, [sheet], rough_contour(plate, 1.0), material_inside=True)
    found = strip.contour.at(offset)
    assert np.abs(plate.outside(found[:, 0], found[:, 1])).max() < 0.25
    picked = rim_points(strip, sheet, offset, wall)
    assert len(picked.row) > 0.95 * len(offset)
    place = np.zeros(len(offset))
    place[picked.row] = picked.offset + picked.inset - np.where(picked.kind == LOWER, wall[picked.row], 0)
    edge = strip.contour.at(place)[picked.row]
    miss = plate.outside(edge[:, 0], edge[:, 1])
    assert abs(np.median(miss)) < 0.02
    assert np.percentile(np.abs(miss), 95) < 0.08


def round_the_shadow(plate, cast: tuple[float, float]) -> np.ndarray:
    """A rough contour round plate and shadow, as a mask of what is not bare paper gives it."""
    step = 0.2
    x, y = np.meshgrid(np.arange(20, 160, step), np.arange(220, 20, -step))
    levels = np.linspace(0, plate.height, 5)
    dark = np.min([plate.outside(x - z * cast[0], y - z * cast[1]) for z in levels], axis=0) < 0.3
    contours, _ = cv2.findContours(dark.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return contours[0][:, 0] * [step, -step] + [20, 220]


@pytest.mark.parametrize("cast", [(0.97, 0.83), (1.1, 0.9)])
def test_a_black_sheet_in_its_own_hard_shadow(drawn, cast):
    """The step from black to shadowed paper is far fainter than that from shadow to light, yet it is the edge."""
    plate = drawn.Plate(76, 112, (8, 8, 8, 8), holes=(), angle=0.06, thickness=3.0, height=3.0)
    camera = drawn.look(5, 250, 250)
    black = drawn.Light(
        face=(0.017, 0.015, 0.0125), wall=(0.01, 0.01, 0.01), shadow=cast, soft=0.05, dark=0.03, texture=0.1
    )
    lit = Lit(linear_light(drawn.draw(drawn.Scene(camera, plate, light=black, noise=0.008))[..., ::-1].copy()))
    rough = round_the_shadow(plate, cast)
    ((strip, offset, _),) = follow_edge(lit, camera, [Sheet(3.0, 3.0)], rough, material_inside=True)
    found = strip.contour.at(offset)
    miss = np.abs(plate.outside(found[:, 0], found[:, 1]))
    assert np.median(miss) < 0.15
    assert (miss > 0.3).mean() < 0.03


def test_a_guide_leads_to_the_clearest_edge(shadowed):
    plate, camera, lit = shadowed
    line = trace_edge(lit, camera, plate.height, rough_contour(plate, 1.0), closed=True)
    miss = plate.outside(line[:, 0], line[:, 1])
    assert np.median(np.abs(miss)) < 0.3
