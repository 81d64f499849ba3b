"""Bent rod: centre-line corners or run axes to a bending schedule, and back. All lengths mm, all angles radians."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = [
    "LEAST_BEND",
    "MOST_BEND",
    "Schedule",
    "corners_of_schedule",
    "reversed_schedule",
    "schedule_of_axes",
    "schedule_of_corners",
]

LEAST_BEND = np.radians(0.5)
"""Below this two runs are one: where they cross says nothing. Common practice, no source."""
MOST_BEND = np.radians(175.0)
"""Above this two runs are side by side and cross too far off. Common practice, no source."""


@dataclass(frozen=True, eq=False, slots=True)
class Schedule:
    """What the bender does, in order, from end a.

    Attributes
    ----------
    straight : (n + 1,) mm between tangent points; the first and last reach to the ends.
    rotation : (n,) radians turned before each bend, right-hand about the direction of feed, in (−π, π]; first 0.
    bend : (n,) radians, turn away from straight.
    radius : (n,) mm, to the centre line.
    """

    straight: FloatArray
    rotation: FloatArray
    bend: FloatArray
    radius: FloatArray

    @property
    def arc(self) -> FloatArray:
        """(n,) centre-line length of each bend: radius × angle (no shift of the neutral line)."""
        return self.radius * self.bend

    @property
    def cut_length(self) -> float:
        """Length of bar to cut: all straights and all arcs along the centre line."""
        return float(self.straight.sum() + self.arc.sum())

    @property
    def marks(self) -> FloatArray:
        """(n, 3) mm from end a along the bar: start, middle and end of each bend."""
        start = np.cumsum(self.straight[:-1]) + np.concatenate([[0.0], np.cumsum(self.arc)[:-1]])
        return np.stack([start, start + self.arc / 2, start + self.arc], axis=1)


def schedule_of_corners(corners: ArrayLike, radius: ArrayLike) -> Schedule:
    """Schedule of a rod from its centre-line corners.

    bend = angle between successive directions; straight = distance of corners less the tangents R tan(bend/2);
    rotation = signed angle from one bend's plane normal to the next about the direction between them.
    Source: plane geometry.

    Parameters
    ----------
    corners : (n + 2, 3) mm, end a first, end b last. radius : (n,) or one number, mm, to the centre line.

    Raises
    ------
    InputError : corners that coincide, wrong shapes. CannotDetermine : bends near 0° or 180°, overlapping bends.
    """
    points = np.asarray(corners, float)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 3:
        message = f"A bent rod needs at least 3 corner points (x, y, z), ends included; got shape {points.shape}."
        raise InputError(message)
    if not np.isfinite(points).all():
        message = "The corner points must be finite numbers; mend the list."
        raise InputError(message)
    return schedule_of_axes(points[:-1], points[1:], radius)


def schedule_of_axes(start: ArrayLike, end: ArrayLike, radius: ArrayLike, *, check: bool = True) -> Schedule:
    """Schedule from each run's axis, which need not quite cross the next one.

    Parameters
    ----------
    start, end : (n + 1, 3) mm, each run's first and last point: ends of the rod, or feet nearest the neighbour's axis.
    radius : (n,) or one number, mm. check : refuse what cannot be bent.
    """
    first, last = np.asarray(start, float), np.asarray(end, float)
    along = last - first
    length = np.linalg.norm(along, axis=1)
    if (length <= 0).any():
        message = f"Corners {int(np.argmin(length)) + 1} and {int(np.argmin(length)) + 2} coincide; delete one."
        raise InputError(message)
    unit = along / length[:, None]
    radii = _radii(radius, len(unit) - 1)
    normal = np.cross(unit[:-1], unit[1:])
    bend = np.arctan2(np.linalg.norm(normal, axis=1), np.sum(unit[:-1] * unit[1:], axis=1))
    if check:
        _check_bends(bend)
    tangent = radii * np.tan(bend / 2)
    straight = length - np.concatenate([[0.0], tangent]) - np.concatenate([tangent, [0.0]])
    if check:
        _check_straights(straight, tangent)
    return Schedule(straight, _rotations(unit, normal), bend, radii)


def _radii(radius: ArrayLike, count: int) -> FloatArray:
    given = np.asarray(radius, float)
    if given.ndim > 1 or (given.ndim == 1 and len(given) not in (1, count)):
        message = f"There must be one radius, or one for each of the {count} bends; got {given.size}."
        raise InputError(message)
    radii = np.array(np.broadcast_to(given, (count,)), float)
    if not (np.isfinite(radii).all() and (radii > 0).all()):
        message = f"The centre-line radius must be above 0 mm; got {given}."
        raise InputError(message)
    return radii


def _check_bends(bend: FloatArray) -> None:
    for i, angle in enumerate(bend, 1):
        if angle < LEAST_BEND:
            message = f"Runs {i} and {i + 1} are in line (bend {np.degrees(angle):.2f}°); join them into one run."
            raise CannotDetermine(message)
        if angle > MOST_BEND:
            message = (
                f"Runs {i} and {i + 1} lie side by side (bend {np.degrees(angle):.1f}°); "
                "put a short run between them and make two bends of it."
            )
            raise CannotDetermine(message)


def _check_straights(straight: FloatArray, tangent: FloatArray) -> None:
    short = int(np.argmin(straight))
    # A run that typed corners make just as long as its tangents is a straight of zero, not an overlap.
    if straight[short] < -1e-9 * (1 + tangent.max()):
        message = (
            f"The bends beside run {short + 1} overlap by {-straight[short]:.2f} mm at this radius; "
            "give the right radius or move the corners."
        )
        raise CannotDetermine(message)


def _rotations(unit: FloatArray, normal: FloatArray) -> FloatArray:
    """(n,) right-hand turns about each run from the last bend's normal to the next."""
    sine = np.sum(unit[1:-1] * np.cross(normal[:-1], normal[1:]), axis=1)
    cosine = np.sum(normal[:-1] * normal[1:], axis=1)
    turn = np.arctan2(sine, cosine)
    turn = np.where(turn <= -np.pi + 1e-12, np.pi, turn)
    return np.concatenate([[0.0], turn])


