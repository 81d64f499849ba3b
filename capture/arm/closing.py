"""Closing points: places touched again later in a list, which tell whether the arm's base has moved meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.arm.ties import TIE_NOISE, find_ties, matches
from fit.errors import InputError
from fit.lists import PointList
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["Visit", "closing_errors", "until_moved"]

_LIMIT = 3.0


@dataclass(frozen=True, eq=False, slots=True)
class Visit:
    """One visit to a closing place: its rows in the list, its centre, mm, and that centre's unit covariance (3, 3)."""

    name: str
    rows: NDArray[np.int_]
    centre: FloatArray
    unit_cov: FloatArray


def until_moved(listed: PointList, patterns: Sequence[str]) -> tuple[PointList, tuple[Notice, ...]]:
    """The list up to the last closing visit that agrees, with notice `base-moved` where a later one does not.

    A closing place is a point or ball whose name fits a pattern, touched in two or more visits (runs of rows). The
    points between the last visit that agrees and the first that does not may be on either side of the move, so none of
    them is joined. The limit is three times the spread allowed (a touch's spread from the visits themselves where they
    repeat, else an assumed hand-held one).

    Raises InputError where no place is visited twice.
    """
    errors = closing_errors(listed, patterns)
    bad = [(visit, size) for visit, size, ratio in errors if ratio > _LIMIT]
    if not bad:
        worst = max(size for _, size, _ in errors)
        text = f"{Path(listed.path).name}: the closing points agree within {worst:.3f} mm; the base stood still."
        return listed, (Notice("base-steady", text),)
    first, size = min(bad, key=lambda item: int(item[0].rows[0]))
    start = int(first.rows[0])
    steady = [visit for visit, _, ratio in errors if ratio <= _LIMIT and int(visit.rows[-1]) < start]
    last = max([int(visit.rows[-1]) for visit in steady] or [_end_of_opening(_first_visits(listed, patterns))])
    kept = np.arange(len(listed)) <= last
    dropped = int((~kept).sum())
    text = (
        f"{Path(listed.path).name}: '{first.name}' closes {size:.2f} mm off in line {listed.lines[start]}: the base "
        f"moved after line {listed.lines[last]}. The {dropped} points after that line are not joined; take them "
        "again as a station of their own."
    )
    return listed.select(kept), (Notice("base-moved", text),)


def closing_errors(listed: PointList, patterns: Sequence[str]) -> list[tuple[Visit, float, float]]:
    """Every later visit with its distance from the first, mm, and that over what the spread allows."""
    visits = _visits(listed, patterns)
    later = [(first, visit) for first, *rest in visits.values() for visit in rest]
    if not later:
        message = (
            f"{listed.path}: --closing {' '.join(patterns)} finds no place touched twice; touch the same points at the "
            "start and at the end of the list, under the same names."
        )
        raise InputError(message)
    spread = _spread(listed, [visit for group in visits.values() for visit in group])
    found = []
    for first, visit in later:
        gap = visit.centre - first.centre
        cov = (first.unit_cov + visit.unit_cov) * spread**2
        found.append((visit, float(np.linalg.norm(gap)), math.sqrt(gap @ np.linalg.solve(cov, gap) / 3)))
    return found


def _end_of_opening(first: Sequence[Visit]) -> int:
    """Last row of the unbroken block of first visits: nothing can have moved within it unseen."""
    ordered = sorted(first, key=lambda visit: int(visit.rows[0]))
    end = int(ordered[0].rows[-1])
    for visit in ordered[1:]:
        if int(visit.rows[0]) != end + 1:
            break
        end = int(visit.rows[-1])
    return end


def _first_visits(listed: PointList, patterns: Sequence[str]) -> list[Visit]:
    return [group[0] for group in _visits(listed, patterns).values() if len(group) > 1]


def _visits(listed: PointList, patterns: Sequence[str]) -> dict[str, list[Visit]]:
    """Closing places by name, each with its visits in order."""
    breaks = np.flatnonzero(listed.names[1:] != listed.names[:-1]) + 1
    found: dict[str, list[Visit]] = {}
    for rows in np.split(np.arange(len(listed)), breaks):
        name = str(listed.names[rows[0]])
        if matches(name, patterns):
            tie = find_ties(listed.select(rows), [name.replace("[", "[[]")])[name]
            found.setdefault(name, []).append(Visit(name, rows, tie.centre, tie.unit_cov))
    return found


def _spread(listed: PointList, visits: Sequence[Visit]) -> float:
    """Spread of a touch from point visits with repeats, mm; the assumed one where they are too few."""
    square, dof = 0.0, 0
    for visit in visits:
        touches = listed.xyz[visit.rows] - visit.centre
        if float(np.abs(touches).max()) < 1.0 and len(visit.rows) > 1:
            square, dof = square + float(np.sum(touches**2)), dof + 3 * (len(visit.rows) - 1)
    return max(math.sqrt(square / dof), 1e-4) if dof >= 6 else TIE_NOISE
