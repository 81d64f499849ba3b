"""An outline read once more in the light across it, on a drawn plate whose edge is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from shapely import box

from capture.edges.outline import outline_path
from capture.edges.outline_light import between_readings
from capture.edges.paper_light import PaperLight
from capture.edges.rims import Sheet
from capture.edges.shade import Shade
from capture.edges.strip import Lit, linear_light
from fit.paths import PathFit
from fit.points import Points

RADIUS, BLUR, THICK = 8.0, 0.75, 2.0
EVEN = Shade(np.zeros((0, 6)), np.zeros(3), THICK, 0.0)


@dataclass(frozen=True)
class Seen:
    """A camera that knows its blur."""

    camera: object
    blur: float = BLUR

    @property
    def centre(self) -> np.ndarray:
        return self.camera.centre

    def project(self, xyz: np.ndarray) -> np.ndarray:
        return self.camera.project(xyz)


@pytest.fixture(scope="module")
def photo(drawn):
    """A plate of 76 by 112 mm in even light, 4.9 px per mm."""
    plate = drawn.Plate(76, 112, (RADIUS,) * 4, holes=(), angle=0.06, thickness=THICK, height=THICK)
    camera = drawn.look(4, 250, 250)
    light = drawn.Light(slope=0.0)
    lit = Lit(linear_light(drawn.draw(drawn.Scene(camera, plate, light=light, blur=BLUR))[..., ::-1].copy()))
    level = np.array([float(np.mean(light.paper)), 0, 0, 0, 0, 0])
    return plate, Seen(camera), lit, PaperLight(EVEN, level, np.array([plate.x, plate.y]))


def path_led_astray(plate, by: float, seed: int = 0, *, clockwise: bool = False, closed: bool = True) -> PathFit:
    """The outline, or three quarters of it, through points of which those on the upper right corner lie so far outside, mm."""
    core = box(-38 + RADIUS, -56 + RADIUS, 38 - RADIUS, 56 - RADIUS)
    ring = core.buffer(RADIUS, quad_segs=200).exterior.segmentize(0.2)
    xy = np.array([ring.interpolate(s).coords[0] for s in np.arange(0, ring.length, 0.2)])
    rng = np.random.default_rng(seed)
    from_corner = xy - [38 - RADIUS, 56 - RADIUS]
    on_arc = (from_corner > 0).all(axis=1)
    xy = xy + rng.normal(0, 0.01, xy.shape) + by * on_arc[:, None] * from_corner / RADIUS
    flat = np.column_stack([plate.on_bench(xy), np.full(len(xy), THICK)])[:: -1 if clockwise else 1]
    along = np.roll(flat, -1, axis=0) - np.roll(flat, 1, axis=0)
    normal = np.cross(along, [0, 0, 1]) / np.linalg.norm(along, axis=1)[:, None]
    outward = normal * np.sign((normal * (flat - flat.mean(axis=0))).sum())
    points = Points(flat, noise=np.full(len(xy), 0.02), normal=outward)
    if not closed:
        y = plate.local(*flat[:, :2].T)[1]
        first = int(np.flatnonzero((y > -30) & (np.roll(y, 1) <= -30))[0])
        points = points.select(np.roll(np.arange(len(xy)), -first)[: int((y > -30).sum())])
    return outline_path(points, closed=closed)[0]


def corner(path: PathFit, plate):
    """The arc on the upper right."""
    at = plate.on_bench(np.array([[38 - RADIUS, 56 - RADIUS]]))[0]
    return min(
        (s for s in path.feature.segments if s.kind == "arc"), key=lambda s: np.hypot(s["x"] - at[0], s["y"] - at[1])
    )


@pytest.mark.parametrize("clockwise", [False, True])
def test_a_corner_that_steps_led_astray_comes_half_way_back(photo, clockwise):
    plate, seen, lit, light = photo
    path = path_led_astray(plate, 0.1, clockwise=clockwise)
    before = corner(path, plate)
    assert before["radius"] < RADIUS - 0.15
    told = between_readings(lit, seen, [Sheet(THICK, THICK)], light, path)
    after = corner(told, plate)
    assert after["radius"] - before["radius"] == pytest.approx((RADIUS - before["radius"]) / 2, rel=0.3)
    moved = after["radius"] - before["radius"]
    assert after.value("radius").u95 == pytest.approx(np.hypot(before.value("radius").u95, moved), rel=0.05)


@pytest.mark.parametrize("clockwise", [False, True])
def test_so_does_one_of_an_open_path_where_light_is_not_known(photo, clockwise):
    plate, seen, lit, _ = photo
    path = path_led_astray(plate, 0.1, clockwise=clockwise, closed=False)
    before = corner(path, plate)
    assert before["radius"] < RADIUS - 0.1
    after = corner(between_readings(lit, seen, [Sheet(THICK, THICK)], None, path), plate)
    assert after["radius"] - before["radius"] == pytest.approx((RADIUS - before["radius"]) / 2, rel=0.3)


def test_an_outline_that_lies_right_hardly_moves(photo):
    plate, seen, lit, light = photo
    path = path_led_astray(plate, 0.0)
    told = between_readings(lit, seen, [Sheet(THICK, THICK)], light, path)
    for before, after in zip(path.feature.segments, told.feature.segments, strict=True):
        keys = ("radius", "x", "y") if before.kind == "arc" else ("length",)
        assert [after[k] for k in keys] == pytest.approx([before[k] for k in keys], abs=0.05)
