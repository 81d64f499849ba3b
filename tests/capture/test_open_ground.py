"""Which side of an edge is ground, told by the bench beside the printed strips; of made-up tones.

That a dull surface is as bright against white in one place as in another lit alike is Lambert's law (J. H. Lambert,
Photometria, 1760; from memory).
"""

import math

import numpy as np
import pytest

from capture.edges.open_ground import OpenGround, _plane
from capture.edges.strip import Contour

SHADE = np.log([0.22, 0.3, 0.35])


def edge_at(x: float) -> Contour:
    y = np.linspace(0, 40, 50)
    return Contour(np.column_stack([np.full(50, x), y]), np.tile([1.0, 0.0], (50, 1)), 2.0, closed=False)


def ground(light: np.ndarray | None = None) -> OpenGround:
    return OpenGround(np.zeros((3, 3)) if light is None else light, SHADE)


@pytest.mark.parametrize("metal", [np.log([0.6, 0.6, 0.6]), np.log([0.12, 0.12, 0.12]), np.log([0.3, 0.2, 0.1])])
def test_metal_of_another_tone_is_told_from_the_bench(metal):
    told = ground().favours(edge_at(100), metal, SHADE + 0.03)
    assert told > 2.5
    assert ground().favours(edge_at(100), SHADE + 0.03, metal) == pytest.approx(-told)


def test_a_bench_in_shadow_keeps_its_hue_and_is_still_ground():
    assert ground().favours(edge_at(100), np.log([0.5, 0.5, 0.5]), SHADE - 0.9) > 1.5


def test_two_sides_that_both_look_like_the_bench_tell_nothing():
    assert abs(ground().favours(edge_at(100), SHADE + 0.02, SHADE - 0.02)) < 0.5


def test_nothing_is_told_where_no_bench_was_seen():
    blind = OpenGround(np.zeros((3, 3)), None)
    assert blind.favours(edge_at(100), SHADE, np.zeros(3)) == 0.0


def test_light_falling_off_across_the_bench_is_allowed_for():
    """Half the light 700 mm away: what is as bright there as the bench here is no bench."""
    light = np.zeros((3, 3))
    light[1] = math.log(0.5) / 7
    dim = SHADE + math.log(0.5)
    assert ground(light).favours(edge_at(700), SHADE, dim) > 2.5
    assert ground(light).favours(edge_at(0), dim, SHADE) > 1.0


def test_light_on_the_print_is_found_beside_glare():
    """A plane of light with a tenth of the places in glare comes out as without."""
    rng = np.random.default_rng(4)
    places = rng.uniform(0, 600, (300, 2))
    plane = np.array([[-0.5, -0.52, -0.6], [0.05, 0.05, 0.04], [-0.08, -0.08, -0.07]])
    tone = np.column_stack([np.ones(300), places / 100]) @ plane + rng.normal(0, 0.02, (300, 3))
    tone[:30] += 0.8
    found = np.array([1.0, 3.0, 3.0]) @ _plane(places, tone)
    np.testing.assert_allclose(found, np.array([1.0, 3.0, 3.0]) @ plane, atol=0.02)
