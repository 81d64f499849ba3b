"""Planes in the bits of a byte are grown, opened and closed as OpenCV does it with each."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from capture.edges.part_mask import disc
from capture.edges.planes import closed, grown, opened, stacked

SHAPES = ((60, 83), (7, 90), (40, 5))


@pytest.mark.parametrize("radius", [0.4, 1.0, 3.0, 5.0, 11.0, 16.0])
@pytest.mark.parametrize("shape", SHAPES)
def test_every_plane_is_as_opencv_makes_it(radius: float, shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(int(radius) + shape[0])
    blurred = [cv2.GaussianBlur(rng.normal(size=shape), (0, 0), 1.5) for _ in range(8)]
    pictures = [picture > 0.2 * k / 8 for k, picture in enumerate(blurred)]
    planes, element = stacked(pictures), disc(radius, 1.0)
    cases = {grown: cv2.MORPH_DILATE, opened: cv2.MORPH_OPEN, closed: cv2.MORPH_CLOSE}
    for work, operation in cases.items():
        ours = work(planes, element)
        for bit, picture in enumerate(pictures):
            theirs = cv2.morphologyEx(picture.astype(np.uint8), operation, element)
            np.testing.assert_array_equal(ours >> bit & 1, theirs)
