"""A hinge axis from marked points touched at several openings."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fit.clearance.motion import rotation_about, unit_vector
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray
from fit.units import MM_PER_INCH

__all__ = ["Hinge", "fit_hinge", "read_marks"]


@dataclass(frozen=True, eq=False, slots=True)
class Hinge:
    """A fitted axis.

    Attributes
    ----------
    point : (3,) mm, its point nearest the origin. direction : (3,) unit vector, right-hand for the order of openings.
    cov : (6, 6) covariance of point and direction. angles : (J,) radians from the first opening.
    rms : mm, of the residuals. dof : degrees of freedom of the covariance.
    """

    point: FloatArray
    direction: FloatArray
    cov: FloatArray
    angles: FloatArray
    rms: float
    dof: int


def fit_hinge(marks: ArrayLike, noise: float | None = None) -> Hinge:
    """Axis about which marked points turn, by orthogonal-distance least squares of the rigid motion.

    Parameters
    ----------
    marks : (J, M, 3) mm, M marks at J openings in order; NaN where a mark was not touched.
    noise : standard uncertainty of one touch in each axis, mm; None takes it from the residuals.

    The model is x_ij = c + R(d, a_j)(y_i - c). For a given axis and angles the best y_i is the mean of the marks turned
    back, so only the axis (4) and the angles (J - 1) are searched (variable projection, Golub & Pereyra, SIAM J. Numer.
    Anal. 10 (1973) 413). The start is the line common to the middle planes between each mark's places.

    Raises CannotDetermine where the marks hardly move, move along one line, or are too few.
    """
    seen = np.asarray(marks, float)
    if seen.ndim != 3 or seen.shape[2] != 3 or np.isinf(seen).any():
        message = f"The marks must have shape (openings, marks, 3); got {seen.shape}."
        raise InputError(message)
    known = np.isfinite(seen).all(axis=2)
    unknowns = 4 + len(seen) - 1 + 3 * int(known.any(axis=0).sum())
    dof = 3 * int(known.sum()) - unknowns
    if len(seen) < 2 or dof < 0 or (noise is None and dof == 0):
        message = (
            f"A hinge axis needs more touches: {int(known.sum())} touches over {len(seen)} openings leave "
            "nothing over. Touch three marks at three openings."
        )
        raise CannotDetermine(message)
    axis, angles = _start(seen, known)
    axis, angles, jacobian, residual = _refine(seen, known, axis, angles)
    square = float(residual @ residual)
    sigma2 = noise**2 if noise is not None else square / dof
    cov = np.linalg.inv(jacobian.T @ jacobian)[:4, :4] * sigma2
    spread = _axis_jacobian(axis)
    rms = math.sqrt(square / max(int(known.sum()), 1))
    return Hinge(axis[0], axis[1], spread @ cov @ spread.T, angles, rms, dof)


def _start(seen: FloatArray, known: FloatArray) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    pairs = [(i, j) for i in range(len(seen)) for j in range(i + 1, len(seen))]
    chords = np.concatenate([(seen[j] - seen[i])[known[i] & known[j]] for i, j in pairs])
    middles = np.concatenate([(0.5 * (seen[j] + seen[i]))[known[i] & known[j]] for i, j in pairs])
    _, size, rows = np.linalg.svd(chords, full_matrices=True)
    if len(size) < 2 or size[1] < 1e-3 * size[0] or size[0] < 1e-6:
        message = (
            "The marks move along one line or not at all, so no hinge axis can be found; touch them at wider openings."
        )
        raise CannotDetermine(message)
    direction = rows[2]
    across = rows[:2]
    flat, *_ = np.linalg.lstsq(
        chords @ across.T, np.sum(chords * middles, axis=1) - (chords @ direction) * (middles @ direction), rcond=None
    )
    point = across.T @ flat
    angles = _angles(seen, known, point, direction)
    if angles[np.argmax(np.abs(angles))] < 0:
        direction, angles = -direction, -angles
    return (point, direction), angles


def _angles(seen: FloatArray, known: FloatArray, point: FloatArray, direction: FloatArray) -> FloatArray:
    """Opening angles against the first opening, by the best common turn about the axis."""
    arms = seen - point
    arms = arms - (arms @ direction)[..., None] * direction
    angles = np.zeros(len(seen))
    for j in range(1, len(seen)):
        both = known[0] & known[j]
        a, b = arms[0][both], arms[j][both]
        angles[j] = math.atan2(float((np.cross(a, b) @ direction).sum()), float((a * b).sum()))
    return angles


def _tangents(direction: FloatArray) -> FloatArray:
    """Two unit vectors (2, 3) square to the direction and to each other."""
    rows: FloatArray = np.linalg.svd(direction[None])[2][1:]
    return rows


def _moved(axis: tuple[FloatArray, FloatArray], step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Axis after four small steps: its point and its direction, both across it; the point is kept nearest the
    origin.
    """
    point, direction = axis
    across = _tangents(direction)
    turned = unit_vector(direction + step[2:4] @ across, "The axis")
    placed = point + step[:2] @ across
    return placed - (placed @ turned) * turned, turned


