"""Lines, holes and slots read once more by the run of tone across them, on pictures whose blurred steps are exact."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.second_reading import between_readings
from capture.edges.strip import Lit
from fit.points import Points
from fit.shapes import fit_circle, fit_line, fit_slot

PX_MM, BLUR_PX, ROUNDING = 4.5, 1.1, 0.2
GROUND, BAND, FACE = 0.2, 0.75, 0.35
VIEW = SimpleNamespace(
    project=lambda xyz: xyz[:, :2] * PX_MM, centre=np.array([20.0, 20.0, 800.0]), blur=BLUR_PX, image=None
)
KNOWN = FaceKnowledge(Sheet(2.0, 2.0, ROUNDING, on_paper=False), 0.02, 0.05)


def picture(outside) -> Lit:
    """Bare metal whose rounded edge mirrors a lamp, blurred: outside(x, y), mm, is the distance beyond its outline."""
    y, x = np.mgrid[:190, :190] / PX_MM
    sigma = BLUR_PX / PX_MM
    past_outline, past_face = (ndtr((outside(x, y) + inside) / sigma) for inside in (0.0, ROUNDING))
    tone = FACE + (BAND - FACE) * past_face + (GROUND - BAND) * past_outline
    return Lit(np.repeat(np.rint(65535 * tone).astype(np.uint16)[..., None], 3, axis=2))


def line_at(x: float):
    """A line along y, metal to its left, as found by steps."""
    y = np.linspace(8.0, 34.0, 60)
    xyz = np.column_stack([np.full_like(y, x), y, np.full_like(y, 2.0)])
    points = Points(xyz, noise=0.02, normal=np.tile([1.0, 0, 0], (len(y), 1)))
    return fit_line(points), points


@pytest.mark.parametrize("off", [-0.25, -0.1, 0.0, 0.15, 0.3])
def test_a_line_beside_a_mirroring_edge_is_moved_half_way_to_it(off):
    line, points = line_at(20.0 + off)
    told, moved = between_readings(picture(lambda x, _: x - 20.0), VIEW, KNOWN, line, points)
    assert told["x1"] - 20 == pytest.approx(off / 2, abs=0.03)
    assert told["x2"] - 20 == pytest.approx(off / 2, abs=0.03)
    assert np.ptp(moved.xyz[:, 0] - points.xyz[:, 0]) == 0
    assert moved.xyz[0, 0] - points.xyz[0, 0] == pytest.approx(told["x1"] - line["x1"], abs=1e-9)
    assert told.value("x1").u95 >= abs(told["x1"] - line["x1"])
    assert told["length"] == line["length"]


def test_a_hole_is_moved_and_grows_half_way_to_its_rim():
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ray = np.column_stack([np.cos(turn), np.sin(turn)])
    xy = np.array([21.1, 19.4]) + 5.15 * ray
    points = Points(np.column_stack([xy, np.full(90, 2.0)]), noise=0.02, normal=np.column_stack([-ray, 0 * turn]))
    hole = fit_circle(points)
    told, moved = between_readings(picture(lambda x, y: 5.0 - np.hypot(x - 21.0, y - 19.5)), VIEW, KNOWN, hole, points)
    assert told.vector(("x", "y", "diameter")) == pytest.approx([21.05, 19.45, 10.15], abs=0.04)
    assert fit_circle(moved)["diameter"] == pytest.approx(told["diameter"], abs=1e-3)
    assert told.value("diameter").u95 >= hole["diameter"] - told["diameter"]


def test_where_a_rounding_is_open_sharp_and_rounded_are_averaged():
    line, points = line_at(20.0)
    photo, known = picture(lambda x, _: x - 20.0), replace(KNOWN, sheet=replace(KNOWN.sheet, rounding=0.0))
    sharp, rounded, open_ = (
        between_readings(photo, VIEW, each, line, points)[0]["x1"]
        for each in (known, KNOWN, replace(known, rim_inset=0.1))
    )
    assert open_ == pytest.approx((sharp + rounded) / 2, abs=1e-9)
    assert abs(sharp - rounded) > 0.02


def test_a_slots_caps_and_width_are_moved_half_way_to_its_rim():
    """Sides and ends of a stadium 20 by 8 mm about (21, 19), its steps found .2 to .3 mm off."""
    turn = np.linspace(-np.pi / 2, np.pi / 2, 40)
    cap, side = np.column_stack([np.cos(turn), np.sin(turn)]), np.linspace(-5.8, 6.2, 50)
    ends = [np.array([6.2, 0.2]) + 3.85 * cap, np.array([-5.8, 0.2]) - 3.85 * cap]
    sides = [np.column_stack([side, np.full(50, 0.2 + sign * 3.85)]) for sign in (1, -1)]
    rays = [cap, -cap, np.tile([0, 1.0], (50, 1)), np.tile([0, -1.0], (50, 1))]
    xy, ray = np.array([21.0, 19.0]) + np.concatenate([*ends, *sides]), np.concatenate(rays)
    flat = np.zeros((len(xy), 1))
    points = Points(np.hstack([xy, flat + 2.0]), noise=0.02, normal=np.hstack([-ray, flat]))
    slot = fit_slot(points)

    def outside(x, y):
        return 4.0 - np.hypot(np.maximum(np.abs(x - 21.0) - 6.0, 0.0), y - 19.0)

    told, moved = between_readings(picture(outside), VIEW, KNOWN, slot, points)
    names = ("x", "y", "length", "width")
    assert slot.vector(names) == pytest.approx([21.2, 19.2, 19.7, 7.7], abs=0.01)
    assert told.vector(names) == pytest.approx([21.1, 19.1, 19.85, 7.85], abs=0.05)
    assert fit_slot(moved).vector(names) == pytest.approx(told.vector(names), abs=2e-3)


def test_of_what_light_leaves_in_doubt_the_middle_has_less_and_of_all_else_as_much():
    line, points = line_at(20.0)
    names = ("edge:rim", "wave:1", "height:top", "edge:choice")
    modes = np.tile(np.array([0.05, 0.02, 0.03, 0.04])[:, None, None], (1, len(points), 1)) * points.normal
    shaky = points.with_shared(names, modes)
    line = fit_line(shaky)
    told, _ = between_readings(picture(lambda x, _: x - 20.0), VIEW, KNOWN, line, shaky)
    x1 = told.index("x1")
    assert told.shared[:, x1] / line.shared[:, x1] == pytest.approx([0.85, 0.85, 1.0, 1.0])
    away = told["x1"] - line["x1"]
    assert told.cov_own[x1, x1] == pytest.approx(line.cov_own[x1, x1] + (0.52 * away) ** 2)


def test_other_kinds_stay_as_found():
    line, points = line_at(20.2)
    arc = replace(line, kind="arc")
    assert between_readings(picture(lambda x, _: x - 20.0), VIEW, KNOWN, arc, points) == (arc, points)
