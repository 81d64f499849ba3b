"""Corner fits on saddles drawn by integrating over each pixel, not by the model that is fitted."""

from __future__ import annotations

import numpy as np
import pytest

from capture.camera.corners import CORNER_FLOOR_PX, refine_corners

SIDE = 60.0


def saddle(
    centre: np.ndarray, angles_deg: tuple[float, float], blur: float, size: int = 61, fine: int = 16
) -> np.ndarray:
    """Two crossing edges, area-averaged on a fine grid, then blurred; levels 50 and 180."""
    import cv2

    steps = (np.arange(size * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(steps - centre[0], steps - centre[1])
    first, second = (np.sin(np.radians(a)) * x - np.cos(np.radians(a)) * y for a in angles_deg)
    sharp = np.where(first * second > 0, 180.0, 50.0).astype(np.float32)
    soft = cv2.GaussianBlur(sharp, (0, 0), blur * fine) if blur else sharp
    return soft.reshape(size, fine, size, fine).mean(axis=(1, 3))


def sides(angles_deg: tuple[float, float]) -> np.ndarray:
    return SIDE * np.array([[(np.cos(np.radians(a)), np.sin(np.radians(a))) for a in angles_deg]])


@pytest.mark.parametrize("angles", [(3.0, 92.0), (20.0, 80.0), (-30.0, 40.0)])
@pytest.mark.parametrize("blur", [0.6, 1.5, 3.0])
def test_place_without_noise(angles, blur):
    centre = np.array([30.27, 29.61])
    grey = saddle(centre, angles, blur).astype(np.float32)
    found = refine_corners(grey, centre[None] + [0.8, -0.9], sides(angles))
    assert found.found[0]
    # Two edges askew, blurred, are not quite the model's product: 0.01 px is left at a blur of 3 px.
    np.testing.assert_allclose(found.px[0], centre, atol=0.004 if blur < 3 else 0.012)
    assert found.blur[0] == pytest.approx(
        np.hypot(blur, 0.29), rel=0.05 if blur < 3 else 0.15
    )  # 0.29 px: the pixel itself


def test_covariance_is_honest():
    """Scatter of 200 noisy fits against their own covariance, floor taken out: chi-square of 400, 0.87 to 1.14.

    The disc's soft rim makes the covariance a few hundredths too large, so the lower limit is a little lower.
    """
    angles, centre, rng = (10.0, 95.0), np.array([30.4, 29.8]), np.random.default_rng(3)
    clean = saddle(centre, angles, 1.2)
    z = []
    for _ in range(200):
        grey = np.clip(np.rint(clean + rng.normal(0, 5, clean.shape)), 0, 255).astype(np.uint8)
        fit = refine_corners(grey, centre[None] + rng.normal(0, 0.7, (1, 2)), sides(angles))
        own = fit.cov[0] - CORNER_FLOOR_PX**2 * np.eye(2)
        z.append(np.linalg.solve(np.linalg.cholesky(own), fit.px[0] - centre))
    assert 0.8 < np.mean(np.square(z)) < 1.14


def test_never_jumps_to_a_neighbour():
    """A start 0.4 squares off finds nothing, or the corner it was sent to: here there is none."""
    angles, centre = (0.0, 90.0), np.array([30.0, 30.0])
    grey = saddle(centre, angles, 1.0).astype(np.uint8)
    found = refine_corners(grey, centre[None] + [0.35 * SIDE, 0.35 * SIDE], sides(angles))
    assert not found.found[0]


def test_a_covered_corner_is_no_corner():
    angles, centre = (0.0, 90.0), np.array([30.0, 30.0])
    grey = saddle(centre, angles, 1.0).astype(np.uint8)
    grey[:, 27:] = 120
    assert not refine_corners(grey, centre[None], sides(angles)).found[0]
    blank = np.full((61, 61), 200, np.uint8)
    assert not refine_corners(blank, centre[None], sides(angles)).found[0]


def test_at_the_rim_of_the_picture():
    grey = saddle(np.array([30.0, 30.0]), (0.0, 90.0), 1.0).astype(np.uint8)
    assert not refine_corners(grey[:, :33], np.array([[30.0, 30.0]]), sides((0.0, 90.0))).found[0]
