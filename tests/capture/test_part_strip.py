"""Tone steps across a contour: found where the blurred edge is in linear light, whatever the file's curve does."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from capture.edges.strip import Contour, Lit, Palette, linear_light, unroll

SIZE = (400, 300)
PX_PER_MM = 10.0


class Above:
    """A pinhole camera 400 mm straight above the middle of a small bench: 10 px per mm on the bench."""

    centre = np.array([0.0, 0.0, 400.0])

    def project(self, xyz):
        depth = self.centre[2] - xyz[:, 2]
        f = PX_PER_MM * self.centre[2]
        return np.column_stack([f * xyz[:, 0] / depth + 199.5, -f * xyz[:, 1] / depth + 149.5])


def srgb(linear):
    """IEC 61966-2-1, as an 8-bit file stores it."""
    curve = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    return np.rint(255 * np.clip(curve, 0, 1)).astype(np.uint8)


def edge_picture(distance, low, high, blur_px, noise=0.0, seed=0):
    """A step seen through a pixel's box and a Gaussian, both exact: `distance` (H, W) in px from the edge."""
    sigma = math.hypot(blur_px, 1 / math.sqrt(12))
    share = erf_share(distance / sigma)
    linear = low + (high - low) * share + noise * np.random.default_rng(seed).normal(size=distance.shape)
    return cv2.merge([srgb(linear)] * 3)


def erf_share(z):
    """The normal distribution's integral, from a table good to 1e-6."""
    ticks = np.linspace(-6, 6, 6001)
    return np.interp(z, ticks, [0.5 * (1 + math.erf(t / math.sqrt(2))) for t in ticks])


def grid():
    return np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))


def test_linear_light_is_the_standard_curve():
    """Pairs of IEC 61966-2-1 from memory: 0.5 is 0.21404 linear, the toe is straight with slope 1/12.92."""
    levels = linear_light(np.arange(256, dtype=np.uint8)[None])[0] / 65535
    assert levels[0] == 0 and levels[255] == 1
    assert np.interp(0.5, np.arange(256) / 255, levels) == pytest.approx(0.21404, abs=3e-5)
    np.testing.assert_allclose(levels[:10], np.arange(10) / 255 / 12.92, atol=1e-5)
    np.testing.assert_array_equal(srgb(levels), np.arange(256))


@pytest.mark.parametrize("low, high", [(0.03, 0.75), (0.12, 0.3)])
@pytest.mark.parametrize("angle_deg, limit", [(0.0, 0.05), (17.0, 0.01), (45.0, 0.02), (90.0, 0.05)])
def test_straight_edges_to_hundredths_of_a_pixel(angle_deg, limit, low, high):
    """Edges at any direction and place between pixels; the middle of the blurred step is the edge in linear light.

    An edge exactly along a pixel row is the worst case, all its rows erring alike; over all places between pixels the
    error is nil. A little noise, as every camera has, keeps all rows from being rounded to 8 bits alike.
    """
    angle, (u, v) = math.radians(angle_deg), grid()
    normal = np.array([math.cos(angle), math.sin(angle)])  # in the bench's x, y; the picture's v runs down
    misses = []
    for shift in np.arange(8) / 8:
        distance = (u - 199.5) * normal[0] - (v - 149.5) * normal[1] - shift
        picture = Lit(linear_light(edge_picture(distance, low, high, 0.8, 0.004)))
        along = np.linspace(-8, 8, 81)[:, None] * [-normal[1], normal[0]]
        strip = unroll(picture, Above(), Contour(along, np.tile(normal, (81, 1)), 0.0, closed=False), (-2, 2), 0.3)
        place, strength = strip.nearest(np.full(81, shift / PX_PER_MM), 0.15)
        assert (strength > 0.9).all()
        misses.append(place * PX_PER_MM - shift)
    assert np.abs(np.mean(misses, axis=1)).max() < limit
    assert abs(np.mean(misses)) < 0.01


