"""Read printed codes: which markers show in a grey picture, and where.

OpenCV's detector holds every quadrilateral that it cannot name against every code, for some microseconds each. A frame's
codes are few; those of all strips are many, and most photos show none. So codes are tried in packs, and packs after the
first only where a quadrilateral left over looks like one of them, by all its cells at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["DICTIONARY", "LEAST_SIDE_PX", "places_of_codes"]

DICTIONARY = "DICT_5X5_1000"
_FIRST_PACK = 62
"""As many as a frame has markers; callers name those of a frame first."""
_THRESHOLD_WINDOW = 23
_CELL_PX = 4
LEAST_SIDE_PX = 15.0
"""A marker smaller than this has cells of two pixels, and is not read."""


def places_of_codes(
    grey: NDArray[np.uint8], codes: Sequence[int], dictionary: str
) -> list[tuple[int, NDArray[np.float32]]]:
    """Each code read, and the place (4, 2) of its marker's corners, px."""
    import cv2

    full = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    read: list[tuple[int, NDArray[np.float32]]] = []
    left: Sequence[Any] | None = None
    for pack in (list(codes[:_FIRST_PACK]), list(codes[_FIRST_PACK:])):
        table = np.ascontiguousarray(full.bytesList[pack])
        if left is not None and not (pack and _may_show(grey, left, table, full)):
            break
        corners, which, left = _detector(table, full, max(grey.shape)).detectMarkers(grey)
        named = np.empty(0) if which is None else np.ravel(which)
        read += [(pack[int(i)], np.asarray(place).reshape(4, 2)) for place, i in zip(corners, named, strict=True)]
    return read


def _detector(table: NDArray[np.uint8], full: Any, long_side: int) -> Any:
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = min(parameters.minMarkerPerimeterRate, 4 * LEAST_SIDE_PX / long_side)
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = _THRESHOLD_WINDOW
    return cv2.aruco.ArucoDetector(cv2.aruco.Dictionary(table, full.markerSize, full.maxCorrectionBits), parameters)


def _may_show(grey: NDArray[np.uint8], quads: Sequence[Any], table: NDArray[np.uint8], full: Any) -> bool:
    """Whether the cells of any quadrilateral make one of the codes (N, rotations, bytes), but for what can be corrected.

    The detector itself allows for six tenths of that.
    """
    if not len(quads):
        return False
    told = np.array([_coded_cells(grey, np.asarray(quad, np.float32).reshape(4, 2), full.markerSize) for quad in quads])
    wrong = np.bitwise_count(told[:, None, None] ^ table).sum(axis=-1, dtype=int)
    return bool(wrong.min() <= full.maxCorrectionBits)


def _coded_cells(grey: NDArray[np.uint8], quad: NDArray[np.float32], size: int) -> NDArray[np.uint8]:
    """A quadrilateral's cells inside its border, light or dark, as the bytes of a code (bytes,)."""
    import cv2

    wide = size + 2
    side = wide * _CELL_PX
    square = np.array([[0, 0], [side - 1, 0], [side - 1, side - 1], [0, side - 1]], np.float32)
    seen = cv2.warpPerspective(grey, cv2.getPerspectiveTransform(quad, square), (side, side), flags=cv2.INTER_NEAREST)
    _, light = cv2.threshold(seen, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    cells = light.reshape(wide, _CELL_PX, wide, _CELL_PX).mean(axis=(1, 3))[1:-1, 1:-1] > 0.5
    return np.asarray(cv2.aruco.Dictionary.getByteListFromBits(cells.astype(np.uint8))[0][0])