def _axis_jacobian(axis: tuple[FloatArray, FloatArray]) -> FloatArray:
    """(6, 4) change of (point nearest the origin, direction) for the four steps."""
    h = 1e-6
    columns = []
    for k in range(4):
        step = h * np.eye(4)[k]
        up, down = np.concatenate(_moved(axis, step)), np.concatenate(_moved(axis, -step))
        columns.append((up - down) / (2 * h))
    return np.array(columns).T


def _residual(
    seen: FloatArray, known: FloatArray, axis: tuple[FloatArray, FloatArray], angles: FloatArray
) -> FloatArray:
    point, direction = axis
    turn = rotation_about(direction, angles)
    back = np.einsum("jba,jmb->jma", turn, np.nan_to_num(seen - point))
    weight = known[..., None] / np.maximum(known.sum(axis=0), 1)[None, :, None]
    mean = (back * weight).sum(axis=0)
    return ((back - mean) * known[..., None]).ravel()


def _refine(
    seen: FloatArray, known: FloatArray, axis: tuple[FloatArray, FloatArray], angles: FloatArray
) -> tuple[tuple[FloatArray, FloatArray], FloatArray, FloatArray, FloatArray]:
    """Gauss-Newton steps until they no longer matter; returns the last Jacobian and residual as well."""
    size = max(1.0, float(np.nanmax(np.abs(seen - np.nanmean(seen, axis=(0, 1))))))
    for _ in range(50):
        residual = _residual(seen, known, axis, angles)
        jacobian = _jacobian(seen, known, axis, angles, size)
        step = np.asarray(np.linalg.lstsq(jacobian, -residual, rcond=None)[0], dtype=np.float64)
        axis, angles = _moved(axis, step[:4]), angles + np.concatenate([[0.0], step[4:]])
        if np.abs(step * np.concatenate([[1, 1], np.full(len(step) - 2, size)])).max() < 1e-11 * size:
            break
    if not np.isfinite(residual).all() or np.linalg.matrix_rank(jacobian) < jacobian.shape[1]:
        message = "The marks do not fix a hinge axis; touch three marks, well apart, at three openings."
        raise CannotDetermine(message)
    return axis, angles, jacobian, _residual(seen, known, axis, angles)


def _jacobian(
    seen: FloatArray, known: FloatArray, axis: tuple[FloatArray, FloatArray], angles: FloatArray, size: float
) -> FloatArray:
    count = 4 + len(angles) - 1
    steps = np.concatenate([[1e-5 * size] * 2, np.full(count - 2, 1e-6)])
    columns = []
    for k, h in enumerate(steps):
        step = h * np.eye(count)[k]
        sides = [
            _residual(seen, known, _moved(axis, s * step[:4]), angles + s * np.concatenate([[0.0], step[4:]]))
            for s in (1, -1)
        ]
        columns.append((sides[0] - sides[1]) / (2 * h))
    return np.array(columns).T


def read_marks(path: str | Path, unit: str | None = None) -> FloatArray:
    """Marks (J, M, 3) mm from rows ``opening, mark, x, y, z``; openings in the order they first appear.

    The unit stands in a line such as ``# unit mm`` or comes from the caller. Raises InputError naming file and line.
    """
    try:
        lines = Path(path).read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path}: cannot be read as a text file of marks; check the name."
        raise InputError(message) from error
    said = next(
        (word for line in lines if line.strip().startswith("#") for word in ("mm", "inch") if word in line.split()),
        unit,
    )
    if said is None:
        message = f"{path}: does not say its unit; add --unit mm or --unit inch."
        raise InputError(message)
    touches: dict[tuple[str, str], FloatArray] = {}
    for number, row in enumerate(csv.reader(lines), start=1):
        if (
            row
            and not row[0].strip().startswith("#")
            and [word.strip().lower() for word in row[:2]] != ["opening", "mark"]
        ):
            opening, mark, xyz = _touch(row, f"{path}, line {number}")
            touches[opening, mark] = xyz * (MM_PER_INCH if said == "inch" else 1.0)
    openings, names = (list(dict.fromkeys(key[k] for key in touches)) for k in range(2))
    marks = np.full((len(openings), len(names), 3), np.nan)
    for (opening, mark), xyz in touches.items():
        marks[openings.index(opening), names.index(mark)] = xyz
    return marks


def _touch(row: list[str], where: str) -> tuple[str, str, FloatArray]:
    try:
        xyz = np.array([float(word) for word in row[2:5]])
    except ValueError:
        xyz = np.zeros(0)
    if len(xyz) != 3 or not np.isfinite(xyz).all():
        message = f"{where}: must be 'opening, mark, x, y, z'; got '{','.join(row)}'."
        raise InputError(message)
    return row[0].strip(), row[1].strip(), xyz
