"""A page as a grey PNG at 600 dots per inch whose tag makes it open at true size."""

from __future__ import annotations

from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from capture.printing.page import Ink, Page, Text
from fit.points import FloatArray

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["png_bytes"]

_DPI = 600
_PX = _DPI / 25.4  # dots in a millimetre
_FONT_SCALE = 0.87  # the font below is that much wider than the Helvetica of the PDF


def png_bytes(page: Page) -> bytes:
    """One page as a PNG file; edges that fall inside a dot are shaded by how much of it they cover."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    shape = round(page.height * _PX), round(page.width * _PX)
    dark = np.zeros(shape, dtype=np.float32)
    for ink in page.ink:
        _ink(dark, page, ink)
    image = Image.fromarray(np.rint(255 * (1 - np.minimum(dark, 1))).astype(np.uint8))
    for text in page.text:
        _text(image, page, text)
    info = PngInfo()
    info.add_text("Title", page.title)
    info.add_text("Software", "edgewright")
    buffer = BytesIO()
    image.save(buffer, "PNG", dpi=(_DPI, _DPI), pnginfo=info)
    return buffer.getvalue()


def _ink(dark: np.ndarray, page: Page, ink: Ink) -> None:
    for x, y, width, height in ink.rects:
        first_column, across = _cover(x * _PX, (x + width) * _PX)
        top = (page.height - y - height) * _PX
        first_row, down = _cover(top, top + height * _PX)
        rows = slice(first_row, first_row + len(down))
        columns = slice(first_column, first_column + len(across))
        dark[rows, columns] += ink.shade * np.outer(down, across)


def _cover(start: float, end: float) -> tuple[int, FloatArray]:
    """The first dot touched by the span and how much of each dot it covers."""
    first, last = int(np.floor(start)), int(np.ceil(end))
    edges = np.clip(np.arange(first, last + 1), start, end)
    return first, np.diff(edges)


def _font_file() -> Path:
    """A font with every sign used on the pages: Bitstream Vera, which reportlab brings along."""
    spec = find_spec("reportlab")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "fonts" / "Vera.ttf"


def _text(image: Image.Image, page: Page, text: Text) -> None:
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.truetype(_font_file(), _FONT_SCALE * text.size * _PX)
    length = int(np.ceil(font.getlength(text.words)))
    above, below = int(np.ceil(text.size * _PX)), int(np.ceil(0.3 * text.size * _PX))
    stamp = Image.new("L", (length, above + below))
    ImageDraw.Draw(stamp).text((0, above), text.words, font=font, fill=255, anchor="ls")
    back = {"start": 0, "middle": length // 2, "end": length}[text.anchor]
    x, y = round(text.x * _PX), round((page.height - text.y) * _PX)
    place = (x - above, y - length + back) if text.upright else (x - back, y - above)
    if text.upright:
        stamp = stamp.transpose(Image.Transpose.ROTATE_90)
    image.paste(round(255 * (1 - text.shade)), place, stamp)
