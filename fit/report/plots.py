"""Small pictures as SVG text: residuals, budget bars, measured points with their features."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from fit.drawing.view import View, view_of
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.report.words import BUDGET, budget_entry
from fit.units import format_length, in_unit

__all__ = ["budget_bar", "points_picture", "residual_plot"]

_INKS = ("#1b4f72", "#b9770e", "#1d8348", "#922b21", "#6c3483", "#117a65", "#7b7d7d", "#a04000")
_MOST_DOTS = 300
_MOST_POINTS = 2500


def budget_bar(budget: Mapping[str, float]) -> str:
    """Shares of U95² by source as one bar: each source's length is what it adds."""
    squares = {word: part * part for word, part in budget.items()}
    total = sum(squares.values())
    if total <= 0:
        return ""
    x, bars = 0.0, []
    order = list(BUDGET)
    for word, square in squares.items():
        first = word.split(" ")[0]
        ink = _INKS[order.index(first) % len(_INKS)] if first in order else _INKS[-1]
        width = 240.0 * square / total
        said = escape(f"{budget_entry(word)[0]}: {100 * square / total:.0f} %")
        bars.append(f'<rect x="{x:.1f}" width="{width:.1f}" height="14" fill="{ink}"><title>{said}</title></rect>')
        x += width
    largest = [(word, s / total) for word, s in list(squares.items())[:3] if s >= 0.005 * total]
    words = ", ".join(f"{budget_entry(word)[0]} {share:.0%}".replace("%", " %") for word, share in largest)
    said = escape(words)
    frame = f'<svg class="bar" width="240" height="14" role="img" aria-label="{said}">'
    return f"{frame}{''.join(bars)}</svg><small>{said}</small>"


def residual_plot(feature: Feature, unit_out: str) -> str:
    """Residuals of a feature in the order of its points; points left out are crosses."""
    residuals = np.asarray(feature.residuals, float)
    if len(residuals) < 3 or not np.isfinite(residuals).all():
        return ""
    stray = np.zeros(len(residuals), dtype=bool)
    stray[feature.rejected[feature.rejected < len(residuals)]] = True
    kept = residuals[~stray]
    top = max(float(np.abs(kept).max(initial=0.0)), 1e-6)
    chosen = _thinned(residuals, stray)
    x = 4 + 312 * chosen / max(1, len(residuals) - 1)
    y = 40 - 32 * np.clip(residuals[chosen] / top, -1.12, 1.12)
    dots = "".join(
        f"M{a - 2:.1f} {b - 2:.1f}l4 4m0-4l-4 4" if stray[i] else f"M{a:.1f} {b:.1f}h.01"
        for i, a, b in zip(chosen, x, y, strict=True)
    )
    size = format_length(top, None, unit_out) if top >= 0.01 or unit_out != "mm" else f"{top:.4f}"
    words = f"largest {size}{' in' * (unit_out == 'inch')}{' mm' * (unit_out == 'mm')}, "
    words += f"{in_unit(f'rms {feature.rms:.4f} mm', unit_out)}, {len(residuals)} points"
    words += f", {int(stray.sum())} left out" if stray.any() else ""
    return (
        f'<figure class="residuals"><figcaption>{escape(feature.name)}: {escape(words)}</figcaption>'
        '<svg width="320" height="80" viewBox="0 0 320 80"><path d="M0 40H320" stroke="#888"/>'
        f'<path d="M0 8H320M0 72H320" stroke="#ccc"/><path d="{dots}" stroke="#1b4f72" stroke-width="2.4" '
        'stroke-linecap="round" fill="none"/></svg></figure>'
    )


def _thinned(residuals: FloatArray, stray: NDArray[np.bool_]) -> NDArray[np.int_]:
    """Indices of at most a few hundred points: the largest of each stretch, so that no outlier hides."""
    if len(residuals) <= _MOST_DOTS:
        return np.arange(len(residuals))
    parts = np.array_split(np.arange(len(residuals)), _MOST_DOTS)
    largest = {int(part[np.argmax(np.abs(residuals[part]))]) for part in parts}
    return np.array(sorted(largest | set(np.flatnonzero(stray)[:50].tolist())))


def points_picture(points: Points, features: Sequence[Feature]) -> str:
    """Measured points from two sides, square to the main face and along it, each feature's points in one colour."""
    if len(points) == 0:
        return ""
    view = view_of(features)
    second = View(view.right, -view.towards, view.up)
    pictures = [(view, "square to the face"), (View(view.right, view.towards, second.towards), "along the face")]
    return "".join(_one_side(points, side, words) for side, words in pictures)


def _one_side(points: Points, view: View, words: str) -> str:
    flat = np.stack([points.xyz @ view.right, points.xyz @ view.up], axis=1)
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = max(float((high - low).max()), 1e-6)
    place = 20 + (flat - low) * (520.0 / size)
    height = 40 + 520.0 * float(high[1] - low[1]) / size
    rows = []
    for i, name in enumerate(dict.fromkeys(points.label.tolist())):
        own = np.flatnonzero(points.label == name)
        own = own[:: max(1, len(own) * len(set(points.label.tolist())) // _MOST_POINTS)]
        dots = "".join(f"M{x:.1f} {height - y:.1f}h.01" for x, y in place[own])
        rows.append(f'<path d="{dots}" stroke="{_INKS[i % 8]}" stroke-width="3.5" stroke-linecap="round" fill="none"/>')
        x, y = place[own].mean(axis=0)
        rows.append(f'<text x="{x + 6:.1f}" y="{height - y - 6:.1f}" class="tag">{escape(str(name))}</text>')
    head = f"<figure><figcaption>Measured points, {escape(words)}</figcaption>"
    frame = f'<svg width="560" height="{height:.0f}" viewBox="0 0 560 {height:.0f}">'
    return f"{head}{frame}{''.join(rows)}</svg></figure>"
