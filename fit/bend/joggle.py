"""Joggle (offset bend): two equal and opposite bends."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fit.bend.allowance import bend_allowance
from fit.errors import CannotDetermine, InputError

__all__ = ["Joggle", "joggle"]


@dataclass(frozen=True, slots=True)
class Joggle:
    """An offset: depth, angle of each bend (rad), straight between the bends, run along the sheet, developed length, mm.

    gained is developed − run: what the blank needs more than a flat sheet.
    """

    depth: float
    angle: float
    straight: float
    run: float
    developed: float

    @property
    def gained(self) -> float:
        return self.developed - self.run


def joggle(
    depth: float, radius: float, thickness: float, k: float, angle: float | None = None, run: float | None = None
) -> Joggle:
    """Joggle of a depth from its bend angle, or from its run, or (neither given) as short as the radius allows.

    D = 2 rm (1 − cos a) + s sin a; run = 2 rm sin a + s cos a; developed = 2 rn a + s;
    rm = R + T/2, rn = R + K T. Lengths mm, angle rad. Source: geometry.
    """
    if not (math.isfinite(depth) and depth > 0):
        message = f"The joggle's depth must be above 0 mm; got {depth:g}."
        raise InputError(message)
    bend_allowance(1.0, radius, thickness, k)
    middle = radius + thickness / 2
    if angle is not None and run is not None:
        message = "Give the joggle's angle or its run, not both."
        raise InputError(message)
    if run is not None:
        angle = _angle_for_run(depth, run, middle)
    if angle is None:
        angle = math.acos(1 - depth / (2 * middle)) if depth < 2 * middle else math.pi / 2
    return _joggle(depth, angle, middle, radius + k * thickness)


def _joggle(depth: float, angle: float, middle: float, neutral: float) -> Joggle:
    if not (math.isfinite(angle) and 0 < angle <= math.pi / 2 + 1e-12):
        message = f"The joggle's angle must be above 0° and at most 90°; got {math.degrees(angle):g}°."
        raise InputError(message)
    straight = (depth - 2 * middle * (1 - math.cos(angle))) / math.sin(angle)
    if straight < -1e-9:
        least = math.acos(1 - depth / (2 * middle))
        message = (
            f"A joggle {depth:g} mm deep cannot turn {math.degrees(angle):.1f}° at this radius; "
            f"at most {math.degrees(least):.1f}°, or use a smaller radius."
        )
        raise CannotDetermine(message)
    straight = max(straight, 0.0)
    run = 2 * middle * math.sin(angle) + straight * math.cos(angle)
    return Joggle(depth, angle, straight, run, 2 * neutral * angle + straight)


def _angle_for_run(depth: float, run: float, middle: float) -> float:
    """Angle that makes a run, found by halving; the run falls as the angle grows."""
    low, high = 1e-6, math.acos(max(1 - depth / (2 * middle), 0.0))

    def run_of(a: float) -> float:
        s = (depth - 2 * middle * (1 - math.cos(a))) / math.sin(a)
        return 2 * middle * math.sin(a) + s * math.cos(a)

    if not (math.isfinite(run) and run >= run_of(high) - 1e-9):
        message = (
            f"A joggle {depth:g} mm deep needs a run of at least {run_of(high):.2f} mm at this radius; got {run:g} mm."
        )
        raise CannotDetermine(message)
    for _ in range(100):
        mean = (low + high) / 2
        low, high = (mean, high) if run_of(mean) > run else (low, mean)
    return high
