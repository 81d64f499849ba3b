"""Motions of the moving part: hinge, slide, or a free list of poses, as typed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fit.errors import InputError
from fit.points import FARTHEST_MM, FloatArray

__all__ = [
    "Motion",
    "hinge_motion",
    "parse_axis",
    "parse_range",
    "parse_vector",
    "position_words",
    "read_poses",
    "rotation_about",
    "slide_motion",
]

MOST_POSITIONS = 20_000


@dataclass(frozen=True, eq=False, slots=True)
class Motion:
    """Rigid poses of the moving part.

    Attributes
    ----------
    kind : ``hinge``, ``slide`` or ``poses``. unit : of the positions: ``deg``, ``mm`` or ``pose``.
    positions : (P,) what the user calls each pose. turn : (P, 3, 3). shift : (P, 3) mm: x' = turn @ x + shift.
    axis : (point, direction) of a hinge, (3,) each; direction alone matters for a slide.
    axis_cov : (6, 6) covariance of a fitted axis's point (mm) and direction, None where it was typed.
    """

    kind: str
    unit: str
    positions: FloatArray
    turn: FloatArray
    shift: FloatArray
    axis: tuple[FloatArray, FloatArray] | None = None
    axis_cov: FloatArray | None = None

    def pose(self, i: int) -> tuple[FloatArray, FloatArray]:
        """Rotation (3, 3) and shift (3,) mm at position i."""
        return self.turn[i], self.shift[i]


def position_words(motion: Motion, i: int) -> str:
    """What people call position i, such as 12° or pose 3."""
    value = motion.positions[i]
    return f"pose {value:.0f}" if motion.unit == "pose" else f"{value:g}{'°' if motion.unit == 'deg' else ' mm'}"


def parse_vector(text: str, what: str) -> FloatArray:
    """Three numbers parted by commas.

    Raises InputError that names the option.
    """
    words = text.split(",")
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        numbers = []
    if len(numbers) != 3 or not (np.abs(numbers) <= FARTHEST_MM).all():
        message = f"{what} must be three numbers parted by commas, such as 0,0,94.5, none over 1 km; got '{text}'."
        raise InputError(message)
    return np.array(numbers)


def parse_axis(text: str) -> tuple[FloatArray, FloatArray]:
    """A hinge axis ``x,y,z:dx,dy,dz``: a point on it in mm and its direction, made a unit vector."""
    point, colon, direction = text.partition(":")
    if not colon:
        message = f"--hinge must be a point and a direction, 'x,y,z:dx,dy,dz'; got '{text}'."
        raise InputError(message)
    return parse_vector(point, "--hinge, the point,"), unit_vector(
        parse_vector(direction, "--hinge, the direction,"), "--hinge, the direction,"
    )


def unit_vector(direction: ArrayLike, what: str) -> FloatArray:
    """The direction made one long; refuses a zero vector."""
    array = np.asarray(direction, float)
    length = float(np.linalg.norm(array))
    if not length > 1e-12:
        message = f"{what} must not be zero; give the way it points, such as 0,-1,0."
        raise InputError(message)
    return array / length


def parse_range(text: str, what: str) -> FloatArray:
    """Positions of a range ``a:b:step``; both ends are held, the last step may be shorter.

    Raises InputError for a range that runs backwards, a step that is not positive, or more than 20,000 positions.
    """
    words = text.split(":")
    try:
        first, last, step = (float(word) for word in words)
    except ValueError:
        first = last = step = math.nan
    if not all(abs(value) <= FARTHEST_MM for value in (first, last, step)):
        message = f"{what} must be first:last:step, such as 0:75:1, no number over a million; got '{text}'."
        raise InputError(message)
    if last < first:
        message = (
            f"{what} must run from the smaller to the larger; got '{text}'. Write {last:g}:{first:g}:{abs(step):g}."
        )
        raise InputError(message)
    if step <= 0:
        message = f"{what} must have a step above 0; got {step:g}."
        raise InputError(message)
    if (last - first) / step > MOST_POSITIONS:
        message = (
            f"{what} gives {(last - first) / step:.0f} positions; take a larger step (at most {MOST_POSITIONS} "
            "positions)."
        )
        raise InputError(message)
    count = math.floor((last - first) / step + 1e-9)
    positions: FloatArray = first + step * np.arange(count + 1, dtype=float)
    if last - positions[-1] > 1e-9 * max(step, abs(last)):
        return np.append(positions, last)
    positions[-1] = last if count else first
    return positions


def rotation_about(direction: FloatArray, angle: ArrayLike) -> FloatArray:
    """Rotations (…, 3, 3) by angles (radians) about a unit vector, right-hand (Rodrigues' formula)."""
    angles = np.asarray(angle, float)[..., None, None]
    x, y, z = direction
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: FloatArray = np.eye(3) + np.sin(angles) * cross + (1.0 - np.cos(angles)) * (cross @ cross)
    return turned


def hinge_motion(
    axis: tuple[ArrayLike, ArrayLike], angles_deg: ArrayLike, axis_cov: FloatArray | None = None
) -> Motion:
    """Poses of a hinge: the moving cloud as given is position 0; angles in degrees, right-hand about the direction."""
    point, direction = np.asarray(axis[0], float), unit_vector(axis[1], "The hinge's direction")
    positions = np.asarray(angles_deg, float)
    if np.ptp(positions) > 360:
        message = f"--angles must stay within one turn; got {positions[0]:g} to {positions[-1]:g} degrees."
        raise InputError(message)
    turn = rotation_about(direction, np.radians(positions))
    return Motion("hinge", "deg", positions, turn, point - turn @ point, (point, direction), axis_cov)


def slide_motion(direction: ArrayLike, travel: ArrayLike) -> Motion:
    """Poses of a slide: travel in mm along the direction, the moving cloud as given is position 0."""
    along, positions = unit_vector(direction, "--slide"), np.asarray(travel, float)
    turn = np.broadcast_to(np.eye(3), (len(positions), 3, 3)).copy()
    return Motion("slide", "mm", positions, turn, positions[:, None] * along, (np.zeros(3), along))


def read_poses(path: str | Path) -> Motion:
    """Poses from a text file, one a line, mm: 12 numbers (each row of the rotation, then its shift) or 6 numbers (shift
    x y z, then the rotation vector in degrees, right-hand). Blanks or commas part them, # starts a comment.

    Raises InputError naming file and line.
    """
    try:
        lines = Path(path).read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path}: cannot be read as a text file of poses; check the name."
        raise InputError(message) from error
    rows = [(i + 1, line.split("#")[0].replace(",", " ").split()) for i, line in enumerate(lines)]
    poses = [_one_pose(words, f"{path}, line {number}") for number, words in rows if words]
    if not poses:
        message = f"{path}: holds no pose; write 6 or 12 numbers a line."
        raise InputError(message)
    turn, shift = (np.array(part) for part in zip(*poses, strict=True))
    return Motion("poses", "pose", np.arange(1.0, len(poses) + 1), turn, shift)


def _one_pose(words: Sequence[str], where: str) -> tuple[FloatArray, FloatArray]:
    try:
        numbers = np.array([float(word) for word in words])
    except ValueError:
        numbers = np.array([math.nan])
    if len(numbers) not in (6, 12) or not (np.abs(numbers) <= FARTHEST_MM).all():
        message = f"{where}: a pose must be 6 or 12 numbers, none over 1 km; got {len(words)} words."
        raise InputError(message)
    if len(numbers) == 6:
        angle = float(np.linalg.norm(numbers[3:]))
        direction = numbers[3:] / angle if angle else np.array([0.0, 0.0, 1.0])
        return rotation_about(direction, math.radians(angle)), numbers[:3]
    matrix = numbers.reshape(3, 4)
    turn = matrix[:, :3]
    if np.abs(turn @ turn.T - np.eye(3)).max() > 1e-5 or np.linalg.det(turn) < 0:
        message = (
            f"{where}: the first three numbers of each group of four must form a rotation; this one stretches or "
            "mirrors."
        )
        raise InputError(message)
    return turn, matrix[:, 3]
