"""The coverage picture of a learned lens: where corners were seen, and where the lens was never looked at."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.camera.learn import Learned, ray_error
from fit.errors import CannotDetermine
from fit.points import FloatArray

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw

__all__ = ["cells_seen", "coverage_png"]

_CELLS = (16, 12)
_WIDTH, _MARGIN, _TEXT = 1200, 24, 22
_SEEN, _UNSEEN, _DOT, _HATCH, _INK = (214, 234, 222), (250, 238, 226), (20, 96, 72), (214, 150, 104), (40, 40, 40)


def cells_seen(learned: Learned) -> NDArray[np.bool_]:
    """(12, 16): which cells of the stored picture hold a corner of at least one photo."""
    size = np.array(learned.profile.size)
    index = np.clip((_all_px(learned) / size * _CELLS).astype(int), 0, np.array(_CELLS) - 1)
    seen = np.zeros(_CELLS[::-1], dtype=bool)
    seen[index[:, 1], index[:, 0]] = True
    return seen


def coverage_png(learned: Learned) -> bytes:
    """Draw the picture as PNG: cells seen and never seen, every corner, and the ray error at the cells seen."""
    from PIL import Image, ImageDraw

    width, height = learned.profile.size
    scale = _WIDTH / max(width, height)
    w, h = round(width * scale), round(height * scale)
    picture = Image.new("RGB", (w + 2 * _MARGIN, h + 2 * _MARGIN + 3 * _TEXT + 12), "white")
    draw = ImageDraw.Draw(picture)
    seen = cells_seen(learned)
    _draw_cells(draw, seen, w, h)
    for x, y in _all_px(learned) * scale + _MARGIN:
        draw.ellipse((x - 1.5, y - 1.5, x + 1.5, y + 1.5), fill=_DOT)
    draw.rectangle((_MARGIN, _MARGIN, _MARGIN + w, _MARGIN + h), outline=_INK, width=2)
    _draw_text(draw, learned, seen, h)
    buffer = io.BytesIO()
    picture.save(buffer, "PNG")
    return buffer.getvalue()


def _all_px(learned: Learned) -> FloatArray:
    return np.concatenate([piece.px for photo in learned.photos for piece in photo.pieces])


def _draw_cells(draw: ImageDraw, seen: NDArray[np.bool_], w: int, h: int) -> None:
    for (row, column), was_seen in np.ndenumerate(seen):
        x0, x1 = (_MARGIN + w * (column + i) / _CELLS[0] for i in (0, 1))
        y0, y1 = (_MARGIN + h * (row + i) / _CELLS[1] for i in (0, 1))
        draw.rectangle((x0, y0, x1, y1), fill=_SEEN if was_seen else _UNSEEN)
        if not was_seen:
            for part in (0.25, 0.5, 0.75, 1.0):
                draw.line((x0, y0 + part * (y1 - y0), x0 + part * (x1 - x0), y0), fill=_HATCH)
                draw.line((x0 + (1 - part) * (x1 - x0), y1, x1, y1 - part * (y1 - y0)), fill=_HATCH)


def _draw_text(draw: ImageDraw, learned: Learned, seen: NDArray[np.bool_], h: int) -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(size=_TEXT - 4)
    count = sum(len(piece.ids) for photo in learned.photos for piece in photo.pieces)
    lines = (
        f"{len(learned.photos)} photos, {count} corners; hatched: never seen ({1 - seen.mean():.0%} of the picture)",
        _error_line(learned, seen),
        "Fill hatched places with the sheet in further photos if parts or targets will show there.",
    )
    for i, line in enumerate(lines):
        draw.text((_MARGIN, _MARGIN + h + 10 + i * _TEXT), line, fill=_INK, font=font)


def _error_line(learned: Learned, seen: NDArray[np.bool_]) -> str:
    """95 % uncertainty of rays where the lens was seen, and where it was not."""
    row, column = np.indices(seen.shape)
    centres = np.stack([column + 0.5, row + 0.5], axis=-1) / _CELLS * learned.profile.size
    try:
        error = 2 * ray_error(learned.profile, centres.reshape(-1, 2)).reshape(seen.shape)
    except CannotDetermine:
        return "the lens model does not reach the picture's edges"
    worst = error[~seen].max() if (~seen).any() else error.max()
    return f"ray error (95 %) up to {error[seen].max():.3f} px where seen, {worst:.3f} px where never seen"
