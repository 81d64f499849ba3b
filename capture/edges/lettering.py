"""Words on pale patches over a picture, clear of one another and of what is drawn there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["Words", "write_words"]

_BESIDE_PX = 4
_INK, _HALO = (20, 20, 20), (255, 255, 255)
_ASIDE = (0.0, 0.55, -0.55, 1.1, -1.1)
_UP = (0, 1, -1, 2, -2, 3, -3, 4, -4)
"""Moves tried, in widths of the patch and heights of its lines."""
_CLASH, _COVERED = 1e6, 40.0
"""Cost, px of a move, of covering other words and of every cell that holds a mark."""
_CELL_PX = 4


@dataclass(frozen=True, eq=False, slots=True)
class _Written:
    """Lines and their boxes, size of letters, patch (x, y, x, y) px; circle (x, y, radius) to lead to, if any."""

    lines: list[str]
    boxes: list[tuple[int, int, int]]
    size: float
    patch: NDArray[np.int_]
    target: FloatArray | None


class Words:
    """Words on a picture, moved aside until they are clear of one another and of its marks, as well as that can be done."""

    def __init__(self, shown: NDArray[np.uint8], marks: NDArray[np.int_]) -> None:
        """marks : (N, 2) px, places that words should leave free."""
        self._shown = shown
        self._taken = np.zeros((0, 4))
        self._written: list[_Written] = []
        cells = np.array(shown.shape[:2]) // _CELL_PX + 1
        row, column = np.clip(marks[:, ::-1] // _CELL_PX, 0, cells - 1).T
        marked = np.zeros(cells, int)
        marked[row, column] = 1
        self._count = np.pad(marked.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))

    def write(self, lines: list[str], anchor: NDArray[np.int_], size: float, target: FloatArray | None = None) -> None:
        """Find a place for lines at or near `anchor` (x, y) px, inside the picture; size 1 suits 2000 px.

        target : x, y and radius of the circle that they tell of, px, where that is not the anchor itself.
        """
        boxes = [text_box(line, size) for line in lines]
        width, tall = max(b[0] for b in boxes), sum(b[1] for b in boxes)
        x, y = self._place(anchor, width, tall, boxes[0][1])
        patch = np.array([x, y, x + width, y + tall])
        self._taken = np.vstack([self._taken, patch])
        moved = np.abs(patch[:2] + patch[2:] - 2 * anchor).max() > 2 * boxes[0][1]
        told_of = np.array([*anchor, 0.0]) if target is None else target
        self._written.append(_Written(lines, boxes, size, patch, told_of if moved else None))

    def draw(self) -> None:
        """Draw all that was written, over thin lines from words that had to be moved to what they tell of."""
        for item in self._written:
            _lead(self._shown, item)
        for item in self._written:
            x, y, right, _ = item.patch
            for line, box in zip(item.lines, item.boxes, strict=True):
                middle = np.array([(x + right) // 2, y + box[1] // 2])
                write_words(self._shown, line, middle, item.size, box)
                y += box[1]

    def _place(self, anchor: NDArray[np.int_], width: int, tall: int, step: int) -> tuple[int, int]:
        """Upper left corner, px, of a patch near its anchor: the nearest that covers least."""
        moves = np.array([(aside * width, up * step) for up in _UP for aside in _ASIDE])
        room = np.array([self._shown.shape[1] - width, self._shown.shape[0] - tall])
        corners = np.clip(np.rint(anchor - np.array([width // 2, tall // 2]) + moves), 0, np.maximum(room, 0))
        boxes = np.hstack([corners, corners + np.array([width, tall])])
        apart = (boxes[:, None, 2:] <= self._taken[:, :2]) | (self._taken[:, 2:] <= boxes[:, None, :2])
        clash = (~apart.any(axis=2)).sum(axis=1)
        cost = _CLASH * clash + _COVERED * self._marked(boxes) + np.hypot(*(corners - corners[0]).T)
        x, y = corners[int(cost.argmin())].astype(int)
        return int(x), int(y)

    def _marked(self, boxes: FloatArray) -> NDArray[np.int_]:
        """How many cells with marks each box (B, 4) covers."""
        left, top = (boxes[:, :2] // _CELL_PX).astype(int).T
        right, bottom = np.minimum(boxes[:, 2:] // _CELL_PX + 1, np.array(self._count.shape[::-1]) - 1).astype(int).T
        count = self._count
        return np.asarray(count[bottom, right] - count[top, right] - count[bottom, left] + count[top, left])


def _lead(shown: NDArray[np.uint8], item: _Written) -> None:
    import cv2

    if item.target is None:
        return
    start = np.clip(item.target[:2], item.patch[:2], item.patch[2:])
    way = start - item.target[:2]
    far = float(np.hypot(*way))
    if far <= item.target[2]:
        return
    end = item.target[:2] + way * (item.target[2] / far)
    (x1, y1), (x2, y2) = np.rint([start, end]).astype(int).tolist()
    for colour, weight in ((_HALO, 3), (_INK, 1)):
        cv2.line(shown, (x1, y1), (x2, y2), colour, weight, cv2.LINE_AA)


def _font(size: float) -> tuple[float, int]:
    return 0.95 * size, max(1, round(2.2 * size))


def text_box(text: str, size: float) -> tuple[int, int, int]:
    """Width and height (px) of a written line with its patch, and how far the letters reach below their line."""
    import cv2

    height, weight = _font(size)
    (width, tall), base = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, height, weight)
    return width + 2 * _BESIDE_PX, tall + base + 6, base


def write_words(
    shown: NDArray[np.uint8], text: str, anchor: NDArray[np.int_], size: float, box: tuple[int, int, int] | None = None
) -> None:
    """Write one line centred on a pale patch at `anchor` (x, y) px, kept inside the picture; size 1 suits 2000 px.

    box : what `text_box` tells of it, where that was asked before; OpenCV takes long to measure letters.
    """
    import cv2

    height, weight = _font(size)
    wide, high, base = box or text_box(text, size)
    x = int(np.clip(anchor[0] - wide // 2, 0, max(shown.shape[1] - wide, 0)))
    y = int(np.clip(anchor[1] - high // 2, 0, max(shown.shape[0] - high, 0)))
    cv2.rectangle(shown, (x, y), (x + wide, y + high), _HALO, -1)
    place = (x + _BESIDE_PX, y + high - base - 2)
    cv2.putText(shown, text, place, cv2.FONT_HERSHEY_SIMPLEX, height, _INK, weight, cv2.LINE_AA)
