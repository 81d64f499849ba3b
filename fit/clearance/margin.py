"""What is left of a gap after movement and U95, against the gap that the situation asks for."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from fit.clearance.spheretree import closest_pair
from fit.clearance.sweep import Scene, Sweep
from fit.errors import InputError
from fit.points import FloatArray
from fit.units import format_length

__all__ = ["SITUATIONS", "Margin", "Situation", "Tolerance", "judge", "moved_gap"]


@dataclass(frozen=True, slots=True)
class Situation:
    """A least gap, parked, that already contains normal movement: mm, what it is for, and its source."""

    wanted: float
    words: str
    source: str


_TRADE = "common practice, no source"
SITUATIONS: dict[str, Situation] = {
    "rubber-mounts": Situation(
        15,
        "motor or gearbox on rubber mounts to fixed parts (below 10 fails)",
        "trade guides on clearances give 10-15 and 15 mm",
    ),
    "rubber-mounts-forward-small": Situation(
        20, "small motor, forward towards radiator or fan", "trade guide on clearances"
    ),
    "rubber-mounts-forward-medium": Situation(
        30, "medium motor, forward towards radiator or fan (25-30)", "trade guide on clearances"
    ),
    "rubber-mounts-forward-large": Situation(
        40, "large motor, forward towards radiator or fan", "trade guide on clearances"
    ),
    "steering": Situation(
        15, "steering shaft or joint to anything, through full lock", "trade guide on clearances (10-15 mm)"
    ),
    "hose": Situation(15, "hose or pipe to body, hose to hose", "factory clearance chart, 2009 (10-15 mm)"),
    "cooler": Situation(20, "cooler to motor covers", "factory clearance chart, 2009"),
    "wiring-exhaust": Situation(200, "unshielded wiring to exhaust", "light-commercial body-builder manual, 2015"),
    "wiring-fluid": Situation(
        50, "wiring to fluid or chemical containers", "light-commercial body-builder manual, 2015"
    ),
    "wire-hole": Situation(10, "wire through a hole without grommet, all round", "NASA-STD-8739.4, 7.3 (3/8 in)"),
    "hinged-lid-edge": Situation(3, "free edges of a hinged lid", "panel gaps 2-8 mm in a body repair guide"),
    "hinge-side": Situation(2, "hinge side of a lid through its sweep", _TRADE),
    "liner": Situation(2, "drop-in or removable liner, each side", "window pattern guide (1.5-3 mm)"),
    "liner-long": Situation(3, "liner in steel or over 600 mm long, each side", "window pattern guide (1.5-3 mm)"),
    "stowed-panel": Situation(8, "stowed panel on a separate structure (body twist)", _TRADE),
    "stowed-panel-long": Situation(12, "stowed panel over 1.5 m on a separate structure", _TRADE),
    "hot-pipe-paint": Situation(25, "hot pipe to painted panel, with shield", _TRADE),
    "hot-pipe-composite": Situation(50, "hot pipe to composite, with shield", _TRADE),
}
"""Parked gaps by situation; they contain normal movement, so movement is never taken off as well."""

LEFT_AFTER_MOVEMENT = Situation(5, "left over after movement and U95", _TRADE)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Movement besides the motion itself, mm: play lets the part go that far in any direction; rock is ± along x, y,
    z.
    """

    play: float = 0.0
    rock: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        figures = np.array([self.play, *self.rock])
        if not np.isfinite(figures).all() or (figures < 0).any():
            message = (
                f"Play and rock must be 0 or more, in mm; got play {self.play:g} and rock "
                f"{', '.join(f'{r:g}' for r in self.rock)}."
            )
            raise InputError(message)


@dataclass(frozen=True, slots=True)
class Margin:
    """The sum: gap - play - rock - u95 = left, to be compared with wanted (mm).

    u95 is None where it is not known. verdict is ``inside`` (met), ``outside`` (not met even if U95 is taken the
    other way) or ``not proven`` (decision rule as in ISO 14253-1); None where nothing is wanted.
    """

    at: int
    gap: float
    play: float
    rock: float
    u95: float | None
    left: float
    wanted: float | None
    why: str
    verdict: str | None

    def sum_words(self, unit_out: str = "mm") -> str:
        """The sum as a line to print; U95 is rounded up and what is left down, as elsewhere."""

        def told(mm: float) -> str:
            return format_length(mm, None, unit_out)

        parts = f"{told(self.gap)} gap - {told(self.play)} play - {told(self.rock)} rock"
        parts += " - U95 not known" if self.u95 is None else f" - {told(_hundredths(self.u95, up=True))} U95"
        left = format_length(_hundredths(self.left, up=False), None, unit_out, with_unit=True)
        return f"{parts} = {left} left"

    def verdict_words(self, unit_out: str = "mm") -> str:
        """What the sum says of the gap asked for; '' where none is."""
        if self.wanted is None or self.verdict is None:
            return ""
        told = format_length(_hundredths(abs(self.left - self.wanted), up=False), None, unit_out, with_unit=True)
        asked = format_length(self.wanted, None, unit_out, with_unit=True)
        if self.verdict == "inside":
            return f"fits, {told} in hand beyond the {asked} asked for (inside)"
        if self.left >= self.wanted:
            return "does not fit: the parts cross (outside)"
        if self.verdict == "outside":
            return f"does not fit, {told} short of the {asked} asked for (outside)"
        unknown = (
            ": the ± of the points is not known" if self.u95 is None else f", {told} short of the {asked} asked for"
        )
        return f"not proven{unknown}"


