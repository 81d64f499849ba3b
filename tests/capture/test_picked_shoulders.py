"""Edges that blur hides in the flank of a stronger step beside them, on drawn photos with exact truth."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges import picked, shoulders
from capture.edges.candidates import Pick
from capture.edges.picked import measure_picks
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.strip import Lit, linear_light
from capture.pieces import frame

CORNERS = np.array([[-38.0, -56], [38, -56], [38, 56], [-38, 56]])
KNOWN = FaceKnowledge(Sheet(2.0, 2.0, on_paper=False), 0.02, 0.05)


@pytest.fixture(autouse=True)
def steps_alone(monkeypatch):
    """What is measured by steps, without the second reading that they are averaged with."""
    monkeypatch.setattr(picked, "between_readings", lambda _lit, _bench, _known, feature, points: (feature, points))


def dark_sheet(drawn, folder, wall: float, face: float = 0.05):
    """A dark sheet 2 mm thick on grey ground at 4.6 px/mm, seen at 30°: plate, solved bench and picture in linear light."""
    plate = drawn.Plate(thickness=2.0, height=2.0, corners=(0.5,) * 4, angle=0.05)
    light = drawn.Light(paper=(0.3, 0.3, 0.29), face=(face,) * 3, wall=(wall,) * 3, texture=0.02)
    scene = drawn.Scene(drawn.look(30, 250, 260), plate, light=light, blur=1.0)
    image = open_image(drawn.save(folder / "plate.jpg", drawn.draw(scene)))
    bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
    return plate, bench, Lit(linear_light(image.colour()))


def misses(shot) -> list[float]:
    """Mean distance of each side's measured points outward from the true edge, mm."""
    plate, bench, lit = shot
    picks = [
        Pick(str(i), "circle", plate.on_bench([[h.x + 1, h.y]]), KNOWN, h.diameter) for i, h in enumerate(plate.holes)
    ]
    for side in range(4):
        ends = np.array([CORNERS[side], CORNERS[(side + 1) % 4]])
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        near = ends + np.array([[8.0], [-8.0]]) * along + np.array([along[1], -along[0]])
        picks.append(Pick(f"side {side}", "line", plate.on_bench(near), KNOWN))
    found, notices = measure_picks(lit, bench, picks)
    assert len(found) == len(picks), notices
    return [float(plate.outside(*item.points.xyz[:, :2].T).mean()) for item in found[-4:]]


@pytest.fixture(scope="module")
def narrow(drawn, tmp_path_factory):
    return dark_sheet(drawn, tmp_path_factory.mktemp("narrow"), 0.1)


def test_a_face_ends_at_the_shoulder_of_its_walls_foot(narrow, monkeypatch):
    assert np.abs(misses(narrow)).max() < 0.2
    monkeypatch.setattr(picked, "at_its_shoulder", lambda lit, bench, sheet, edge: edge)
    assert np.abs(misses(narrow)).max() > 0.4


def test_a_wall_as_dark_as_the_face_is_where_geometry_says_that_it_shows(drawn, tmp_path, monkeypatch):
    shot = dark_sheet(drawn, tmp_path, 0.05)
    assert np.abs(misses(shot)).max() < 0.35
    monkeypatch.setattr(shoulders, "_wall_is_missed", lambda *_: False)
    assert np.abs(misses(shot)).max() > 0.6


def test_bare_metal_may_mirror_the_ground_and_is_left_as_found(drawn, tmp_path, monkeypatch):
    shot = dark_sheet(drawn, tmp_path, 0.09, face=0.09)
    told = misses(shot)
    monkeypatch.setattr(shoulders, "_wall_is_missed", lambda *_: False)
    assert misses(shot) == told


def test_a_shoulder_that_half_an_edge_shows_counts_by_half(narrow, monkeypatch):
    """The short sides, in two groups of lengths each."""

    def moved_by(*firsts: float) -> np.ndarray:
        groups = itertools.cycle(firsts)
        monkeypatch.setattr(shoulders, "_first_step", lambda *_, **__: next(groups))
        return np.array(misses(narrow))[[0, 2]]

    monkeypatch.setattr(shoulders, "_TOGETHER", 7)
    monkeypatch.setattr(shoulders, "_wall_is_missed", lambda *_: False)
    none = moved_by(np.nan)
    assert moved_by(-0.6) - none == pytest.approx(-0.6, abs=0.02)
    assert moved_by(*[-0.6, np.nan, *3 * [np.nan]]) - none == pytest.approx(-0.3, abs=0.02)


@pytest.mark.parametrize(("band", "told"), [(0.7, True), (0.4, False)])
def test_a_dark_shadow_beside_black_rubber_counts_where_blur_cannot_feign_it(band, told):
    """The shadow is a fortieth of the change to the ground, but most of the rubber's own tone; blurred by SciPy's erf."""
    from scipy.special import erf

    sigma, offsets = 0.2, shoulders._ACROSS.offsets
    steps = [(0.007, -band), (0.25, 0.0)]
    tone = 0.008 + sum(size * (1 + erf((offsets - at) / sigma / np.sqrt(2))) / 2 for size, at in steps)
    rows = tone + np.random.default_rng(5).normal(0, 4e-4, (8, len(offsets)))
    lengths = SimpleNamespace(tone=rows, blur=np.full(8, sigma))
    first = shoulders._first_step(lengths, np.arange(8), 0.0, hidden=True)
    assert first == pytest.approx(-band, abs=0.11) if told else np.isnan(first)