@pytest.mark.parametrize("bright", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("outside", [True, False])
def test_a_clipped_side_moves_the_step_to_the_dark_one(bright, outside):
    """What is `bright` times too bright is cut low on its blurred step; within the doubt stated."""
    from capture.edges.rim_fit import _GLARE_PX, _GLARE_U_PX

    angle, (u, v), sign = math.radians(17.0), grid(), 1.0 if outside else -1.0
    normal = np.array([math.cos(angle), math.sin(angle)])
    distance = (u - 199.5) * normal[0] - (v - 149.5) * normal[1]
    picture = Lit(linear_light(edge_picture(sign * distance, 0.2, bright, 0.8, 0.004)))
    along = np.linspace(-8, 8, 81)[:, None] * [-normal[1], normal[0]]
    strip = unroll(picture, Above(), Contour(along, np.tile(normal, (81, 1)), 0.0, closed=False), (-2, 2), 0.3)
    place, _ = strip.nearest(np.zeros(81), 0.3)
    glare = strip.glare(np.arange(81), place)
    assert (sign * glare > 0.85).all()
    miss = float(np.mean(place)) * PX_PER_MM
    assert sign * miss < -0.05, "the step shows on the dark side"
    assert abs(miss + sign * _GLARE_PX) < 2 * _GLARE_U_PX
    plain = unroll(
        Lit(linear_light(edge_picture(distance, 0.2, 0.8, 0.8, 0.004))), Above(), strip.contour, (-2, 2), 0.3
    )
    assert plain.clipped is None and not plain.glare(np.arange(81), place).any()


def test_file_values_would_not_do():
    """The control: the same dark-to-light step, its slope's top taken in file values, lies beside the edge."""
    u, _ = grid()
    row = edge_picture(u - 200.0, 0.03, 0.75, 0.8)[0, :, 0].astype(float)
    slope = np.diff(row)
    top = int(slope.argmax())
    bend = slope[top - 1] - 2 * slope[top] + slope[top + 1]
    place = top + 0.5 + (slope[top - 1] - slope[top + 1]) / (2 * bend)
    assert abs(place - 200.0) > 0.1


def test_noise_and_texture_make_no_steps():
    rng = np.random.default_rng(3)
    flat = cv2.merge([srgb(0.3 + 0.01 * rng.normal(size=SIZE[::-1]))] * 3)
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    strip = unroll(Lit(linear_light(flat)), Above(), Contour(8 * ray, ray, 0.0), (-2, 2), 0.3)
    assert np.percentile(strip.total[:, -1], 50) < 6  # a clear edge gives about 1 in a tenth of that width
    clear = edge_picture(
        np.hypot(*(c - o for c, o in zip(grid(), (199.5, 149.5), strict=True))) - 80, 0.2, 0.6, 0.8, 0.01
    )
    strip = unroll(Lit(linear_light(clear)), Above(), Contour(8 * ray, ray, 0.0), (-2, 2), 0.3)
    assert (strip.around(np.zeros(120), 0.1) > 0.9).mean() > 0.97


def test_hue_tells_part_from_shadow():
    """A shadow keeps the paper's hue at any brightness; the part's own hue counts as part."""
    paper, part = np.array([0.74, 0.77, 0.78]), np.array([0.05, 0.07, 0.18])
    hues = paper / paper.sum(), part / part.sum()
    palette = Palette(hues[0], hues[1] - hues[0])
    np.testing.assert_allclose(palette.part_share(np.float32([[paper, 0.2 * paper]])), 0, atol=1e-6)
    np.testing.assert_allclose(palette.part_share(np.float32([[part, 0.5 * part]])), 1, atol=1e-6)


def test_summing_steps():
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    distance = np.hypot(*(c - o for c, o in zip(grid(), (199.5, 149.5), strict=True)))
    picture = edge_picture(np.minimum(distance - 80, 95 - distance), 0.1, 0.6, 0.8)  # a light ring from 8 to 9.5 mm
    strip = unroll(Lit(linear_light(picture)), Above(), Contour(8.5 * ray, ray, 0.0), (-3, 3), 0.3)
    both = strip.between(np.full(100, -0.7), np.full(100, 1.2))
    np.testing.assert_allclose(np.median(both), 2.0, atol=0.2)
    for place in (-0.5, 1.0):
        found, _ = strip.nearest(np.full(100, place), 0.2)
        assert np.median(found) == pytest.approx(place, abs=0.004)
