"""When an arc is too short: its span, and what its curvature leaves open for the radius."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.shapes.frame import Frame, axes_about

__all__ = ["SHORT_SPAN", "radius_range", "refuse_flat", "refuse_straight", "short_arc", "span_of"]

SHORT_SPAN = math.radians(30.0)
"""Common practice, no source: below this the radius answers a sagitta error 28-fold and more."""
_NEARLY_STRAIGHT = 0.05
"""Bow over chord of an arc of 23°."""
_HOPELESS = 0.2
"""Where u(R) passes this share of R the radius has a long tail and no meaningful ±; its inverse still has."""


def span_of(angles: FloatArray) -> tuple[int, int, float]:
    """First and last index and span of angles on a circle, counter-clockwise from after the widest gap."""
    order = np.argsort(angles % (2 * math.pi))
    turned = (angles % (2 * math.pi))[order]
    gaps = np.append(np.diff(turned), turned[0] + 2 * math.pi - turned[-1])
    widest = int(np.argmax(gaps))
    return int(order[(widest + 1) % len(order)]), int(order[widest]), float(2 * math.pi - gaps[widest])


def radius_range(radius: float, u95: float) -> tuple[float, float]:
    """95 % limits of a radius by way of its inverse, which is normal even on short arcs; the upper may be inf."""
    spread = u95 / radius**2
    least = 1 / radius - spread
    return 1 / (1 / radius + spread), 1 / least if least > 0 else math.inf


def refuse_flat(points: Points, frame: Frame, radius: float, u: float, kept: NDArray[np.bool_]) -> None:
    """Raise CannotDetermine where the arc seen cannot carry a radius, with its span and the radii it allows."""
    if u < _HOPELESS * radius:
        return
    local = frame.axes.T @ (points.xyz[kept] - frame.origin).T
    span = math.degrees(span_of(np.arctan2(local[1], local[0]))[2])
    low, high = radius_range(radius, 1.96 * u)
    width = "a straight line too" if math.isinf(high) else f"{high:.3g} mm"
    message = (
        f"Only {span:.3g}° of the curve is seen, {kept.sum()} points: its radius may be anything from {low:.3g} mm to "
        f"{width}. Measure more of it or use a radius gauge."
    )
    raise CannotDetermine(message)


def refuse_straight(points: Points) -> None:
    """Raise CannotDetermine, with numbers, where points bend so little that a circle through them runs away."""
    local = points.xyz - points.xyz.mean(axis=0)
    length, bow = (float(np.ptp(local @ axis)) for axis in np.linalg.svd(local, full_matrices=False)[2][:2])
    if bow > _NEARLY_STRAIGHT * length:
        return
    message = (
        f"The {len(points)} points bend by only {bow:.2g} mm, scatter included, over {length:.3g} mm: they tell neither a "
        "radius nor the plane it lies in. Measure more of it, name its face, or use a radius gauge."
    )
    raise CannotDetermine(message)


def short_arc(feature: Feature, xyz: FloatArray | None = None) -> Notice | None:
    """Warning where an arc spans less than 30°, with the radii that its curvature allows; else None.

    A circle is judged too where the places (N, 3) that it went through are given.
    """
    if feature.kind == "circle" and xyz is not None and len(xyz) > 1:
        local = (xyz - feature.vector(("x", "y", "z"))) @ axes_about(feature.vector(("nx", "ny", "nz")))
        span, half = span_of(np.arctan2(local[:, 1], local[:, 0]))[2], 0.5
    elif feature.kind == "arc":
        span, half = feature["span"], 1.0
    else:
        return None
    if span >= SHORT_SPAN:
        return None
    size = feature.value("radius" if feature.kind == "arc" else "diameter")
    low, high = radius_range(half * size.value, half * size.u95)
    text = (
        f"Only {math.degrees(span):.0f}° of {feature.name} is seen: the radius may be anything from "
        f"{low:.4g} to {high:.4g} mm. Measure more of it or use a radius gauge."
    )
    return Notice("short-arc", text, feature.name)
