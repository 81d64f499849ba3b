"""Flat blank of a strip with bends: place of every bend line and the length with its U95."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.bend.allowance import bend_allowance, flat_length
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["LEGS_TO", "BendPart", "FlatBlank", "Input", "develop", "flats_of_legs"]

LEGS_TO = ("sharp", "tangent", "inside", "flat", "marked")
"""What legs run to: sharp outer corner, outer tangent (over-all sizes of bends past 90°), sharp inner corner, the bends'
starts, or the sharp corner on the marked face (inner of an up bend, outer of a down bend)."""
_DRAWS = 40000


@dataclass(frozen=True, slots=True)
class Input:
    """A number with a limit (typed ±, taken as equally likely within) or a standard uncertainty (measured)."""

    value: float
    limit: float = 0.0
    u: float = 0.0

    @property
    def standard(self) -> float:
        """Standard uncertainty: limit/√3 (JCGM 100:2008, 4.3.7) and u in quadrature."""
        return math.hypot(self.limit / math.sqrt(3), self.u)

    def draws(self, random: np.random.Generator, count: int) -> FloatArray:
        """Random values (count,) (JCGM 101:2008, 6.4)."""
        return self.value + self.limit * random.uniform(-1, 1, count) + self.u * random.standard_normal(count)


@dataclass(frozen=True, slots=True)
class BendPart:
    """A strip with bends in order.

    Attributes
    ----------
    legs : (n + 1) mm. angles : (n) radians, turn away from flat; positive bends up, towards the marked face.
    radius : (1 or n) mm, inside; one is shared by all bends. thickness : mm. k : (1 or n) K-factors.
    k_error : what all K share. legs_to : one of LEGS_TO.
    """

    legs: Sequence[Input]
    angles: Sequence[Input]
    radius: Sequence[Input]
    thickness: Input
    k: Sequence[float]
    k_error: Input = Input(0.0)
    legs_to: str = "sharp"

    def __post_init__(self) -> None:
        count = len(self.angles)
        if self.legs_to not in LEGS_TO:
            message = f"Legs may run to {', '.join(LEGS_TO)}; got '{self.legs_to}'."
            raise InputError(message)
        if count < 1 or len(self.legs) != count + 1:
            needs = "1 bend needs 2 legs" if count == 1 else f"{count} bends need {count + 1} legs"
            message = f"{needs}; got {len(self.legs)}."
            raise InputError(message)
        for what, items in (("radius", self.radius), ("K", self.k)):
            if len(items) not in (1, count):
                message = f"Give one {what}, or one for each of the {count} bends; got {len(items)}."
                raise InputError(message)
        for number, leg in enumerate(self.legs, 1):
            if not (math.isfinite(leg.value) and leg.value > 0):
                message = f"Leg {number} must be above 0 mm; got {leg.value:g}."
                raise InputError(message)


@dataclass(frozen=True, eq=False, slots=True)
class FlatBlank:
    """A developed part, mm and radians.

    Attributes
    ----------
    flats : (n + 1,) straight pieces. allowance, deduction, setback, k : (n,) of each bend; deduction is what the two
    legs as given exceed the flat by. lines : (n, 3) start, middle and end of each bend from the first edge.
    length, u, u95 : of the blank. budget : U95 parts by input. part : what it was made from.
    """

    flats: FloatArray
    allowance: FloatArray
    deduction: FloatArray
    setback: FloatArray
    k: FloatArray
    lines: FloatArray
    length: float
    u: float
    u95: float
    budget: dict[str, float]
    part: BendPart


def develop(part: BendPart) -> FlatBlank:
    """Flat blank of a part: length = Σ straight pieces + Σ A (R + K T).

    U95 is the half width that holds 95 % of 40 000 draws of all inputs through the formula itself (JCGM 101:2008,
    seeded), since a typed ± is a limit, not a normal error.

    Raises
    ------
    InputError : impossible sizes. CannotDetermine : a leg shorter than its set-backs.
    """
    values = _values(part)
    legs, angles, radius, thickness, k = (part_values[0] for part_values in values)
    setbacks = _setbacks(angles, radius, thickness, part.legs_to)
    allowance = bend_allowance(angles, radius, thickness, k)
    flats = flats_of_legs(legs, setbacks)
    _check_flats(flats, legs, setbacks)
    length = float(flat_length(flats, angles, radius, thickness, k))
    ends = np.cumsum(flats[:-1]) + np.concatenate([[0.0], np.cumsum(allowance)[:-1]])
    lines = np.stack([ends, ends + allowance / 2, ends + allowance], axis=1)
    u95 = _u95(part, length)
    budget = _budget(part, length)
    u = math.sqrt(sum(square**2 for square in budget.values()))
    shares = {name: share / u * u95 for name, share in budget.items()} if u > 0 else {}
    return FlatBlank(flats, allowance, 2 * setbacks - allowance, setbacks, k, lines, length, u, u95, shares, part)


def flats_of_legs(legs: FloatArray, setbacks: FloatArray) -> FloatArray:
    """Straight pieces (..., n + 1) from legs and the set-back (..., n) at each bend."""
    none = np.zeros((*setbacks.shape[:-1], 1))
    return np.asarray(legs - np.concatenate([none, setbacks], axis=-1) - np.concatenate([setbacks, none], axis=-1))


def _setbacks(angles: FloatArray, radius: FloatArray, thickness: FloatArray, legs_to: str) -> FloatArray:
    """From a bend's start to where its legs are measured to, mm."""
    turn = np.abs(angles)
    if legs_to == "flat":
        return np.zeros(turn.shape)
    if legs_to == "tangent":
        return np.asarray((radius + thickness) * np.tan(np.minimum(turn, math.pi / 2) / 2))
    if (turn > math.radians(179.0)).any():
        message = "A bend of 180° has no sharp corner; give its legs to the outer tangent (--legs-to tangent)."
        raise InputError(message)
    outer = radius + thickness
    reach = {"sharp": outer, "inside": radius, "marked": np.where(angles > 0, radius, outer)}[legs_to]
    return np.asarray(reach * np.tan(turn / 2))


