"""A pen that writes SVG: size in mm and a viewBox in the same numbers, so that one user unit is one mm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from fit.drawing.lettering import CAP_HEIGHT, text_width
from fit.drawing.model import Arc, Circle, Line
from fit.drawing.sheet import Drawn, Filled, Sheet, Stroke, Written, replay

__all__ = ["svg_text"]

_GAP = 10.0
_FONT = "Helvetica, Arial, 'Liberation Sans', sans-serif"


def svg_text(sheets: Sequence[Sheet], title: str = "") -> str:
    """The sheets below one another as one SVG text."""
    width = max(sheet.width for sheet in sheets)
    height = sum(sheet.height for sheet in sheets) + _GAP * (len(sheets) - 1)
    pen, top = _SvgPen(), 0.0
    for sheet in sheets:
        pen.base = top + sheet.height
        pen.rows.append(
            f'<rect x="0" y="{_f(top)}" width="{_f(sheet.width)}" height="{_f(sheet.height)}" fill="#fff"/>'
        )
        replay(sheet, pen)
        top += sheet.height + _GAP
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_f(width)}mm" height="{_f(height)}mm" '
        f'viewBox="0 0 {_f(width)} {_f(height)}" font-family="{_FONT}" fill="none" stroke-linecap="butt">'
    )
    return "\n".join([head, f"<title>{escape(title, quote=False)}</title>", *pen.rows, "</svg>"]) + "\n"


def _f(figure: float) -> str:
    text = f"{figure:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _grey(level: float) -> str:
    return "#" + f"{round(level * 255):02x}" * 3


class _SvgPen:
    """Collects SVG elements; base is the sheet's lower edge counted down from the top of the file."""

    def __init__(self) -> None:
        self.rows: list[str] = []
        self.base = 0.0

    def _xy(self, x: float, y: float) -> str:
        return f"{_f(x)} {_f(self.base - y)}"

    def draw(self, item: Drawn) -> None:
        self.rows.append(f'<path d="{self._path(item)}" {self._stroke(item.stroke)}/>')

    def _stroke(self, stroke: Stroke) -> str:
        dash = f' stroke-dasharray="{" ".join(map(_f, stroke.dash))}"' if stroke.dash else ""
        return f'stroke="{_grey(stroke.grey)}" stroke-width="{_f(stroke.width)}"{dash}'

    def _path(self, item: Drawn) -> str:
        shape = item.shape
        if isinstance(shape, Circle):
            return f"M{self._xy(shape.x + shape.radius, shape.y)}{self._half(shape, -1)}{self._half(shape, 1)}Z"
        if isinstance(shape, (Line, Arc)):
            return self._start(shape) + self._to(shape)
        pieces = shape.pieces()
        return self._start(pieces[0]) + "".join(self._to(piece) for piece in pieces) + ("Z" if shape.closed else "")

    def _half(self, circle: Circle, side: int) -> str:
        return f"A{_f(circle.radius)} {_f(circle.radius)} 0 0 0 {self._xy(circle.x + side * circle.radius, circle.y)}"

    def _start(self, piece: Line | Arc) -> str:
        if isinstance(piece, Line):
            return f"M{self._xy(piece.x1, piece.y1)}"
        return f"M{self._on(piece, 0.0)}"

    def _to(self, piece: Line | Arc) -> str:
        if isinstance(piece, Line):
            return f"L{self._xy(piece.x2, piece.y2)}"
        sweep = 0 if piece.span > 0 else 1
        radius = _f(piece.radius)
        return "".join(f"A{radius} {radius} 0 0 {sweep} {self._on(piece, part)}" for part in (0.5, 1.0))

    def _on(self, arc: Arc, part: float) -> str:
        angle = arc.start + part * arc.span
        return self._xy(arc.x + arc.radius * math.cos(angle), arc.y + arc.radius * math.sin(angle))

    def clip(self, box: tuple[float, float, float, float] | None) -> None:
        if box is None:
            self.rows.append("</g>")
            return
        name = f"c{len(self.rows)}"
        size = f'width="{_f(box[2] - box[0])}" height="{_f(box[3] - box[1])}"'
        place = f'x="{_f(box[0])}" y="{_f(self.base - box[3])}"'
        self.rows.append(f'<clipPath id="{name}"><rect {place} {size}/></clipPath><g clip-path="url(#{name})">')

    def fill(self, item: Filled) -> None:
        points = " ".join(self._xy(x, y).replace(" ", ",") for x, y in item.points)
        self.rows.append(f'<polygon points="{points}" fill="{_grey(item.grey)}"/>')

    def write(self, item: Written) -> None:
        anchor = {0.0: "start", 0.5: "middle", 1.0: "end"}[item.anchor]
        place = f'x="{_f(item.x)}" y="{_f(self.base - item.y)}"'
        turn = f' transform="rotate({_f(-item.angle)} {self._xy(item.x, item.y)})"' if item.angle else ""
        weight = ' font-weight="bold"' if item.bold else ""
        size = _f(item.height / CAP_HEIGHT)
        # Readers without Helvetica take a wider font, whose words would lie over their neighbours.
        wide = f'textLength="{_f(text_width(item.text, item.height, bold=item.bold))}" lengthAdjust="spacingAndGlyphs"'
        style = f'font-size="{size}" text-anchor="{anchor}" {wide} fill="#000"{weight}{turn}'
        self.rows.append(f"<text {place} {style}>{escape(item.text, quote=False)}</text>")
