"""A page as SVG, its user unit one millimetre."""

from __future__ import annotations

from xml.sax.saxutils import escape

from capture.printing.page import Ink, Page, Text

__all__ = ["svg_bytes"]


def svg_bytes(page: Page) -> bytes:
    """One page as an SVG file with its size in mm."""
    width, height = _number(page.width), _number(page.height)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">',
        f"<title>{escape(page.title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        *(_ink(page, ink) for ink in page.ink),
        *(_text(page, text) for text in page.text),
        "</svg>",
        "",
    ]
    return "\n".join(lines).encode()


def _ink(page: Page, ink: Ink) -> str:
    # One path for all: separate rectangles that touch show hairlines where a viewer smooths their edges.
    steps = (
        f"M{_number(x)} {_number(page.height - y - h)}h{_number(w)}v{_number(h)}h{_number(-w)}z"
        for x, y, w, h in ink.rects
    )
    return f'<path fill="{_grey(ink.shade)}" d="{"".join(steps)}"/>'


def _text(page: Page, text: Text) -> str:
    x, y = _number(text.x), _number(page.height - text.y)
    turn = f' transform="rotate(-90 {x} {y})"' if text.upright else ""
    return (
        f'<text x="{x}" y="{y}" font-family="Helvetica, Arial, sans-serif" font-size="{_number(text.size)}" '
        f'text-anchor="{text.anchor}" fill="{_grey(text.shade)}"{turn}>{escape(text.words)}</text>'
    )


def _number(value: float) -> str:
    return f"{value:.5f}".rstrip("0").rstrip(".")


def _grey(shade: float) -> str:
    return f"#{round(255 * (1 - shade)):02x}" + f"{round(255 * (1 - shade)):02x}" * 2
