"""Painted sheets told from their shadows by colour, on drawn photos with exact truth."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges import shade_blind
from capture.edges.follow import contour_along, resampled
from capture.edges.moved import contour_told, offsets_told
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_at
from capture.edges.rims import HIDDEN, OUTLINE, RimPoints, Sheet
from capture.edges.shade_blind import told_in_shadow
from capture.edges.strip import Contour, Lit, linear_light
from capture.pieces import frame

CORNERS = np.array([[-38.0, -56], [38, -56], [38, 56], [-38, 56]])
KNOWN = FaceKnowledge(Sheet(2.0, 2.0, on_paper=False), 0.02, 0.05)
RED, GREY = (0.16, 0.02, 0.015), (0.08, 0.08, 0.08)


@pytest.fixture(scope="module")
def told(drawn, tmp_path_factory):
    """What tells a sheet of a colour, seen from above its lower left: each side's edge, begun 0.3 mm out in the shadow."""

    def shot(face):
        plate = drawn.Plate(thickness=2.0, height=2.0, corners=(0.5,) * 4, angle=0.05, x=120.0, y=160.0)
        light = drawn.Light(paper=(0.3, 0.3, 0.29), face=face, wall=face, texture=0.02, shadow=(0.7, 0.5))
        scene = drawn.Scene(drawn.look(18, 225, 260), plate, light=light, blur=1.0)
        image = open_image(drawn.save(tmp_path_factory.mktemp("paint") / "plate.jpg", drawn.draw(scene)))
        bench = solve_bench(image, find_pieces(image), print_x=frame().width, print_y=frame().height)
        lit = Lit(linear_light(image.colour()))
        for side in range(4):
            ends = np.array([CORNERS[side], CORNERS[(side + 1) % 4]])
            along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
            out = np.array([along[1], -along[0]])
            line = plate.on_bench(ends + np.array([[6.0], [-6.0]]) * along + 0.3 * out)
            contour = contour_along(resampled(line, 0.25, 0.0, closed=False), 2.0, material_inside=True, closed=False)
            edge = told_in_shadow(lit, bench, KNOWN.sheet, edge_at(lit, bench, KNOWN, contour))
            hidden = bool(np.median(KNOWN.sheet.wall(bench, contour)) < 0)
            at = None if edge is None else contour_told(bench, KNOWN.sheet, edge).xy
            yield hidden, None if at is None else float(np.median(plate.outside(*at.T)))

    return lambda face: list(shot(face))


def test_red_paint_ends_where_its_colour_does_in_light_and_shadow(told):
    sides = told(RED)
    misses = [miss for hidden, miss in sides if hidden]
    assert len(misses) == 2 and np.abs(misses).max() < 0.1


def test_where_a_red_wall_shows_colour_has_half_a_say_against_a_reading_of_tone_in_the_shadow(told):
    """Tone began 0.3 mm outside, in the shadow; how a wall is lit is not known well enough to leave it all to colour."""
    misses = [miss for hidden, miss in told(RED) if not hidden]
    assert len(misses) == 2 and min(misses) > 0 and max(misses) < 0.25


def test_grey_on_grey_is_told_by_no_colour(told):
    assert all(miss is None for _, miss in told(GREY))


@pytest.mark.parametrize(("told_to", "last"), [(28.0, 39.8), (36.0, 36.0)])
def test_where_colour_tells_nothing_of_an_end_tone_tells_it_in_line_with_the_rest(told_to, last):
    """An edge of 40 mm, tone .1 mm inside of where colour has it; what colour leaves out by less than 5 mm stays out."""
    x = np.arange(200) * 0.2
    contour = Contour(np.column_stack([x, 0 * x]), np.tile([0.0, 1.0], (200, 1)), 2.0, closed=False)
    view, every = SimpleNamespace(centre=np.array([20.0, -200.0, 300.0])), 4
    row = np.arange(200)
    one = np.ones(200)
    by_tone = Edge(
        SimpleNamespace(contour=contour), RimPoints(row, -0.1 * one, HIDDEN + 0 * row, one, 0 * one), 1.0, 1.0
    )
    some = row[(x <= told_to) & (row % every == 0)]
    by_colour = replace(by_tone, picked=RimPoints(some, 0.0 * some, OUTLINE + 0 * some, 0.0 * some + 1, 0.0 * some))
    found = shade_blind._with_ends(view, KNOWN.sheet, by_colour, by_tone, every)
    assert found.picked.row[0] == 0 and x[found.picked.row[-1]] == pytest.approx(last, abs=0.8)
    assert (np.diff(found.picked.row) > 0).all()
    assert offsets_told(view, KNOWN.sheet, found) == pytest.approx(np.zeros(len(found.picked.row)), abs=1e-9)
