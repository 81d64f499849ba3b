"""The lens model against OpenCV's, its derivatives against differences, and the priors of single photos."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from capture.camera.image import Exif
from capture.camera.lens import camera_matrix, distortion, lens_prior, project, rays, see
from fit.errors import CannotDetermine

LENS = np.array([3100.0, 1.0003, 2023.0, 1493.0, 0.083, -0.228, 3e-4, -3.2e-4, 0.1])


@pytest.fixture
def directions() -> np.ndarray:
    return np.random.default_rng(0).uniform(-0.6, 0.6, (60, 2))


def test_projection_is_opencvs(directions):
    """Reference: cv2.projectPoints."""
    points = np.column_stack([directions, np.ones(len(directions))])
    expected = cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera_matrix(LENS), distortion(LENS))[0]
    np.testing.assert_allclose(project(LENS, directions)[0], expected.reshape(-1, 2), atol=1e-9)


def test_rays_undo_the_projection(directions):
    np.testing.assert_allclose(rays(LENS, project(LENS, directions)[0]), directions, atol=1e-12)


def test_a_lens_that_folds_over_is_refused():
    folding = LENS.copy()
    folding[4:9] = (-0.9, 0, 0, 0, 0)
    with pytest.raises(CannotDetermine, match="bends rays back"):
        rays(folding, np.array([[5500.0, 1500.0]]))


def test_derivatives_by_the_camera(synthetic):
    rotation, translation = synthetic.look(25, 40, 400, (90, 120))
    xyz = np.random.default_rng(1).uniform((0, 0, 0), (180, 240, 40), (20, 3))
    _, by_camera, by_xyz = see(LENS, rotation, translation, xyz)

    def moved(step: np.ndarray) -> np.ndarray:
        turn = cv2.Rodrigues(step[9:12])[0]
        return see(LENS + step[:9], turn @ rotation, translation + step[12:], xyz)[0]

    for k, h in enumerate([1e-3, 1e-6, 1e-3, 1e-3, *[1e-6] * 5, *[1e-3] * 3, *[1e-3] * 3]):
        step = np.zeros(15)
        step[k] = h
        slope = (moved(step) - moved(-step)) / (2 * h)
        np.testing.assert_allclose(by_camera[:, :, k], slope, rtol=1e-4, atol=1e-5 * np.abs(slope).max())
    for k in range(3):
        step = 1e-4 * np.eye(3)[k]
        ahead, behind = (see(LENS, rotation, translation, xyz + s * step)[0] for s in (1, -1))
        np.testing.assert_allclose(by_xyz[:, :, k], (ahead - behind) / 2e-4, rtol=1e-5, atol=1e-6)


def test_prior_covers_both_conventions_of_the_35_mm_figure(synthetic):
    """28 mm over a 36 mm wide frame is 3111 px, over its 43.27 mm diagonal 3236 px, on 4000 × 3000."""
    prior = lens_prior(synthetic.blank_image())
    for f in (28 / 36 * 4000, 28 / 43.2666 * 5000):
        assert abs(prior.values[0] - f) < prior.u[0]
    np.testing.assert_allclose(prior.u[2:4], 25)
    np.testing.assert_allclose(prior.centre, prior.values)


def test_prior_of_a_cropped_picture_lets_the_centre_go(synthetic):
    image = synthetic.blank_image((1970, 1769))
    cropped = replace(image, exif=replace(image.exif, size=(2592, 1944)))
    prior = lens_prior(cropped)
    assert prior.values[0] == pytest.approx(lens_prior(synthetic.blank_image((2592, 1944))).values[0])
    assert prior.u[2] > 100 and prior.u[3] > 40


def test_prior_of_a_scaled_picture_scales(synthetic):
    image = synthetic.blank_image((2000, 1500))
    scaled = replace(image, exif=replace(image.exif, size=(4000, 3000)))
    assert lens_prior(scaled).values[0] == pytest.approx(lens_prior(synthetic.blank_image()).values[0] / 2)
    turned = replace(image, exif=replace(image.exif, size=(3000, 4000)))
    assert lens_prior(turned).values[0] == pytest.approx(lens_prior(scaled).values[0])


def test_prior_without_tags_is_wide(synthetic):
    image = replace(synthetic.blank_image(), exif=Exif())
    assert lens_prior(image).u[0] / lens_prior(image).values[0] == pytest.approx(0.25)
    odd = replace(synthetic.blank_image((2000, 1900)), exif=Exif())
    assert lens_prior(odd).u[2] == pytest.approx(300)
