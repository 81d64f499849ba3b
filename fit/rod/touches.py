"""Touches on a bent rod, sorted by the run, bend or end that they lie on."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine, InputError
from fit.points import Points

__all__ = ["BEND", "END_A", "END_B", "RUN", "Touches", "sort_touches"]

RUN, BEND, END_A, END_B = 0, 1, 2, 3
"""What a touch lies on."""

_NAME = re.compile(r"^(run|bend)[_ -]?0*(\d+)$|^end[_ -]?([ab])$", re.IGNORECASE)
_LEAST_PER_RUN = 5


@dataclass(frozen=True, eq=False, slots=True)
class Touches:
    """Touches in rows.

    Attributes
    ----------
    points : the touches used, in the order of the list.
    what : (N,) RUN, BEND, END_A or END_B. place : (N,) index of the run or bend from 0.
    runs : number of runs. has_a, has_b : whether the ends were touched. left_out : feature names that say nothing here.
    """

    points: Points
    what: NDArray[np.int_]
    place: NDArray[np.int_]
    runs: int
    has_a: bool
    has_b: bool
    left_out: tuple[str, ...] = ()

    def rows(self, what: int, place: int | None = None) -> NDArray[np.int_]:
        """Row numbers of the touches on one run, bend or end."""
        mask = self.what == what
        return np.flatnonzero(mask if place is None else mask & (self.place == place))

    def name(self, row: int) -> str:
        """Feature name of a touch as the list has it."""
        return str(self.points.label[row])

    @property
    def bends_touched(self) -> tuple[int, ...]:
        """Bends, from 0, that were touched on their outside."""
        return tuple(int(i) for i in np.unique(self.place[self.what == BEND]))


def sort_touches(points: Points) -> Touches:
    """Sort touches by feature name: ``run_1`` … in feed order, ``bend_1`` …, ``end_a``, ``end_b``.

    Raises
    ------
    InputError : no names, a run missing in the row, a bend that has no run after it.
    CannotDetermine : fewer than two runs, or fewer than five touches on one.
    """
    found = [_NAME.match(str(name)) for name in points.label]
    kept = np.array([match is not None for match in found], bool)
    names = [match for match in found if match]
    if not names:
        message = "The list names no runs; it needs a feature column with run_1, run_2 …, end_a and end_b."
        raise InputError(message)
    what = np.array([_kind(match) for match in names], int)
    place = np.array([int(match[2]) - 1 if match[2] else 0 for match in names], int)
    runs = _count_runs(what, place)
    _check_bends(what, place, runs)
    left_out = tuple(dict.fromkeys(str(n) for n, keep in zip(points.label, kept, strict=True) if not keep and n))
    return Touches(points.select(kept), what, place, runs, END_A in what, END_B in what, left_out)


def _kind(match: re.Match[str]) -> int:
    if match[3]:
        return END_A if match[3].lower() == "a" else END_B
    return RUN if match[1].lower() == "run" else BEND


def _count_runs(what: NDArray[np.int_], place: NDArray[np.int_]) -> int:
    numbers = np.unique(place[what == RUN])
    missing = sorted(set(range(int(numbers.max(initial=-1)) + 1)) - set(numbers.tolist()))
    if missing:
        message = f"run_{missing[0] + 1} is missing; touch it, or number the runs 1, 2, 3 … along the rod."
        raise InputError(message)
    if len(numbers) < 2:
        message = f"A bent rod needs at least two runs (run_1, run_2); got {len(numbers)}."
        raise CannotDetermine(message)
    counts = [int(np.sum((what == RUN) & (place == i))) for i in numbers]
    if min(counts) < _LEAST_PER_RUN:
        thin = int(np.argmin(counts))
        message = (
            f"run_{thin + 1} has {counts[thin]} touches; "
            f"touch it at least {_LEAST_PER_RUN} times, spread along and around."
        )
        raise CannotDetermine(message)
    return len(numbers)


def _check_bends(what: NDArray[np.int_], place: NDArray[np.int_], runs: int) -> None:
    bends = place[what == BEND]
    if len(bends) and (bends.max() >= runs - 1 or bends.min() < 0):
        number = int(bends.max() if bends.max() >= runs - 1 else bends.min()) + 1
        message = f"bend_{number} lies between no two runs; bend_1 is the one from run_1 to run_2."
        raise InputError(message)
