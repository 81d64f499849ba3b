"""Can the bender make it: die radius, straights long enough to grip, clash with the die, springback."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray
from fit.rod.schedule import Schedule, corners_of_schedule

__all__ = ["Die", "DieCheck", "centre_lines", "check_die", "die_angles", "parse_coupon"]

LEAST_RADIUS = 2.0
"""Centre-line radius over rod diameter for soft steel rod; 3 for harder bar. Common practice, no source."""
GRIP = 2.0
"""Straight that the die and clamp need between bends, over rod diameter. Common practice, no source."""
_STEP = 1.0


@dataclass(frozen=True, slots=True)
class Die:
    """The bender.

    Attributes
    ----------
    rod : mm, rod diameter. grip : mm, least straight between bends; height : mm, of the die's body about the bend
    plane; both take twice the rod diameter where they are 0.
    """

    rod: float
    grip: float = 0.0
    height: float = 0.0

    def __post_init__(self) -> None:
        for what, value in (("grip", self.grip), ("die height", self.height)):
            if not (np.isfinite(value) and value >= 0):
                message = f"The {what} must be 0 mm or more; got {value:g}."
                raise InputError(message)


@dataclass(frozen=True, slots=True)
class DieCheck:
    """One check: value against limit, mm; bend or run counted from 1; words for people; source of the limit."""

    what: str
    place: int
    value: float
    limit: float
    passed: bool
    words: str
    source: str


def check_die(schedule: Schedule, die: Die) -> list[DieCheck]:
    """All checks of a schedule against the bender, failed ones first."""
    checks = [*_radius_checks(schedule, die), *_grip_checks(schedule, die), *_clash_checks(schedule, die)]
    return sorted(checks, key=lambda check: check.passed)


def _radius_checks(schedule: Schedule, die: Die) -> list[DieCheck]:
    limit = LEAST_RADIUS * die.rod
    checks = []
    for i, radius in enumerate(schedule.radius, 1):
        passed = bool(radius >= limit)
        words = f"bend {i}: radius {radius:.1f} mm is {radius / die.rod:.1f} rod diameters"
        words += "" if passed else f"; below {LEAST_RADIUS:g} the bar may crack or kink, take a larger die"
        checks.append(DieCheck("radius", i, float(radius), limit, passed, words, "common practice, no source"))
    return checks


def _grip_checks(schedule: Schedule, die: Die) -> list[DieCheck]:
    limit = die.grip or GRIP * die.rod
    source = "typed" if die.grip else "common practice, no source"
    checks = []
    for i, straight in enumerate(schedule.straight[1:-1], 2):
        passed = bool(straight >= limit)
        words = f"run {i}: {straight:.1f} mm straight between bends"
        words += "" if passed else f", too short to grip (least {limit:.1f} mm)"
        checks.append(DieCheck("grip", i, float(straight), limit, passed, words, source))
    return checks


def _clash_checks(schedule: Schedule, die: Die) -> list[DieCheck]:
    """Gap between what is bent already and the die's body, bend by bend, fed from end a.

    While a bend is made, what lies before it turns with the bar about the die's axis, so its distance to a round die
    stays the same and the finished rod tells it.
    """
    height = die.height or 2 * die.rod
    corners = corners_of_schedule(schedule)
    pieces = centre_lines(corners, schedule)
    checks = []
    for i in range(1, len(schedule.bend)):
        line = np.concatenate(pieces[: 2 * i])
        gap = float(_to_die(line, corners[i : i + 3], schedule.radius[i], height / 2).min() - die.rod / 2)
        words = f"bend {i + 1}: what is bent before passes the die at {gap:.1f} mm"
        if gap < 0:
            words = f"bend {i + 1}: what is bent before meets the die; bend from end b, or use a narrower die"
        source = f"geometry; die taken as a disc of the bend's radius, {height:g} mm high"
        checks.append(DieCheck("clash", i + 1, gap, 0.0, gap >= 0, words, source))
    return checks


def centre_lines(corners: FloatArray, schedule: Schedule) -> list[FloatArray]:
    """Points about 1 mm apart along each run and arc in turn: run 1, bend 1, run 2 …"""
    unit = np.diff(corners, axis=0)
    unit = unit / np.linalg.norm(unit, axis=1)[:, None]
    pieces, here = [], corners[0]
    for i, straight in enumerate(schedule.straight):
        along = np.linspace(0.0, straight, 2 + int(straight / _STEP))[:, None]
        pieces.append(here + along * unit[i])
        if i == len(schedule.bend):
            break
        angle = np.linspace(0.0, schedule.bend[i], 2 + int(schedule.radius[i] * schedule.bend[i] / _STEP))[:, None]
        across = unit[i + 1] - unit[i] * np.cos(schedule.bend[i])
        across = across / np.linalg.norm(across)
        start = pieces[-1][-1]
        pieces.append(start + schedule.radius[i] * (np.sin(angle) * unit[i] + (1 - np.cos(angle)) * across))
        here = pieces[-1][-1]
    return pieces


def _to_die(points: FloatArray, corners: FloatArray, radius: float, half_height: float) -> FloatArray:
    """Distance (N,) to the die of the bend at the middle one of three corners."""
    before, after = corners[1] - corners[0], corners[2] - corners[1]
    before, after = before / np.linalg.norm(before), after / np.linalg.norm(after)
    axis = np.cross(before, after)
    axis = axis / np.linalg.norm(axis)
    inward = (after - before) / np.linalg.norm(after - before)
    half = np.arccos(np.clip(before @ after, -1.0, 1.0)) / 2
    from_centre = points - corners[1] - inward * radius / np.cos(half)
    height = from_centre @ axis
    flat = from_centre - height[:, None] * axis
    out = np.maximum(np.linalg.norm(flat, axis=1) - radius, 0.0)
    return np.asarray(np.hypot(out, np.maximum(np.abs(height) - half_height, 0.0)))


def parse_coupon(text: str) -> float:
    """Springback factor from a coupon typed as ``die angle:angle after release`` in degrees.

    factor = after / die angle, for the same bar and die. Source: definition of the springback factor kR.
    """
    from fit.units import parse_angle

    parts = text.split(":")
    if len(parts) != 2:
        message = f"'{text}' is not a coupon; write the die's angle and the angle after release, like 90:86.5."
        raise InputError(message)
    tool, after = (parse_angle(part) for part in parts)
    if not 0 < after <= tool <= np.pi:
        message = f"'{text}': the angle after release must be above 0 and not above the die's angle, at most 180°."
        raise InputError(message)
    return after / tool


def die_angles(bend: FloatArray, factor: float) -> FloatArray:
    """Angles (n,) to set on the die so that each bend springs back to its wanted angle: bend / factor."""
    angles = np.asarray(bend, float) / factor
    if (angles >= np.pi).any():
        message = f"Bend {int(np.argmax(angles)) + 1} would have to be bent past 180° on the die; use a smaller die."
        raise CannotDetermine(message)
    return angles
