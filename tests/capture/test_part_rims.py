"""Where a sheet's rims show: against the closed form of a pinhole camera, ray by ray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.edges.rims import FACE_LINE, HIDDEN, LOWER, Sheet, contour_score, rim_points, twin_share
from capture.edges.rounding import ROUNDINGS, settled_rounding
from capture.edges.strip import Contour, Strip

EYE = np.array([30.0, -110.0, 300.0])


class Eye:
    """All that predicting a rim asks of a camera is where it stands."""

    centre = EYE

    def project(self, xyz):
        raise NotImplementedError


def seen_on(plane: float, xyz: np.ndarray) -> np.ndarray:
    """Where the sight lines from the eye to points (N, 3) cut the level z = plane, (N, 2)."""
    share = (EYE[2] - plane) / (EYE[2] - xyz[:, 2])
    return EYE[:2] + (xyz[:, :2] - EYE[:2]) * share[:, None]


def straight(angle: float, at: np.ndarray, height: float) -> Contour:
    normal = np.array([np.cos(angle), np.sin(angle)])
    along = np.linspace(-10, 10, 41)[:, None] * [-normal[1], normal[0]]
    return Contour(at + along, np.tile(normal, (41, 1)), height, closed=False)


@pytest.mark.parametrize("angle", np.radians([0, 50, 130, 220, 300]))
@pytest.mark.parametrize("height, thickness", [(2.0, 2.0), (12.0, 1.5)])
def test_lower_rim_of_a_straight_edge(angle, height, thickness):
    """The wall's width as seen on the face's plane; negative where the face hides its own lower rim."""
    contour = straight(angle, np.array([40.0, 25.0]), height)
    foot = np.column_stack([contour.xy, np.full(41, height - thickness)])
    expected = ((seen_on(height, foot) - contour.xy) * contour.outward).sum(axis=1)
    np.testing.assert_allclose(Sheet(height, thickness).wall(Eye(), contour), expected, atol=1e-12)


def test_lower_rim_of_a_hole_is_a_circle_of_its_own():
    """Seen from the eye the lower rim is a circle nearer the eye's foot and smaller, by (H - h) / (H - h + t)."""
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    ray, middle, radius = np.column_stack([np.cos(angle), np.sin(angle)]), np.array([60.0, 40.0]), 6.0
    contour = Contour(middle + radius * ray, -ray, 3.0)
    wall = Sheet(3.0, 3.0).wall(Eye(), contour)
    lower = seen_on(3.0, np.column_stack([contour.xy, np.zeros(360)]))
    ratio = (EYE[2] - 3.0) / EYE[2]
    centre = EYE[:2] + (middle - EYE[:2]) * ratio
    np.testing.assert_allclose(np.hypot(*(lower - centre).T), ratio * radius, atol=1e-12)
    np.testing.assert_allclose(wall, ((lower - contour.xy) * contour.outward).sum(axis=1), atol=1e-12)
    assert (wall > 0).any() and (wall < 0).any()


@pytest.mark.parametrize("rounding", [0.12, 0.3])
def test_outline_of_a_rounded_edge(rounding):
    """Where the wall is hidden the outline is the sight line that touches the rounding: found by trying all of it."""
    height = 2.0
    for x in (-60.0, -20.0, 10.0):  # farther and nearer edges that face away from the eye
        contour = straight(np.pi, np.array([x, 0.0]), height)
        sheet = Sheet(height, 2.0, rounding)
        wall = sheet.wall(Eye(), contour)
        assert (wall < 0).all()
        turn = np.linspace(0, np.pi / 2, 4001)
        inward = rounding * (1 - np.sin(turn))  # along the rounding from the wall's top to the face
        middle = contour.xy[20]
        arc = np.column_stack(
            [middle[0] + inward, np.full_like(turn, middle[1]), height - rounding + rounding * np.cos(turn)]
        )
        shown = seen_on(height, arc)[:, 0] - middle[0]
        assert sheet.outline_shift(wall)[20] == pytest.approx(shown.min(), abs=2e-4 + 0.002 * rounding)


def strip_with(steps: dict[float, float], contour: Contour, rows: np.ndarray | None = None) -> Strip:
    """A strip whose tone steps at outward offsets (mm), each of a strength, in all rows or those given."""
    step, start, columns = 0.02, -3.0, 300
    strength = np.zeros((len(contour.xy), columns))
    shift = np.zeros_like(strength)
    for offset, size in steps.items():
        column = round((offset - start) / step)
        strength[rows if rows is not None else slice(None), column] = size
        shift[:, column] = (offset - start) / step - column
    total = np.concatenate([np.zeros((len(strength), 1)), np.cumsum(strength, axis=1)], axis=1)
    return Strip(contour, start, step, strength, shift, total, 10.0)


