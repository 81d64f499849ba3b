"""Rounded or sharp by the shape of tone steps: drawn as a step blurred by a Gaussian, which is its integral, scipy's ndtr."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from capture.edges.flanks import rounded_share, step_shapes
from capture.edges.rim_fit import Edge
from capture.edges.round_holes import Circle
from capture.edges.rounding import ROUNDINGS, Rounding, open_rounding, rounding_on_bench, settled_rounding
from capture.edges.sheet_rounding import Tried
from capture.edges.strip import Contour, Strip

PX_PER_MM, BLUR_PX, STEP = 12.0, 0.8, 0.02
SIGMA = np.hypot(BLUR_PX, 0.3) / PX_PER_MM
METAL, SHADE, PAPER = 0.15, 0.3, 0.6
VIEW = SimpleNamespace(project=lambda places: PX_PER_MM * places[:, :2])


def ring(profile) -> Strip:
    """A round part of 60 mm whose tone at offsets (T,) where it faces (radians) is told by `profile`."""
    facing = np.linspace(-np.pi, np.pi, 900, endpoint=False)
    outward = np.column_stack([np.cos(facing), np.sin(facing)])
    offsets = np.arange(-1.9, 1.5, STEP)
    tone = np.array([profile(offsets, angle) for angle in facing])
    rng = np.random.default_rng(3)
    tone = np.repeat(tone[:, :, None], 3, axis=2) + rng.normal(0, 0.001, (*tone.shape, 3))
    none = np.zeros(tone.shape[:2])
    contour = Contour(30 * outward, outward, 2.0)
    return Strip(contour, offsets[0], STEP, none, none, none, PX_PER_MM, tone=tone.astype(np.float32))


def share(profile) -> float:
    strip = ring(profile)
    rows = len(strip.contour.xy)
    return rounded_share([step_shapes(strip, VIEW, np.zeros(rows), np.full(rows, -0.3), BLUR_PX)])


def risen(x, at, size, sigma=SIGMA):
    return size * ndtr((x - at) / sigma)


def plain(x, angle):
    return METAL + risen(x, 0.0, PAPER - METAL)


def shaded(x, angle):
    """A shadow that grows to 0.9 mm where the edge faces away from the light, and softer as it grows."""
    width = 0.9 * max(np.cos(angle), 0.0)
    soft = np.hypot(SIGMA, 0.2 * width)
    return METAL + risen(x, 0.0, SHADE - METAL) + risen(x, width, PAPER - SHADE, soft)


def bright_band(x, angle):
    """A rounding of 0.2 mm that shines towards the camera, more where it faces the light."""
    shine = 0.5 + 0.2 * np.cos(angle)
    return METAL + risen(x, -0.2, shine) + risen(x, -0.05, PAPER - METAL - shine)


def wide(x, angle):
    """A rounding that shades evenly from the metal's tone to the paper's."""
    return METAL + sum(risen(x, at, (PAPER - METAL) / 20) for at in np.linspace(-0.3, 0.0, 20))


@pytest.mark.parametrize("profile", [plain, shaded])
def test_a_sharp_edge_with_and_without_its_shadow_is_not_rounded(profile):
    assert share(profile) < 0.15


@pytest.mark.parametrize("profile", [bright_band, wide])
def test_a_band_or_a_step_wider_than_blur_all_round_is_a_rounding(profile):
    assert share(profile) > 0.7


def test_nothing_to_look_at_tells_nothing():
    strip = ring(plain)
    rows = len(strip.contour.xy)
    assert rounded_share([step_shapes(strip, VIEW, np.zeros(rows), np.full(rows, 0.3), BLUR_PX)]) == 0.5


def test_steps_as_steep_as_blur_outweigh_scores_of_the_outline_but_not_of_the_holes():
    outline, holes = np.array([0.6, 0.8, 0.8, 0.9]), np.array([0.3, 0.1, 0.1, 0.1])
    assert settled_rounding(np.array([outline, holes]), 1.0, 12.0).radius == 0.3
    assert settled_rounding(np.array([outline, holes]), 1.0, 12.0, rounded=0.05).radius == 0
    assert settled_rounding(np.array([outline, holes[::-1]]), 1.0, 12.0, rounded=0.05).radius > 0


def test_where_light_tells_later_holes_that_look_sharp_outweigh_an_outline_beside_its_shadow():
    outline, holes = np.array([0.5, 0.64, 0.62, 0.7]), np.array([0.18, 0.15, 0.13, 0.12])
    assert settled_rounding(np.array([outline, holes]), 1.0, 12.0, rounded=0.3).radius == 0.3
    later = settled_rounding(np.array([outline, holes]), 1.0, 12.0, rounded=0.3, later=True)
    assert later.radius == 0 and later.doubt > 0.06, "taken for sharp, in doubt"
    assert settled_rounding(np.array([outline, holes[::-1]]), 1.0, 12.0, rounded=0.3, later=True).radius > 0
    assert settled_rounding(np.array([outline, holes]), 1.0, 12.0, rounded=0.9, later=True).radius > 0


def test_what_was_found_under_another_rounding_is_kept():
    """Candidates and outline of every rounding, so that light may tell of another one later."""
    strip = ring(plain)
    edges = [Edge(strip, None, 1.0, 0.1 * i) for i in range(len(ROUNDINGS))]
    two = [
        [Circle(0.0, 0.0, 3.0, score) for score in scores] for scores in ([0.9, 0.5, 0.2, 0.1], [0.3, 0.4, 0.6, 0.2])
    ]
    tried = Tried(two, edges, 0.5, Rounding(0, 0.0, 0.0))
    circles, edge = tried.of(0.2)
    assert [circle.score for circle in circles] == [0.6, 0.2] and edge is edges[2]
    assert tried.of(0.0)[0][0].score == 0.9


def test_a_band_all_round_is_a_rounding_whatever_the_scores():
    sharp = np.array([0.9, 0.5, 0.55, 0.5])
    settled = settled_rounding(sharp[None], 1.0, 12.0, rounded=0.9)
    assert settled.radius == ROUNDINGS[2]


def test_a_band_is_believed_at_fewer_pixels_than_its_absence():
    sharp = np.array([0.9, 0.5, 0.55, 0.5])
    assert rounding_on_bench(sharp[None], 1.0, 4.0, 0.9).radius == 0.2
    unseen = rounding_on_bench(sharp[None], 1.0, 4.0, 0.02)
    assert unseen.radius == 0 and unseen.inset > 0
    assert rounding_on_bench(sharp[None], 1.0, 12.0, 0.02).inset == 0


@pytest.mark.parametrize("black", [False, True])
@pytest.mark.parametrize("rounded", [0.02, 0.9])
def test_pixels_of_half_a_millimetre_leave_the_rim_in_more_doubt(rounded, black):
    sharp = np.array([[0.9, 0.5, 0.55, 0.5]])
    coarse, usual = (rounding_on_bench(sharp, 1.0, scale, rounded, black=black).doubt for scale in (2.0, 6.0))
    assert coarse > 0.14 and usual < 0.1
    assert open_rounding(2.0, black=black).doubt > open_rounding(6.0, black=black).doubt


@pytest.mark.parametrize(("rounded", "radius"), [(0.0, 0.0), (1.0, 0.2)])
def test_shapes_as_sure_as_can_be_settle_even_scores_where_pixels_resolve_a_rounding(rounded, radius):
    even = np.full((1, len(ROUNDINGS)), 0.8)
    settled = rounding_on_bench(even, 1.0, 12.0, rounded)
    assert settled.radius == radius and 0 < settled.doubt < 0.1
