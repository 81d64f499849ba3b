"""Eight black-and-white pictures at once, one in each bit of a byte, and discs run over them.

OpenCV looks at each pixel of a disc, in one picture after another. A round disc's rows only grow longer towards its
middle: the pictures are grown along their rows pixel by pixel, and laid over one another as far up and down as that row
lies.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Planes", "closed", "grown", "opened", "shrunk", "stacked"]

Planes = NDArray[np.uint8]


def stacked(pictures: Sequence[NDArray[np.bool_]]) -> Planes:
    """Up to eight pictures, the first in the lowest bit."""
    planes = np.zeros(pictures[0].shape, np.uint8)
    for bit, picture in enumerate(pictures):
        planes |= picture.view(np.uint8) << np.uint8(bit)
    return planes


def grown(planes: Planes, disc: NDArray[np.uint8]) -> Planes:
    """Every plane dilated by a disc, as `cv2.dilate` does it: beyond the border there is nothing."""
    reach, (height, width) = len(disc) // 2, planes.shape
    halves = disc[reach:].sum(axis=1, dtype=int) // 2
    room = width + reach  # so that no row grows into the next
    wide = np.pad(planes, ((0, 0), (0, reach))).ravel()
    out, reached = np.zeros_like(wide), 0
    for away in range(reach, -1, -1):
        for _ in range(reached, int(halves[away])):
            narrow = wide.copy()
            wide[1:] |= narrow[:-1]
            wide[:-1] |= narrow[1:]
        reached, far = int(halves[away]), min(away, height) * room
        out[far:] |= wide[: len(wide) - far]
        out[: len(wide) - far] |= wide[far:]
    return out.reshape(height, room)[:, :width]


def closed(planes: Planes, disc: NDArray[np.uint8]) -> Planes:
    """Gaps narrower than a disc filled, in every plane."""
    return shrunk(grown(planes, disc), disc)


def opened(planes: Planes, disc: NDArray[np.uint8]) -> Planes:
    """What is narrower than a disc taken away, in every plane."""
    return grown(shrunk(planes, disc), disc)


def shrunk(planes: Planes, disc: NDArray[np.uint8]) -> Planes:
    """Every plane eroded by a disc, as `cv2.erode` does it: from beyond the border nothing is taken away."""
    return ~grown(~planes, disc)
