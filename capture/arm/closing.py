"""Closing points: places touched again later in a list, which tell whether the arm's base has moved meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.arm.kinds import kind_in_name
from capture.arm.ties import TIE_NOISE, Tie, find_ties, matches
from fit.errors import InputError
from fit.lists import PointList
from fit.results import Notice

__all__ = ["Visit", "closing_errors", "told_of_moves", "until_moved"]

_LIMIT = 3.0
_MOST_VISITS = 4
_ONE_PLACE = 1.0
_ALIKE = 0.1
"""What balls may differ in radius and scatter by to be one ball touched again, mm (common practice, no source)."""
_ONE_WAY = 0.9
"""Length of the mean of i j k from which on they look one way."""


@dataclass(frozen=True, eq=False, slots=True)
class Visit:
    """One visit to a closing place: its rows in the list, and what its touches make of it."""

    rows: NDArray[np.int_]
    tie: Tie

    @property
    def name(self) -> str:
        return self.tie.name


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
    spread = _spread([visit for group in visits.values() for visit in group])
    found = []
    for first, visit in later:
        gap = visit.tie.centre - first.tie.centre
        cov = (first.tie.unit_cov + visit.tie.unit_cov) * spread**2
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
    found: dict[str, list[Visit]] = {}
    for rows in _runs(listed):
        name = str(listed.names[rows[0]])
        if matches(name, patterns):
            tie = find_ties(listed.select(rows), [_just(name)])[name]
            found.setdefault(name, []).append(Visit(rows, tie))
    return found


def _runs(listed: PointList) -> list[NDArray[np.int_]]:
    """Rows of each unbroken run of one name."""
    return np.split(np.arange(len(listed)), np.flatnonzero(listed.names[1:] != listed.names[:-1]) + 1)


def _just(name: str) -> str:
    """Pattern that fits this name alone."""
    return name.replace("[", "[[]")


def _spread(visits: Sequence[Visit]) -> float:
    """Spread of a touch from all visits, mm; the assumed one where they tell too little."""
    square, dof = sum(visit.tie.square for visit in visits), sum(visit.tie.dof for visit in visits)
    return max(math.sqrt(square / dof), 1e-4) if dof >= 6 else TIE_NOISE


def told_of_moves(listed: PointList) -> tuple[Notice, ...]:
    """Notice `base-moved` where a place or ball that was touched again later, unasked, lies elsewhere by then.

    A place repeats within a millimetre in every visit, and looks one way; a ball is of the same size again. Other names
    that come again are features touched in turns.
    """
    runs: dict[str, list[NDArray[np.int_]]] = {}
    for rows in _runs(listed):
        runs.setdefault(str(listed.names[rows[0]]), []).append(rows)
    again = {name: rows for name, rows in runs.items() if 2 <= len(rows) <= _MOST_VISITS}
    names = [name for name, rows in again.items() if _is_place(listed, name, rows) or _is_ball(listed, name, rows)]
    if not names:
        return ()
    errors = closing_errors(listed, [_just(name) for name in names])
    bad = [(visit, size) for visit, size, ratio in errors if ratio > _LIMIT]
    if not bad:
        return ()
    first, size = min(bad, key=lambda item: int(item[0].rows[0]))
    text = (
        f"{Path(listed.path).name}: '{first.name}' was touched again in line {listed.lines[first.rows[0]]}, {size:.2f} mm "
        f"from where it was in line {listed.lines[again[first.name][0][0]]} ({len(bad)} of {len(errors)} visits disagree): "
        f"the base may have moved in between. Say --closing '{first.name}' to leave out what came after it moved."
    )
    return (Notice("base-moved", text),)


def _is_place(listed: PointList, name: str, visits: Sequence[NDArray[np.int_]]) -> bool:
    if kind_in_name(name) is not None:
        return False
    sizes = [float(np.ptp(listed.xyz[rows], axis=0).max()) for rows in (*visits, np.concatenate(visits))]
    looks = listed.direction[np.concatenate(visits)]
    looks = looks[np.isfinite(looks).all(axis=1)]
    one_way = len(looks) == 0 or float(np.linalg.norm(looks.mean(axis=0))) > _ONE_WAY
    repeated = min(map(len, visits)) > 1 or sizes[-1] < _ONE_PLACE
    return one_way and repeated and max(sizes[:-1]) < _ONE_PLACE


def _is_ball(listed: PointList, name: str, visits: Sequence[NDArray[np.int_]]) -> bool:
    if kind_in_name(name) not in (None, "sphere"):
        return False
    try:
        ties = [find_ties(listed.select(rows), [_just(name)])[name] for rows in visits]
    except InputError:
        return False
    told = all(tie.ball and tie.dof > 0 and tie.square < _ALIKE**2 * tie.dof for tie in ties)
    return told and max(tie.radius for tie in ties) - min(tie.radius for tie in ties) < _ALIKE