def _check_flats(flats: FloatArray, legs: FloatArray, setbacks: FloatArray) -> None:
    short = int(np.argmin(flats))
    if flats[short] < -1e-9:
        need = legs[short] - flats[short]
        message = (
            f"Leg {short + 1} ({legs[short]:g} mm) is shorter than its set-back ({need:.2f} mm); "
            "make it longer or the radius smaller."
        )
        raise CannotDetermine(message)


def _values(part: BendPart, random: np.random.Generator | None = None) -> list[FloatArray]:
    """legs, angles, radius, thickness, K with a leading axis of draws (one row of the values where random is None)."""
    count = _DRAWS if random else 1

    def rows(items: Sequence[Input]) -> FloatArray:
        if random is None:
            return np.array([[item.value for item in items]])
        return np.stack([item.draws(random, count) for item in items], axis=-1)

    bends = len(part.angles)
    radius = np.broadcast_to(rows(part.radius), (count, bends))
    k = np.broadcast_to(np.array(part.k, float), (count, bends)) + rows([part.k_error])
    return [rows(part.legs), rows(part.angles), radius, rows([part.thickness]), k]


def _length(values: Sequence[FloatArray], part: BendPart) -> FloatArray:
    legs, angles, radius, thickness, k = values
    turn = np.abs(angles)
    flats = flats_of_legs(legs, _setbacks(angles, radius, thickness, part.legs_to))
    return np.asarray(np.sum(flats, axis=-1) + np.sum(turn * (radius + k * thickness), axis=-1))


def _u95(part: BendPart, length: float) -> float:
    errors = np.abs(_length(_values(part, np.random.default_rng(6935)), part) - length)
    return float(np.quantile(errors, 0.95))


def _budget(part: BendPart, length: float) -> dict[str, float]:
    """Move of the length for one standard uncertainty of each input, by the input's name."""
    squares: dict[str, float] = {}
    for name, moved in _moved(part):
        move = float(_length(_values(moved), moved)[0]) - length
        squares[name] = squares.get(name, 0.0) + move**2
    ranked = sorted(squares.items(), key=lambda item: -item[1])
    return {name: math.sqrt(square) for name, square in ranked if square > 0}


def _moved(part: BendPart) -> list[tuple[str, BendPart]]:
    """The part with one input at a time moved by its standard uncertainty."""
    from dataclasses import replace

    def up(item: Input) -> Input:
        return Input(item.value + item.standard, item.limit, item.u)

    moved = [("K", replace(part, k_error=up(part.k_error))), ("thickness", replace(part, thickness=up(part.thickness)))]
    for name, items, key in (
        ("leg", part.legs, "legs"),
        ("angle", part.angles, "angles"),
        ("radius", part.radius, "radius"),
    ):
        for i, item in enumerate(items):
            if item.standard > 0:
                changed = [up(other) if j == i else other for j, other in enumerate(items)]
                moved.append((name, replace(part, **{key: changed})))  # type: ignore[arg-type]
    return moved