def _hundredths(mm: float, *, up: bool) -> float:
    """A length to 0.01 mm, rounded up or down."""
    return (math.ceil(100.0 * mm - 1e-6) if up else math.floor(100.0 * mm + 1e-6)) / 100.0


def judge(
    scene: Scene, swept: Sweep, tolerance: Tolerance, wanted: float | None = None, situation: str | None = None
) -> Margin:
    """Smallest gap less movement less U95, against a wanted gap (mm) or the situation's.

    A situation's figure is a parked gap that contains movement; where movement is typed in, 5 mm left over are asked
    for instead, so that movement is never counted twice.
    """
    demand, why = _demand(tolerance, wanted, situation)
    at, after = moved_gap(scene, swept, tolerance)
    gap, error = float(swept.gap[at]), swept.errors[at]
    u95 = None if error is None else error.u95
    left = after - (u95 or 0.0)
    return Margin(
        at, gap, tolerance.play, gap - after - tolerance.play, u95, left, demand, why, _verdict(after, u95, demand)
    )


def _demand(tolerance: Tolerance, wanted: float | None, situation: str | None) -> tuple[float | None, str]:
    if wanted is not None and situation is not None:
        message = "--wanted and --situation both ask for a gap; give one of them."
        raise InputError(message)
    if wanted is not None:
        if not np.isfinite(wanted) or wanted < 0:
            message = f"The wanted gap must be 0 or more, in mm; got {wanted:g}."
            raise InputError(message)
        return wanted, "typed"
    if situation is None:
        return None, ""
    if situation not in SITUATIONS:
        message = f"There is no situation '{situation}'; choose one of {', '.join(SITUATIONS)}."
        raise InputError(message)
    known = SITUATIONS[situation]
    if tolerance.play or any(tolerance.rock):
        return (
            LEFT_AFTER_MOVEMENT.wanted,
            f"{LEFT_AFTER_MOVEMENT.words} ({LEFT_AFTER_MOVEMENT.source}); movement is typed in, so the parked "
            f"figure for '{situation}' ({known.wanted:g} mm) is not asked for as well",
        )
    return known.wanted, f"{known.words}; parked, contains normal movement ({known.source})"


def _verdict(after: float, u95: float | None, demand: float | None) -> str | None:
    if demand is None:
        return None
    if u95 is None:
        return "outside" if after < demand else "not proven"
    if after - u95 >= demand:
        return "inside"
    return "outside" if after + u95 < demand else "not proven"


def moved_gap(scene: Scene, swept: Sweep, tolerance: Tolerance) -> tuple[int, float]:
    """Position (index) and smallest gap (mm) once play and rock have taken what they can.

    Play in any direction takes exactly itself off the smallest distance. Rock is tried at the corners, edge and face
    middles of its box, at every position that it could make the tightest.
    """
    reach = float(np.linalg.norm(tolerance.rock))
    if reach == 0.0:
        return swept.tightest, float(swept.gap[swept.tightest]) - tolerance.play
    at, best = swept.tightest, float(swept.gap[swept.tightest])
    for i in np.argsort(swept.gap, kind="stable"):
        if swept.gap[i] - reach >= best:
            break
        low = min(_rocked(scene, swept, int(i), step) for step in _extremes(tolerance.rock))
        at, best = (int(i), low) if low < best else (at, best)
    return at, best - tolerance.play


def _extremes(rock: tuple[float, float, float]) -> list[FloatArray]:
    ways = itertools.product(*((-r, 0.0, r) if r else (0.0,) for r in rock))
    return [np.array(way) for way in ways]


def _rocked(scene: Scene, swept: Sweep, i: int, step: FloatArray) -> float:
    turn, shift = swept.motion.pose(i)
    return closest_pair(scene.fixed_tree, scene.moving_tree, (turn, shift + step), swept.pairs[i]).distance
