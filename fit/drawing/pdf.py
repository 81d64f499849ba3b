"""A pen that writes PDF 1.4 at true scale; the same sheets give the same bytes."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence

from fit.drawing.lettering import CAP_HEIGHT, text_width
from fit.drawing.model import Arc, Circle, Line
from fit.drawing.sheet import Drawn, Filled, Sheet, Stroke, Written, replay

__all__ = ["pdf_bytes"]

_POINT = 72.0 / 25.4
"""PDF user space has 72 units to the inch (ISO 32000-1, 8.3.2.3)."""


def pdf_bytes(sheets: Sequence[Sheet], title: str = "") -> bytes:
    """The sheets as pages; readers are told not to scale them when printing."""
    objects: dict[int, bytes] = {}
    pages = []
    for i, sheet in enumerate(sheets):
        pen = _PdfPen()
        replay(sheet, pen)
        page, stream = 6 + 2 * i, 7 + 2 * i
        body = zlib.compress(("\n".join(pen.rows) + "\n").encode("cp1252", "replace"), 6)
        box = f"[0 0 {_f(sheet.width * _POINT)} {_f(sheet.height * _POINT)}]"
        objects[page] = (
            f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents {stream} 0 R "
            "/Resources << /Font << /F1 3 0 R /F2 4 0 R >> >> >>"
        ).encode()
        objects[stream] = f"<< /Length {len(body)} /Filter /FlateDecode >>\nstream\n".encode() + body + b"\nendstream"
        pages.append(f"{page} 0 R")
    objects[1] = b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>"
    objects[2] = f"<< /Type /Pages /Kids [{' '.join(pages)}] /Count {len(pages)} >>".encode()
    objects[3] = _font("Helvetica")
    objects[4] = _font("Helvetica-Bold")
    objects[5] = b"<< /Title (" + _escape(title) + b") /Producer (edgewright) >>"
    return _file(objects)


def _font(name: str) -> bytes:
    return f"<< /Type /Font /Subtype /Type1 /BaseFont /{name} /Encoding /WinAnsiEncoding >>".encode()


def _file(objects: dict[int, bytes]) -> bytes:
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number in sorted(objects):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + objects[number] + b"\nendobj\n"
    table = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    out += b"".join(f"{place:010d} 00000 n \n".encode() for place in places)
    out += f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info 5 0 R >>\nstartxref\n{table}\n%%EOF\n".encode()
    return bytes(out)


def _escape(text: str) -> bytes:
    return text.encode("cp1252", "replace").replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)")


def _f(figure: float) -> str:
    text = f"{figure:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _xy(x: float, y: float) -> str:
    return f"{_f(x * _POINT)} {_f(y * _POINT)}"


class _PdfPen:
    """Collects the operators of one page (ISO 32000-1, 8.5 and 9.4)."""

    def __init__(self) -> None:
        self.rows: list[str] = []
        self._stroke: Stroke | None = None

    def draw(self, item: Drawn) -> None:
        self._use(item.stroke)
        shape = item.shape
        if isinstance(shape, Circle):
            self._pieces([Arc(shape.x, shape.y, shape.radius, 0.0, 2 * math.pi)], closed=True)
        elif isinstance(shape, (Line, Arc)):
            self._pieces([shape], closed=False)
        else:
            self._pieces(shape.pieces(), closed=shape.closed)

    def _use(self, stroke: Stroke) -> None:
        if stroke == self._stroke:
            return
        self._stroke = stroke
        dash = " ".join(_f(part * _POINT) for part in stroke.dash)
        self.rows.append(f"{_f(stroke.width * _POINT)} w [{dash}] 0 d {_f(stroke.grey)} G")

    def _pieces(self, pieces: Sequence[Line | Arc], closed: bool) -> None:
        first = pieces[0]
        self.rows.append(f"{_xy(first.x1, first.y1) if isinstance(first, Line) else _xy(*_on(first, first.start))} m")
        for piece in pieces:
            if isinstance(piece, Line):
                self.rows.append(f"{_xy(piece.x2, piece.y2)} l")
            else:
                self.rows.extend(_curves(piece))
        self.rows.append("s" if closed else "S")

    def clip(self, box: tuple[float, float, float, float] | None) -> None:
        self._stroke = None
        if box is None:
            self.rows.append("Q")
            return
        size = _xy(box[2] - box[0], box[3] - box[1])
        self.rows.append(f"q {_xy(box[0], box[1])} {size} re W n")

    def fill(self, item: Filled) -> None:
        (x, y), *rest = item.points
        path = " ".join([f"{_xy(x, y)} m", *(f"{_xy(a, b)} l" for a, b in rest)])
        self.rows.append(f"{_f(item.grey)} g {path} f 0 g")

    def write(self, item: Written) -> None:
        size = item.height / CAP_HEIGHT
        turn = math.radians(item.angle)
        back = item.anchor * text_width(item.text, item.height, bold=item.bold)
        x, y = item.x - back * math.cos(turn), item.y - back * math.sin(turn)
        cos, sin = f"{math.cos(turn):.6f}", f"{math.sin(turn):.6f}"
        text = _escape(item.text).decode("cp1252")
        font = "F2" if item.bold else "F1"
        matrix = f"{cos} {sin} {-math.sin(turn):.6f} {cos} {_xy(x, y)}"
        self.rows.append(f"BT /{font} {_f(size * _POINT)} Tf {matrix} Tm ({text}) Tj ET")


def _on(arc: Arc, angle: float) -> tuple[float, float]:
    return arc.x + arc.radius * math.cos(angle), arc.y + arc.radius * math.sin(angle)


def _curves(arc: Arc) -> list[str]:
    """Cubic curves of at most 45°, which stray from the arc by less than 5e-6 of its radius."""
    count = max(1, math.ceil(abs(arc.span) / (math.pi / 4) - 1e-9))
    step = arc.span / count
    pull = 4.0 / 3.0 * math.tan(step / 4.0) * arc.radius
    rows = []
    for i in range(count):
        a, b = arc.start + i * step, arc.start + (i + 1) * step
        (x1, y1), (x4, y4) = _on(arc, a), _on(arc, b)
        second = _xy(x1 - pull * math.sin(a), y1 + pull * math.cos(a))
        third = _xy(x4 + pull * math.sin(b), y4 - pull * math.cos(b))
        rows.append(f"{second} {third} {_xy(x4, y4)} c")
    return rows