def test_each_step_is_named_for_what_it_is():
    """A near edge shows its lower rim, a far edge hides it, a rounded one shows its face line too."""
    near, far = straight(0.0, np.array([-60.0, 0.0]), 2.0), straight(np.pi, np.array([-60.0, 0.0]), 2.0)
    sharp = Sheet(2.0, 2.0)
    wall = sharp.wall(Eye(), near)
    assert wall.min() > 0.5
    both = strip_with({0.0: 0.8, float(wall.mean()): 0.9}, near)
    picked = rim_points(both, sharp, np.zeros(41), wall)
    assert (picked.kind == FACE_LINE).all() and np.allclose(picked.offset, 0, atol=1e-9)
    alone = rim_points(strip_with({float(wall.mean()): 0.9}, near), sharp, np.zeros(41), wall)
    assert (alone.kind == LOWER).all()
    np.testing.assert_allclose(alone.offset, wall.mean(), atol=1e-9)
    hidden = rim_points(strip_with({0.0: 0.9}, far), sharp, np.zeros(41), sharp.wall(Eye(), far))
    assert (hidden.kind == HIDDEN).all() and (hidden.inset == 0).all()
    rounded = Sheet(2.0, 2.0, 0.3)
    shift = float(rounded.outline_shift(rounded.wall(Eye(), far)).mean())
    twin = strip_with({-0.3: 0.9, -shift: 0.6}, far)
    assert twin_share(twin, rounded, np.zeros(41), rounded.wall(Eye(), far)) == 1.0
    picked = rim_points(twin, rounded, np.zeros(41), rounded.wall(Eye(), far))
    np.testing.assert_allclose(picked.offset + picked.inset, 0, atol=0.011)


def test_no_step_no_point():
    contour = straight(0.0, np.array([0.0, 0.0]), 2.0)
    sheet = Sheet(2.0, 2.0)
    faint = strip_with({0.0: 0.28}, contour)
    assert len(rim_points(faint, sheet, np.zeros(41), sheet.wall(Eye(), contour)).row) == 0
    half = strip_with({0.0: 0.9}, contour, rows=np.arange(20))
    assert set(rim_points(half, sheet, np.zeros(41), sheet.wall(Eye(), contour)).row) <= set(range(20))


def test_the_true_contour_scores_best():
    """Steps at both rims are explained by the contour that has both, not by one on the shadow's edge beside it."""
    contour = straight(0.0, np.array([-60.0, 0.0]), 2.0)
    sheet = Sheet(2.0, 2.0)
    wall = sheet.wall(Eye(), contour)
    strip = strip_with({0.0: 0.8, float(wall.mean()): 0.9, 2.1: 0.5}, contour)
    offsets = np.arange(-1.5, 2.6, 0.05)
    score = contour_score(strip, sheet, np.repeat(offsets[:, None], 41, axis=1), wall, 0.07).mean(axis=1)
    assert abs(offsets[score.argmax()]) < 0.08


def test_rounding_is_chosen_by_what_it_explains():
    length = 400.0
    clear = settled_rounding(length * np.array([0.4, 0.6, 0.9, 0.6]), length, 12.0)
    assert clear.radius == 0.2 and clear.doubt < 1e-6 and clear.inset == 0
    torn = settled_rounding(length * np.array([0.5, 0.50, 0.501, 0.5]), length, 12.0)
    assert torn.doubt > 0.02, "roundings that explain alike leave doubt of the rim's place"
    worth = length * np.array([0.5, 0.9, 0.9, 0.9])
    fine = settled_rounding(worth, length, 3.0)
    assert fine.radius == 0 and fine.inset > 0 and fine.doubt >= 0.04, "too fine to be seen is carried as doubt"
    assert ROUNDINGS[0] == 0


def test_a_band_that_is_hardly_resolved_needs_all_kinds_of_edge_to_show_it():
    sharp, banded = [0.5, 0.4, 0.4, 0.4], [0.5, 0.6, 0.6, 0.6]
    both = settled_rounding(np.array([banded, banded]) * 200, 400.0, 6.0)
    assert both.radius == 0.2 and both.inset == 0 and both.doubt >= 0.08
    one = settled_rounding(np.array([banded, sharp]) * 200, 400.0, 6.0)
    assert one.radius == 0 and one.inset > 0 and one.doubt >= 0.08


@pytest.mark.parametrize("px_per_mm", [5.0, 7.0, 9.0])
def test_blur_drives_the_lines_of_a_narrow_band_apart(px_per_mm):
    """Steepest places of a bright band 0.2 mm wide after a Gaussian blur, found by convolving."""
    width, sigma, fine = 0.2, 0.95 / px_per_mm, 0.001
    at = np.arange(-1.5, 1.5, fine)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    slope = np.abs(np.gradient(np.convolve(np.where(np.abs(at) < width / 2, 1.0, 0.0), kernel, "same")))
    outer = abs(at[slope[at < 0].argmax()])
    far = straight(np.pi, np.array([-60.0, 0.0]), 2.0)  # its wall is hidden
    sheet = Sheet(2.0, 2.0, width)
    wall = sheet.wall(Eye(), far)
    middle = -(width + float(sheet.outline_shift(wall).mean())) / 2
    strip = replace(strip_with({middle - outer: 0.9, middle + outer: 0.9}, far), px_per_mm=px_per_mm)
    picked = rim_points(strip, sheet, np.zeros(41), wall, 0.1)
    assert len(picked.row) == 41
    np.testing.assert_allclose(picked.offset + picked.inset, 0, atol=0.03)
    assert twin_share(strip, sheet, np.zeros(41), wall) == 1.0
