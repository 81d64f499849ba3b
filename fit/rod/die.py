"""Can the bender make it: die radius, straights long enough to grip, clash with the die, springback."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray
from fit.rod.schedule import Schedule, corners_of_schedule

__all__ = ["Die", "DieCheck", "check_die", "die_angles", "parse_coupon"]

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
    is the same from start to end of the bend and one position tells all.
    """
    height = die.height or 2 * die.rod
    checks = []
    for i in range(1, len(schedule.bend)):
        line = _formed(schedule, i)
        gap = float(_to_disc(line, schedule.radius[i], height / 2).min() - die.rod / 2)
        words = f"bend {i + 1}: what is bent before passes the die at {gap:.1f} mm"
        if gap < 0:
            words = f"bend {i + 1}: what is bent before runs {-gap:.1f} mm into the die; bend from end b or change the order"
        source = f"geometry; die a disc of the bend's radius, {height:g} mm high"
        checks.append(DieCheck("clash", i + 1, gap, 0.0, gap >= 0, words, source))
    return checks


def _formed(schedule: Schedule, bend: int) -> FloatArray:
    """Centre line (N, 3) from end a to the end of the bend before, seen from the die: axis z, die centre at 0.

    The bar's tangent point at the start of this bend is (0, −R, 0), the feed is −x towards end a.
    """
    part = Schedule(
        np.append(schedule.straight[: bend + 1][::-1], 0.0),
        np.append(0.0, schedule.rotation[1 : bend + 1][::-1]),
        schedule.bend[:bend][::-1],
        schedule.radius[:bend][::-1],
    )
    radius = float(schedule.radius[bend])
    # Looking back along the bar: the run before this bend points to −x; the last bend made lies turned about it by the
    # rotation, and turns the other way round since the bar is walked backwards.
    turn = -float(schedule.rotation[bend])
    normal = np.array([0.0, np.sin(turn), -np.cos(turn)])
    twisted = Schedule(part.straight[:-1], np.append(0.0, part.rotation[1:-1]), part.bend, part.radius)
    corners = corners_of_schedule(twisted, (0.0, -radius, 0.0), (-1.0, 0.0, 0.0), normal)
    return _centre_line(corners, twisted)


def _centre_line(corners: FloatArray, schedule: Schedule) -> FloatArray:
    """Points about 1 mm apart along runs and arcs, from the first bend's start on."""
    unit = np.diff(corners, axis=0)
    unit = unit / np.linalg.norm(unit, axis=1)[:, None]
    points = []
    for i, radius in enumerate(schedule.radius):
        half = schedule.bend[i] / 2
        start = corners[i + 1] - unit[i] * radius * np.tan(half)
        across = unit[i + 1] - unit[i] * np.cos(schedule.bend[i])
        across = across / np.linalg.norm(across)
        angle = np.linspace(0.0, schedule.bend[i], 2 + int(radius * schedule.bend[i] / _STEP))[:, None]
        points.append(start + radius * (np.sin(angle) * unit[i] + (1 - np.cos(angle)) * across))
        along = np.arange(0.0, schedule.straight[i + 1] + _STEP, _STEP)[:, None]
        points.append(points[-1][-1] + np.minimum(along, schedule.straight[i + 1]) * unit[i + 1])
    return np.concatenate(points)


def _to_disc(points: FloatArray, radius: float, half_height: float) -> FloatArray:
    """Distance (N,) to a solid disc about the z axis; 0 inside."""
    out = np.maximum(np.hypot(points[:, 0], points[:, 1]) - radius, 0.0)
    up = np.maximum(np.abs(points[:, 2]) - half_height, 0.0)
    return np.asarray(np.hypot(out, up))


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
