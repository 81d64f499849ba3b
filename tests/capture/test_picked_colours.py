"""Picked edges of grey metal on wood that is as bright: only the colour steps, and the wood's grain is stronger than it."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from PIL import Image as Pil

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges.candidates import Pick
from capture.edges.picked import measure_picks
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.strip import Lit, linear_light
from capture.pieces import strip

GREY, WOOD = (0.30, 0.30, 0.30), (0.415, 0.275, 0.145)
"""Linear light of the same mean square root, so that nothing but the colour tells one from the other."""
PLACES = np.array([[0.0, 0, 0], [0.0, 250, 0], [math.pi / 2, 240, -70], [math.pi / 2, 240, 265]])
RADIUS = 30.0


@pytest.fixture(scope="module")
def shot(drawn, tmp_path_factory):
    plate = drawn.Plate(width=130, length=180, corners=(RADIUS,) * 4, holes=(), thickness=1.3, height=1.3, x=140, y=120)
    light = drawn.Light(bench=WOOD, face=GREY, wall=(0.12, 0.12, 0.12), texture=0.01)
    camera = drawn.look(25, 270, 500, middle=(140, 120), size=(3200, 2400))
    scene = drawn.Scene(camera, plate, pieces=tuple(strip(i) for i in range(4)), places=PLACES, light=light)
    picture = drawn.draw(scene).astype(np.float32)
    grain = cv2.GaussianBlur(np.random.default_rng(3).standard_normal(picture.shape[:2]).astype(np.float32), (0, 0), 3)
    picture = np.clip(picture * (1 + 0.06 * grain / grain.std())[..., None], 0, 255).astype(np.uint8)
    path = drawn.save(tmp_path_factory.mktemp("wood") / "plate.jpg", picture)
    with Pil.open(path) as plain:  # as phones store it: colours at half resolution
        plain.load()
        plain.save(path, exif=plain.getexif(), quality=88, subsampling=2)
    image = open_image(path)
    first = strip(0)
    bench = solve_bench(image, find_pieces(image), print_x=first.width, print_y=first.height)
    return plate, bench, Lit(linear_light(image.colour()))


def corner(plate, right: bool, off: float) -> np.ndarray:
    """Four way-points on an upper corner, every other one `off` mm to one side."""
    angles = np.radians([5, 35, 60, 85]) if right else np.radians([95, 120, 145, 175])
    middle = np.array([(1 if right else -1) * (plate.width / 2 - RADIUS), plate.length / 2 - RADIUS])
    reach = RADIUS + off * np.array([1, -1, 1, -1])[:, None]
    return plate.on_bench(middle + reach * np.column_stack([np.cos(angles), np.sin(angles)]))


@pytest.mark.parametrize("off", [0.0, 1.5])
def test_colour_tells_an_edge_whose_tone_does_not(shot, off):
    plate, bench, lit = shot
    known = FaceKnowledge(Sheet(1.3, 1.3, on_paper=False), 0.02, 0.05)
    top = plate.on_bench([[-30.0, plate.length / 2 + off], [30.0, plate.length / 2 - off]])
    picks = [Pick("top", "line", top, known, metal="right")]
    picks += [Pick(f"corner {i}", "arc", corner(plate, i == 1, off), known) for i in (0, 1)]
    found, notices = measure_picks(lit, bench, picks)
    assert len(found) == 3, notices
    for item in found:
        beside = plate.outside(*item.points.xyz[:, :2].T)
        assert np.std(beside) < 0.1 and abs(np.mean(beside)) < 0.12, (
            item.feature.name,
            np.std(beside),
            np.mean(beside),
        )
    for item in found[1:]:
        value = item.feature.value("radius")
        assert abs(value.value - RADIUS) <= min(value.u95, 0.02 * RADIUS), (value.value, value.u95)
