"""Words on pale patches over a picture, clear of one another and of what is drawn there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["HALO", "INK", "Words", "write_apart", "write_at"]

_BESIDE_PX = 4
INK, HALO = (20, 20, 20), (255, 255, 255)
_ASIDE = (0.0, 0.55, -0.55, 1.1, -1.1)
_UP = (0, 1, -1, 2, -2, 3, -3, 4, -4)
"""Moves tried, in widths of the patch and heights of its lines."""
_CLASH, _COVERED = 1e6, 40.0
"""Cost, px of a move, of covering other words and of every cell that holds a mark."""
_CELL_PX = 4
_BESIDE_LINES = 0.5
"""Heights of a line within which words lie beside what they tell of."""

Picture = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Words:
    """Lines to be written at a place (x, y) px; size 1 suits a picture of 2000 px.

    target : x, y and radius of the circle that they tell of, px, where that is not the place itself.
    """

    lines: tuple[str, ...]
    place: NDArray[np.int_]
    size: float
    target: FloatArray | None = None


@dataclass(frozen=True, eq=False, slots=True)
class _Patch:
    """Words with the box (width, height, depth of the letters below their line) of each line and a corner (x, y), px."""

    words: Words
    boxes: tuple[tuple[int, int, int], ...]
    corner: NDArray[np.int_]

    @property
    def ends(self) -> NDArray[np.int_]:
        """Left, top, right and bottom, px."""
        return np.concatenate([self.corner, self.corner + _size(self.boxes)])


def write_at(shown: Picture, words: Words) -> None:
    """Write words centred on their place, kept inside the picture."""
    boxes = _boxes(words)
    room = np.array(shown.shape[1::-1]) - _size(boxes)
    _draw(shown, _Patch(words, boxes, np.clip(words.place - _size(boxes) // 2, 0, np.maximum(room, 0))))


def write_apart(shown: Picture, words: Sequence[Words], marks: NDArray[np.int_]) -> None:
    """Write words at or near their places, clear of one another and of marks (N, 2) px, as well as that can be done.

    A thin line leads from those that do not lie beside it to what they tell of.
    """
    count, patches = _marked_cells(shown, marks), list[_Patch]()
    for item in words:
        boxes = _boxes(item)
        taken = np.array([patch.ends for patch in patches]).reshape(-1, 4)
        patches.append(_Patch(item, boxes, _clear_corner(shown, item.place, boxes, taken, count)))
    for patch in patches:
        _lead(shown, patch)
    for patch in patches:
        _draw(shown, patch)


def _marked_cells(shown: Picture, marks: NDArray[np.int_]) -> NDArray[np.int_]:
    """How many cells of a few pixels hold a mark, summed from the upper left corner."""
    cells = np.array(shown.shape[:2]) // _CELL_PX + 1
    row, column = np.clip(marks[:, ::-1] // _CELL_PX, 0, cells - 1).T
    marked = np.zeros(cells, int)
    marked[row, column] = 1
    return np.pad(marked.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def _clear_corner(
    shown: Picture,
    place: NDArray[np.int_],
    boxes: Sequence[tuple[int, int, int]],
    taken: NDArray[np.int_],
    count: NDArray[np.int_],
) -> NDArray[np.int_]:
    """Upper left corner, px, of a patch near its place: the nearest that covers least of what is taken (K, 4) or marked."""
    size = _size(boxes)
    moves = np.array([(aside * size[0], up * boxes[0][1]) for up in _UP for aside in _ASIDE])
    room = np.maximum(np.array(shown.shape[1::-1]) - size, 0)
    corners = np.clip(np.rint(place - size // 2 + moves), 0, room)
    ends = np.hstack([corners, corners + size])
    apart = (ends[:, None, 2:] <= taken[:, :2]) | (taken[:, 2:] <= ends[:, None, :2])
    clash = (~apart.any(axis=2)).sum(axis=1)
    cost = _CLASH * clash + _COVERED * _covered(ends, count) + np.hypot(*(corners - corners[0]).T)
    return np.asarray(corners[int(cost.argmin())].astype(int))


def _covered(ends: FloatArray, count: NDArray[np.int_]) -> NDArray[np.int_]:
    """How many cells with marks each patch (B, 4) covers."""
    left, top = (ends[:, :2] // _CELL_PX).astype(int).T
    right, bottom = np.minimum(ends[:, 2:] // _CELL_PX + 1, np.array(count.shape[::-1]) - 1).astype(int).T
    return np.asarray(count[bottom, right] - count[top, right] - count[bottom, left] + count[top, left])


def _lead(shown: Picture, patch: _Patch) -> None:
    """A thin line from a patch to what it tells of, where that does not lie beside it."""
    import cv2

    target = np.append(patch.words.place, 0.0) if patch.words.target is None else patch.words.target
    start = np.clip(target[:2], patch.ends[:2], patch.ends[2:])
    way = start - target[:2]
    far = float(np.hypot(*way))
    if far - target[2] <= _BESIDE_LINES * patch.boxes[0][1]:
        return
    (x1, y1), (x2, y2) = np.rint([start, target[:2] + way * (target[2] / far)]).astype(int).tolist()
    for colour, weight in ((HALO, 3), (INK, 1)):
        cv2.line(shown, (x1, y1), (x2, y2), colour, weight, cv2.LINE_AA)


def _draw(shown: Picture, patch: _Patch) -> None:
    """Each line in the middle of the patch, on white."""
    import cv2

    height, weight = _font(patch.words.size)
    left, y, right, _ = patch.ends.tolist()
    for line, (wide, high, base) in zip(patch.words.lines, patch.boxes, strict=True):
        x = max((left + right) // 2 - wide // 2, 0)
        cv2.rectangle(shown, (x, y), (x + wide, y + high), HALO, -1)
        foot = (x + _BESIDE_PX, y + high - base - 2)
        cv2.putText(shown, line, foot, cv2.FONT_HERSHEY_SIMPLEX, height, INK, weight, cv2.LINE_AA)
        y += high


def _font(size: float) -> tuple[float, int]:
    return 0.95 * size, max(1, round(2.2 * size))


def _boxes(words: Words) -> tuple[tuple[int, int, int], ...]:
    """Width and height (px) of each written line with its patch, and how far the letters reach below their line."""
    import cv2

    height, weight = _font(words.size)
    found = []
    for line in words.lines:
        (width, tall), base = cv2.getTextSize(line, cv2.FONT_HERSHEY_SIMPLEX, height, weight)
        found.append((width + 2 * _BESIDE_PX, tall + base + 6, base))
    return tuple(found)


def _size(boxes: Sequence[tuple[int, int, int]]) -> NDArray[np.int_]:
    """Width and height of lines below one another, px."""
    return np.array([max(box[0] for box in boxes), sum(box[1] for box in boxes)])
