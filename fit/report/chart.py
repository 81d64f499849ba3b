"""A figure over a travel or a length as SVG: line, band of U95, limits and marked places."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from fit.points import FloatArray

__all__ = ["Chart", "Level", "Mark", "chart_svg"]

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 680.0, 300.0, 70.0, 20.0, 10.0, 46.0
_INK, _RED = "#1b4f72", "#922b21"


@dataclass(frozen=True, slots=True)
class Level:
    """A limit drawn across the chart."""

    value: float
    words: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on the chart that is named."""

    x: float
    y: float
    words: str


@dataclass(frozen=True, eq=False, slots=True)
class Chart:
    """What to draw: x and y (n,), the words on the axes, U95 of each y (n,), limits and marks."""

    x: FloatArray
    y: FloatArray
    x_words: str
    y_words: str
    u95: FloatArray | None = None
    levels: Sequence[Level] = ()
    marks: Sequence[Mark] = ()


@dataclass(frozen=True, slots=True)
class _Scale:
    """Numbers to places on the picture."""

    low_x: float
    high_x: float
    low_y: float
    high_y: float

    def x(self, value: float) -> float:
        return _LEFT + (value - self.low_x) / (self.high_x - self.low_x) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        inside = min(max(value, self.low_y), self.high_y)
        return _TOP + (self.high_y - inside) / (self.high_y - self.low_y) * (_HEIGHT - _TOP - _BOTTOM)


def chart_svg(chart: Chart) -> str:
    """The chart as SVG text that stands alone."""
    spread = np.zeros(len(chart.y)) if chart.u95 is None else np.nan_to_num(chart.u95)
    scale = _scale(chart, spread)
    body = [*_axes(chart, scale), *_curve(chart, spread, scale)]
    for level in chart.levels:
        y = scale.y(level.value)
        body.append(f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke="{_RED}" stroke-dasharray="7 4"/>')
        body.append(_text(_WIDTH - _RIGHT - 4, y - 5, level.words, "end", _RED))
    for mark in chart.marks:
        x, y = scale.x(mark.x), scale.y(mark.y)
        body.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{_RED}"/>')
        late = x > 0.6 * _WIDTH
        body.append(_text(x - 9 if late else x + 9, max(y - 9, 22.0), mark.words, "end" if late else "start"))
    size = f'width="{_WIDTH:.0f}" height="{_HEIGHT:.0f}" viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}"'
    font = 'font-family="sans-serif" font-size="13"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} {font}>{"".join(body)}</svg>'


def _scale(chart: Chart, spread: FloatArray) -> _Scale:
    figures = [*(chart.y + spread), *(chart.y - spread), *(level.value for level in chart.levels), 0.0]
    low, high = min(figures), max(figures)
    room = 0.06 * (high - low) or 1.0
    span = float(np.ptp(chart.x))
    return _Scale(
        float(chart.x[0]) - (0.5 if span == 0 else 0.0),
        float(chart.x[-1]) + (0.5 if span == 0 else 0.0),
        low - (room if low < 0 else 0.0),
        high + room,
    )


def _text(x: float, y: float, words: str, anchor: str = "start", colour: str = "#111") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(words)}</text>'


def _axes(chart: Chart, scale: _Scale) -> list[str]:
    base = _HEIGHT - _BOTTOM
    pieces = [f'<path d="M{_LEFT} {_TOP}V{base}H{_WIDTH - _RIGHT}" fill="none" stroke="#444"/>']
    for value in _ticks(scale.low_y, scale.high_y):
        y = scale.y(value)
        pieces.append(f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke="#ddd"/>')
        pieces.append(_text(_LEFT - 6, y + 4, f"{value:g}", "end"))
    pieces += [_text(scale.x(value), base + 17, f"{value:g}", "middle") for value in _ticks(scale.low_x, scale.high_x)]
    pieces.append(_text((_LEFT + _WIDTH) / 2, _HEIGHT - 8, chart.x_words, "middle"))
    turned = f'<g transform="translate(16 {_HEIGHT / 2:.0f}) rotate(-90)">'
    return [*pieces, turned + _text(0, 0, chart.y_words, "middle") + "</g>"]


def _curve(chart: Chart, spread: FloatArray, scale: _Scale) -> list[str]:
    def places(x: FloatArray, y: FloatArray) -> str:
        return " ".join(f"{scale.x(a):.1f},{scale.y(b):.1f}" for a, b in zip(x, y, strict=True))

    band = ""
    if spread.any():
        x = np.concatenate([chart.x, chart.x[::-1]])
        y = np.concatenate([chart.y + spread, (chart.y - spread)[::-1]])
        band = f'<polygon points="{places(x, y)}" fill="{_INK}" fill-opacity="0.18"/>'
    return [band, f'<polyline points="{places(chart.x, chart.y)}" fill="none" stroke="{_INK}" stroke-width="2"/>']


def _ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / 5
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(m * size for m in (1, 2, 5, 10) if m * size >= rough)
    return [round(k * step, 10) for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]