def corners_of_schedule(
    schedule: Schedule, origin: ArrayLike = (0, 0, 0), feed: ArrayLike = (1, 0, 0), normal: ArrayLike = (0, 0, 1)
) -> FloatArray:
    """Corner points (n + 2, 3) mm that a schedule makes: the way back, exact to rounding.

    The rod starts at `origin` along `feed`; the first bend turns right-hand about `normal` (made square to `feed`).
    """
    here = np.asarray(origin, float)
    unit = _unit(np.asarray(feed, float), "feed direction")
    axis = np.asarray(normal, float)
    axis = _unit(axis - unit * (axis @ unit), "normal of the first bend")
    tangent = schedule.radius * np.tan(schedule.bend / 2)
    lengths = schedule.straight + np.concatenate([[0.0], tangent]) + np.concatenate([tangent, [0.0]])
    corners = [here]
    for i, length in enumerate(lengths):
        here = here + unit * length
        corners.append(here)
        if i < len(schedule.bend):
            axis = _turned(axis, unit, schedule.rotation[i])
            unit = _turned(unit, axis, schedule.bend[i])
    return np.array(corners)


def _unit(vector: FloatArray, what: str) -> FloatArray:
    length = float(np.linalg.norm(vector))
    if not length > 1e-12:
        message = f"The {what} must be a direction; got {vector.tolist()}."
        raise InputError(message)
    return vector / length


def _turned(vector: FloatArray, axis: FloatArray, angle: float) -> FloatArray:
    """Turn a vector that is square to a unit axis, right-hand about it."""
    turned = vector * np.cos(angle) + np.cross(axis, vector) * np.sin(angle)
    return np.asarray(turned / np.linalg.norm(turned))


def reversed_schedule(schedule: Schedule) -> Schedule:
    """The same rod fed from end b.

    All lists run backwards. Turned about, a rotation keeps its sign: the feed direction and both bend normals change
    sign together. It now belongs before the bend that used to come first.
    """
    rotation = np.concatenate([schedule.rotation[:1], schedule.rotation[1:][::-1]])
    return Schedule(schedule.straight[::-1], rotation, schedule.bend[::-1], schedule.radius[::-1])
