"""Pages as one vector PDF that asks the viewer not to scale it."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING

from capture.printing.page import Ink, Page, Text

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

__all__ = ["pdf_bytes"]

_POINT = 72 / 25.4  # PDF units in a millimetre


def pdf_bytes(pages: Sequence[Page]) -> bytes:
    """All pages as one PDF file; the same pages always give the same bytes."""
    from reportlab.pdfgen.canvas import Canvas

    buffer = BytesIO()
    canvas = Canvas(buffer, invariant=1, pageCompression=1)
    canvas.setTitle(pages[0].title)
    canvas.setCreator("edgewright")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.width * _POINT, page.height * _POINT))
        canvas.scale(_POINT, _POINT)
        for ink in page.ink:
            _ink(canvas, ink)
        for text in page.text:
            _text(canvas, text)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _ink(canvas: Canvas, ink: Ink) -> None:
    # One path for all: separate rectangles that touch show hairlines where a viewer smooths their edges.
    canvas.setFillGray(1 - ink.shade)
    path = canvas.beginPath()
    for x, y, width, height in ink.rects:
        path.rect(x, y, width, height)
    canvas.drawPath(path, stroke=0, fill=1)


def _text(canvas: Canvas, text: Text) -> None:
    canvas.saveState()
    canvas.setFillGray(1 - text.shade)
    canvas.setFont("Helvetica", text.size)
    canvas.translate(text.x, text.y)
    canvas.rotate(90 if text.upright else 0)
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
    draw[text.anchor](0, 0, text.words)
    canvas.restoreState()
