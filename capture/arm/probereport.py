"""Report parts of a probe result: a picture of the residuals per feature, kinds chosen, stations and their ties."""

from __future__ import annotations

import math
from html import escape

import numpy as np
from numpy.typing import NDArray

from capture.arm.stations import Joined
from capture.arm.touched import Touched
from capture.arm.touches import Touches
from capture.arm.touchfit import Fitted
from fit.points import FloatArray
from fit.report.parts import ReportPart

__all__ = ["report_parts", "residual_picture"]

_WIDE, _HIGH, _EDGE = 360.0, 280.0, 40.0
_MOST = 600
_STICK = 30.0


def report_parts(touches: Touches, fitted: Fitted, joined: Joined | None) -> list[ReportPart]:
    """All parts, in the order of the page."""
    parts = [_kinds(fitted)]
    if joined:
        parts.append(_ties(joined))
    return parts + [_residuals(touches, touched) for touched in fitted.touched.values()]


def _kinds(fitted: Fitted) -> ReportPart:
    rows = []
    for name, choice in fitted.choices.items():
        touched = fitted.touched.get(name)
        feature = touched.feature if touched else None
        second = f"{choice.runner_up} ({choice.runner_up_spread:.3f} mm)" if choice.runner_up else "–"
        used = f"{feature.points} of {len(touched.points)}" if feature and touched else "–"
        rms = f"{feature.rms:.3f}" if feature else "–"
        rows.append(
            [name, choice.kind or "not fitted", choice.why, second, used, rms, (feature.on if feature else "") or "–"]
        )
    head = ["feature", "kind", "chosen by", "runner-up", "touches used", "rms, mm", "lies in"]
    text = (
        "In the pictures below each stick is a touch's distance from the fitted shape, magnified; the way it points is "
        "out of the surface (up, where that looks at you) or into it. Crosses are touches left out."
    )
    if fitted.spread:
        text = f"One touch scatters by {fitted.spread.sigma:.3f} mm (standard deviation, all features pooled). {text}"
    return ReportPart("Features and how their kinds were found", text, head, rows)


def _ties(joined: Joined) -> ReportPart:
    rows = [
        [
            str(check.station),
            check.name,
            f"{check.residual:.3f}",
            "–" if check.left_out is None else f"{check.left_out:.3f}",
            f"{check.ratio:.1f}",
        ]
        for check in joined.checks
    ]
    head = ["station", "tie", "residual, mm", "leave-one-out error, mm", "times its spread (limit 3)"]
    text = (
        "Stations are joined by what was touched from both places. The leave-one-out error is how far the other ties "
        "miss this one."
    )
    return ReportPart("Stations", text, head, rows)


def _residuals(touches: Touches, touched: Touched) -> ReportPart:
    feature = touched.feature
    form = ", ".join(f"{key.replace('_', ' ')} {value:.3f} mm" for key, value in feature.form.items())
    text = f"{feature.kind}, {feature.points} touches used, rms {feature.rms:.3f} mm{'; ' + form if form else ''}."
    if len(feature.rejected):
        text += f" Left out: {touches.where(touches.rows(feature.name)[feature.rejected])}."
    return ReportPart(f"Residuals of {feature.name}", text, svg=residual_picture(touched))


def residual_picture(touched: Touched) -> str:
    """SVG of a feature's touches seen along its least spread, each with a stick as long as its residual, magnified.

    Where the residual points at the viewer (a plane seen square) the stick stands upright: up is out of the surface.
    Touches left out are crosses, without a stick.
    """
    rows = np.arange(len(touched.points))
    if len(rows) > _MOST:
        rows = np.linspace(0, len(rows) - 1, _MOST).astype(int)
    used = touched.used[rows]
    spots, sticks = _flat(touched, rows)
    low, high = spots.min(axis=0), spots.max(axis=0)
    room = np.array([_WIDE - 2 * _EDGE, _HIGH - 2 * _EDGE])
    scale = float(np.min(room / np.maximum(high - low, 1e-6)))
    place = (spots - (low + high) / 2) * scale * [1, -1] + [_WIDE / 2, _HIGH / 2 - 8]
    largest = float(np.abs(touched.feature.residuals[rows][used]).max(initial=0.0))
    grow = _STICK / largest if largest > 0 else 0.0
    lines, dots = [], []
    for spot, stick, good in zip(place, sticks * grow, used, strict=True):
        if good:
            x, y = spot[0] + stick[0], spot[1] - stick[1]
            lines.append(f'<path d="M{spot[0]:.1f} {spot[1]:.1f}L{x:.1f} {y:.1f}"/>')
            dots.append(f'<circle cx="{spot[0]:.1f}" cy="{spot[1]:.1f}" r="2" fill="currentColor"/>')
        else:
            dots.append(f'<path d="M{spot[0]:.1f} {spot[1]:.1f}m-4-4l8 8m0-8l-8 8"/>')
    title = escape(f"Residuals of {touched.feature.name}")
    note = f"longest stick {largest:.3f} mm; {_bar(scale)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE:g} {_HIGH:g}" width="{_WIDE:g}" '
        f'height="{_HIGH:g}" role="img" aria-label="{title}"><title>{title}</title>'
        f'<g stroke="currentColor" stroke-width="1.2" fill="none">{"".join(lines)}</g>'
        f'<g stroke="currentColor" stroke-width="1">{"".join(dots)}</g>'
        f'<text x="8" y="{_HIGH - 8:g}" font-size="12" fill="currentColor">{escape(note)}</text></svg>'
    )


def _flat(touched: Touched, rows: NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
    """Touches and residual vectors (n, 2) each, mm, in the two directions in which the feature spreads most."""
    points = touched.points.select(rows)
    centred = points.xyz - points.xyz[touched.used[rows]].mean(axis=0)
    axes = np.linalg.svd(centred[touched.used[rows]], full_matrices=False)[2][:2]
    if abs(axes[0, 0]) > abs(axes[1, 0]) and axes[0, 0] < 0:
        axes = -axes
    normal = np.nan_to_num(points.normal @ axes.T)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    upright = np.array([0.0, 1.0])
    direction = np.where(length > 0.3, normal / np.where(length > 0.3, length, 1.0), upright)
    return centred @ axes.T, direction * touched.feature.residuals[rows][:, None]


def _bar(scale: float) -> str:
    """Size of the picture in words."""
    wide = (_WIDE - 2 * _EDGE) / scale
    digits = max(0, 2 - math.floor(math.log10(max(wide, 1e-9)))) if wide < 100 else 0
    return f"picture {wide:.{digits}f} mm wide"
