"""Springback: how far to over-bend. The shop's coupon first, else published relations with their data."""

from __future__ import annotations

import math

import numpy as np

from fit.bend.tables import springback_row
from fit.errors import CannotDetermine, InputError

__all__ = ["elastic_ratio", "factor_from_coupon", "springback_factor", "tool_angle"]


def elastic_ratio(radius: float, thickness: float, strength: float, modulus: float) -> float:
    """Tool radius over radius after release: Ri/Rf = 4 X³ − 3 X + 1, X = Ri Y/(E T).

    radius Ri and thickness T in one unit, yield strength Y and modulus E in one unit. Elastic–perfectly plastic
    bending. Source: F. J. Gardiner, Trans. ASME 79 (1957) 1–9.
    """
    for what, value in (("radius", radius), ("thickness", thickness), ("strength", strength), ("modulus", modulus)):
        if not (math.isfinite(value) and value > 0):
            message = f"The {what} must be above 0; got {value:g}."
            raise InputError(message)
    x = radius * strength / (modulus * thickness)
    if x >= 0.5:
        message = f"At radius {radius:g} this sheet only flexes (X = {x:.2f}, 0.5 or more): it springs back flat."
        raise CannotDetermine(message)
    return 4 * x**3 - 3 * x + 1


def springback_factor(material: str, radius: float, thickness: float) -> tuple[float, float]:
    """kR = angle after release over tool angle, and half the width it is rounded to, for R/T of the part.

    Linear in lg(R/T) between the table's columns. Raises CannotDetermine outside them.
    Source: Tabellenbuch Metall, springback table (values confirmed, column heads from memory).
    """
    ratios, factors = springback_row(material)
    ratio = radius / thickness
    if not ratios[0] <= ratio <= ratios[-1]:
        message = (
            f"The springback table for {material} covers R/T {ratios[0]:g} to {ratios[-1]:g}; "
            f"got {ratio:.2f}. Bend a coupon."
        )
        raise CannotDetermine(message)
    return float(np.interp(math.log10(ratio), np.log10(ratios), factors)), 0.005


def factor_from_coupon(tool: float, after: float) -> float:
    """kR = angle after release over the angle bent to, radians. Source: definition."""
    if not (0 < after <= tool <= math.pi):
        message = (
            f"The angle after release must be above 0 and not above the angle bent to; "
            f"got {math.degrees(after):g}° from {math.degrees(tool):g}°."
        )
        raise InputError(message)
    return after / tool


def tool_angle(angle: float, factor: float) -> float:
    """Angle to bend to, radians, so that `angle` stays after release: angle / kR."""
    if not (math.isfinite(factor) and 0 < factor <= 1):
        message = f"The springback factor must be above 0 and at most 1; got {factor:g}."
        raise InputError(message)
    set_to = abs(angle) / factor
    if set_to > math.pi:
        message = f"A bend of {math.degrees(abs(angle)):g}° would have to be bent past 180°; use a smaller radius."
        raise CannotDetermine(message)
    return set_to
