"""Numbers as people type them for a bent part."""

from __future__ import annotations

import math

from fit.bend.blank import Hole
from fit.bend.flat import Input
from fit.bend.tables import gauge_thickness
from fit.errors import InputError
from fit.units import parse_angle, parse_length

__all__ = ["WIDEST", "parse_angles", "parse_hole", "parse_inputs", "parse_joggle", "parse_thickness"]

_THICKEST, WIDEST = 30.0, 20000.0
"""mm; beyond these a unit is mistaken. Common practice, no source."""


def parse_inputs(text: str, what: str, unit: str = "mm") -> tuple[Input, ...]:
    """Lengths in mm from a comma list such as ``50, 40±0.2, 1 1/2 in``."""
    inputs = []
    for part in text.split(","):
        try:
            length = parse_length(part, unit)
        except InputError as error:
            message = f"{what} '{text}': {error}"
            raise InputError(message) from error
        if not math.isfinite(length.value) or abs(length.value) > WIDEST:
            message = f"{what} '{text}': {length.value:g} mm is not a size of sheet metal; check the unit."
            raise InputError(message)
        inputs.append(Input(length.value, length.limit or 0.0))
    return tuple(inputs)


def parse_thickness(text: str, unit: str = "mm") -> Input:
    """Thickness in mm, or a gauge with its metal such as ``16 ga aluminium``."""
    words = text.replace("gauge", "ga").split()
    if len(words) == 3 and words[1] == "ga":
        return Input(gauge_thickness(words[0], words[2]))
    if "ga" in words:
        message = f"--thickness '{text}': a gauge needs its metal, like '16 ga steel'; gauges differ by metal."
        raise InputError(message)
    thickness = parse_inputs(text, "--thickness", unit)
    if len(thickness) != 1:
        message = f"--thickness '{text}': give one thickness."
        raise InputError(message)
    if not 0.05 <= thickness[0].value <= _THICKEST:
        message = f"--thickness '{text}': must be from 0.05 to {_THICKEST:g} mm; check the number and the unit."
        raise InputError(message)
    return thickness[0]


def parse_angles(text: str) -> tuple[Input, ...]:
    """Bend angles in radians from a comma list of degrees; negative bends down; ± as in ``90±0.5``."""
    inputs = []
    for part in text.split(","):
        number, _, limit = part.replace("+-", "±").replace("+/-", "±").partition("±")
        try:
            angle = parse_angle(number.strip())
            within = parse_angle(limit.strip()) if limit else 0.0
        except InputError as error:
            message = f"--angles '{text}': {error}"
            raise InputError(message) from error
        if not 0 < abs(angle) <= math.pi + 1e-12:
            message = f"--angles '{text}': a bend turns by more than 0° and at most 180°; got {math.degrees(angle):g}°."
            raise InputError(message)
        inputs.append(Input(angle, within))
    return tuple(inputs)


def parse_hole(text: str) -> Hole:
    """A hole from ``NAME:LEG:ALONG:ACROSS:DIAMETER``, mm."""
    parts = text.split(":")
    if len(parts) != 5 or not parts[1].isdigit():
        message = f"--hole '{text}': write NAME:LEG:ALONG:ACROSS:DIAMETER, like rivet:2:12:15:4.2."
        raise InputError(message)
    along, across, diameter = (parse_inputs(part, f"--hole '{text}'")[0].value for part in parts[2:])
    if diameter <= 0:
        message = f"--hole '{text}': the diameter must be above 0 mm."
        raise InputError(message)
    return Hole(parts[0], int(parts[1]), along, across, diameter)


def parse_joggle(text: str) -> tuple[float, float | None, float | None]:
    """Depth mm, angle rad or None, run mm or None, from ``DEPTH``, ``DEPTH:angle=45`` or ``DEPTH:run=12``."""
    depth, _, rest = text.partition(":")
    word, _, figure = rest.partition("=")
    size = parse_inputs(depth, f"--joggle '{text}'")[0].value
    if not rest:
        return size, None, None
    if word == "angle":
        return size, parse_angle(figure), None
    if word == "run":
        return size, None, parse_inputs(figure, f"--joggle '{text}'")[0].value
    message = f"--joggle '{text}': write DEPTH, DEPTH:angle=45 or DEPTH:run=12."
    raise InputError(message)
