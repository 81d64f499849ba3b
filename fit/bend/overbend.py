"""Which springback rule a part uses, and the angles to bend to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fit.bend.flat import FlatBlank
from fit.bend.rule import KRule
from fit.bend.springback import elastic_ratio, springback_factor, tool_angle
from fit.bend.typed import parse_inputs
from fit.errors import InputError

__all__ = ["over_bend"]


def over_bend(text: str | None, blank: FlatBlank, rule: KRule) -> Mapping[str, Any] | None:
    """Angles to bend to (rad), factors and rule in words: by the coupon's springback, else by the relation that is named.

    text: ``table:MATERIAL``, ``elastic:YIELD_MPA:MODULUS_GPA`` or ``factor:0.97``; None where nothing is asked.
    """
    if rule.coupon and rule.coupon.springback is not None and not text:
        factors = [rule.coupon.springback] * len(blank.part.angles)
        words = f"coupon '{rule.coupon.name}'"
    elif not text:
        return None
    else:
        factors, words = _published_springback(text, blank)
    angles = [tool_angle(angle.value, factor) for angle, factor in zip(blank.part.angles, factors, strict=True)]
    return {"angles": angles, "factor": factors, "words": words}


def _published_springback(text: str, blank: FlatBlank) -> tuple[list[float], str]:
    word, _, rest = text.partition(":")
    count = len(blank.part.angles)
    radius = [item.value for item in blank.part.radius] * (count if len(blank.part.radius) == 1 else 1)
    thickness = blank.part.thickness.value
    if word == "table":
        factors = [springback_factor(rest, r, thickness)[0] for r in radius]
        return factors, f"springback factor kR of {rest}, Tabellenbuch Metall"
    if word == "elastic":
        figures = [item.value for item in parse_inputs(rest.replace(":", ","), "--springback")] if rest else []
        if len(figures) == 2:
            # Angle and radius change together while the neutral line keeps its length: kR = (Ri + T/2)/(Rf + T/2).
            after = [r / elastic_ratio(r, thickness, figures[0], figures[1] * 1000) for r in radius]
            factors = [(r + thickness / 2) / (f + thickness / 2) for r, f in zip(radius, after, strict=True)]
            return factors, "Gardiner 1957, elastic-perfectly plastic, from yield strength and modulus"
    if word == "factor":
        return [parse_inputs(rest, "--springback")[0].value] * count, "springback factor as typed"
    message = f"--springback '{text}': write table:MATERIAL, elastic:YIELD_MPA:MODULUS_GPA or factor:0.97."
    raise InputError(message)
