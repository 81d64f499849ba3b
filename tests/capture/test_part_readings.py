"""Readings of the steps round a rounded edge: against blurred profiles in closed form, and drawn photos."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.special import erf

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges.likely_circles import settled_rounds
from capture.edges.readings import readings
from capture.edges.rim_fit import FaceKnowledge, refined_round
from capture.edges.rims import LOWER, Sheet
from capture.edges.round_holes import circle_contour
from capture.edges.strip import Contour, Lit, Strip, linear_light

STEP, START, COLUMNS, ROWS, PX_PER_MM = 0.02, -3.0, 300, 20, 8.0
OFFSETS = START + STEP * np.arange(COLUMNS)
ROUNDED = Sheet(2.0, 2.0, 0.2)


def profile(edges: list[tuple[float, float]], blur: float) -> np.ndarray:
    """Perceived brightness (COLUMNS,) of a face of 0.5 with steps (offset, size), each blurred by a Gaussian: an erf."""
    return 0.5 + sum(size * (1 + erf((OFFSETS - at) / (blur * np.sqrt(2)))) / 2 for at, size in edges)


def strip_of(bright: np.ndarray, hue: np.ndarray | None = None) -> Strip:
    """A strip of equal rows whose steps are where the slope of a profile is steepest, to a part of a column."""
    slope = np.abs(np.gradient(bright, STEP))
    peaks = 1 + np.flatnonzero((slope[1:-1] > slope[:-2]) & (slope[1:-1] >= slope[2:]) & (slope[1:-1] > 0.05))
    strength, shift = np.zeros((ROWS, COLUMNS)), np.zeros((ROWS, COLUMNS))
    before, here, after = slope[peaks - 1], slope[peaks], slope[peaks + 1]
    strength[:, peaks], shift[:, peaks] = 0.9, (before - after) / (2 * (before - 2 * here + after))
    contour = Contour(
        np.column_stack([np.zeros(ROWS), 0.2 * np.arange(ROWS)]), np.tile([1.0, 0.0], (ROWS, 1)), 2.0, False
    )
    summed = [np.concatenate([np.zeros((ROWS, 1)), np.cumsum(v, axis=1)], axis=1) for v in (strength, shift)]
    shares = (
        None
        if hue is None
        else np.concatenate([np.zeros((ROWS, 1)), np.cumsum(np.tile(hue, (ROWS, 1)), axis=1)], axis=1)
    )
    tone = np.tile((bright**2)[None, :, None], (ROWS, 1, 3)).astype(np.float32)
    return Strip(contour, START, STEP, strength, shift, summed[0], PX_PER_MM, shares, None, tone)


@pytest.mark.parametrize("band", [0.3, -0.3])
@pytest.mark.parametrize("blur_px", [0.8, 1.3, 2.0])
def test_a_bright_or_dark_band_places_the_contour_whatever_the_blur(band, blur_px):
    """Blur drives the two sides of a band apart evenly, so its middle stays."""
    at = 0.07
    blur = np.hypot(blur_px, np.hypot(0.6, 0.35)) / PX_PER_MM
    strip = strip_of(profile([(at - 0.2, band), (at, -band)], blur))
    told = readings(strip, ROUNDED, np.zeros(ROWS), blur_px)
    best = told.worth / told.spread == (told.worth / told.spread).max()
    np.testing.assert_allclose(told.place[best], at, atol=0.003)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_single_step_is_read_at_every_place_of_the_band(share):
    """Where light leaves one step, some reading has the truth, whichever side of the band it lies on."""
    at = -0.05
    strip = strip_of(profile([(at - 0.2 * (1 - share), 0.4)], 0.15))
    told = readings(strip, ROUNDED, np.zeros(ROWS), 0.9)
    assert (np.abs(told.place - at) < 0.003).any()
    assert told.place.min() > at - 0.21 and told.place.max() < at + 0.21


def test_a_lower_rim_is_read_where_the_wall_shows_only():
    wall = np.where(np.arange(ROWS) < 10, 1.0, -1.0)
    told = readings(strip_of(profile([(1.03, 0.4)], 0.15)), ROUNDED, wall, 0.9)
    lower = told.as_points == LOWER
    assert set(told.row[lower]) == set(range(10))
    # A wall much wider than the blur is measured less the shadow in its corner, in plan.
    np.testing.assert_allclose(told.place[lower], 0.03, atol=0.06)


def test_hue_tells_a_shadows_edge_on_paper_from_the_end_of_the_part():
    """A step with paper on both sides is no end of the part; one with the part inside may be."""
    bright = profile([(-0.4, 0.2), (0.3, 0.2)], 0.12)
    part_to_minus_0_4 = np.where(OFFSETS < -0.4, 1.0, 0.0)
    wall = np.full(ROWS, -1.0)
    plain, hued = (readings(strip_of(bright, hue), ROUNDED, wall, 0.9) for hue in (None, part_to_minus_0_4))
    shadow = plain.offset > 0
    np.testing.assert_array_equal(plain.place, hued.place)
    assert (hued.worth[shadow] < 0.2 * plain.worth[shadow]).all()
    np.testing.assert_allclose(hued.worth[~shadow], plain.worth[~shadow], rtol=0.05)


@pytest.fixture(scope="module")
def rounded(drawn, tmp_path_factory):
    """A plate with an edge rounded 0.2 mm and four holes at 24°, 8 px per mm, its wall and its shadow in the holes."""
    holes = (drawn.Hole(-22, -38, 8.0), drawn.Hole(22, 38, 12.0), drawn.Hole(20, -30, 6.0), drawn.Hole(-18, 34, 16.0))
    plate = drawn.Plate(76, 112, (8, 8, 20, 3), holes, angle=0.1, rounding=0.2)
    camera = drawn.look(24, 60, 250, size=(2800, 2100))
    picture = drawn.draw(drawn.Scene(camera, plate, light=drawn.Light(shadow=(0.3, 0.4))))
    image = open_image(drawn.save(tmp_path_factory.mktemp("rounded") / "shot.png", picture))
    bench = solve_bench(image, find_pieces(image), print_x=180.0, print_y=240.0)
    return bench, Lit(linear_light(image.colour())), plate


def found(rounded, known: FaceKnowledge):
    """Each hole found alone, from a start 0.1 mm off, and its truth."""
    bench, lit, plate = rounded
    truth = [(*plate.on_bench([(h.x, h.y)])[0], h.diameter / 2) for h in plate.holes]
    alone = []
    for x, y, r in truth:
        contour = lambda x, y, r: circle_contour(x, y, r, plate.height, 0.2)  # noqa: E731
        alone.append(refined_round(lit, bench, known, contour, np.array([x + 0.08, y - 0.06, r + 0.05])))
    return alone, np.array(truth)


@pytest.mark.parametrize("told", [True, False])
def test_holes_of_a_rounded_plate_keep_within_the_bars_for_rounded_edges(rounded, told):
    """0.12 mm between holes, 0.25 mm in diameter, and U95 that hold, rounding told or only possible."""
    bench, lit, _ = rounded
    sheet = Sheet(2.0, 2.0, 0.2 if told else 0.0)
    known = FaceKnowledge(sheet, 0.02, 0.02, *((0.0, 0.02) if told else (0.1, 0.08)))
    alone, truth = found(rounded, known)
    settled = [circle for circle, _, _ in settled_rounds(lit, bench, known, alone)]
    places = np.array([circle.vector(("x", "y")) for circle in settled])
    for i, j in combinations(range(len(truth)), 2):
        apart = np.hypot(*(places[i] - places[j])) - np.hypot(*(truth[i, :2] - truth[j, :2]))
        assert abs(apart) < 0.12
    for circle, (x, y, r) in zip(settled, truth, strict=True):
        assert abs(circle["diameter"] - 2 * r) < min(0.25, circle.value("diameter").u95)
        assert abs(circle["x"] - x) < 1.5 * circle.value("x").u95 and abs(circle["y"] - y) < 1.5 * circle.value("y").u95


def test_one_hole_helps_another_to_tell_how_the_edge_looks(rounded):
    """What all holes of a photo share is told by all: alone, a hole's diameter is less sure."""
    bench, lit, _ = rounded
    known = FaceKnowledge(ROUNDED, 0.02, 0.02)
    alone, _ = found(rounded, known)
    together = settled_rounds(lit, bench, known, alone)
    single = [settled_rounds(lit, bench, known, [one])[0] for one in alone]
    at = together[0][0].index("diameter")
    own = [np.mean([circle.cov_own[at, at] for circle, _, _ in which]) for which in (together, single)]
    assert own[0] < own[1]


def test_holes_with_sharp_edges_are_left_alone(rounded):
    bench, lit, _ = rounded
    known = FaceKnowledge(replace(ROUNDED, rounding=0.0), 0.02, 0.02)
    alone, _ = found(rounded, known)
    assert settled_rounds(lit, bench, known, alone) == alone
