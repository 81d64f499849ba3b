"""A large picture as small ones: square tiles at full, half, quarter … size, so that zoom and pan stay smooth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["TILE", "Pyramid", "pyramid"]

TILE = 512
_QUALITY = 88


@dataclass(frozen=True, eq=False, slots=True)
class Pyramid:
    """A picture (H, W, 3) BGR at full size and halved again and again until it fits one tile."""

    levels: Sequence[NDArray[np.uint8]]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height at full size, px."""
        height, width = self.levels[0].shape[:2]
        return int(width), int(height)

    def jpeg(self, level: int, column: int, row: int) -> bytes | None:
        """One tile; None outside the picture."""
        import cv2

        if not 0 <= level < len(self.levels) or column < 0 or row < 0:
            return None
        tile = self.levels[level][row * TILE : (row + 1) * TILE, column * TILE : (column + 1) * TILE]
        if not tile.size:
            return None
        _, coded = cv2.imencode(".jpg", tile, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        return bytes(coded.tobytes())


def pyramid(pixels: NDArray[Any]) -> Pyramid:
    """All sizes of a picture, each the mean of two by two pixels of the one before."""
    import cv2

    levels = [np.ascontiguousarray(pixels)]
    while max(levels[-1].shape[:2]) > TILE:
        height, width = levels[-1].shape[:2]
        half = ((width + 1) // 2, (height + 1) // 2)
        levels.append(cv2.resize(levels[-1], half, interpolation=cv2.INTER_AREA))
    return Pyramid(levels)
