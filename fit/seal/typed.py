"""A seal's path from typed numbers: straights and bends in the order in which the rubber lies."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.errors import InputError
from fit.feature import KIND_ORDER, Feature
from fit.points import FloatArray
from fit.units import Length, parse_angle, parse_length

__all__ = ["typed_path"]

_ARC = (*KIND_ORDER["arc"], "length", "turn")
_MOST_PIECES, _LONGEST, _OPEN = 400, 50_000.0, 0.5
"""Pieces, mm, and the gap (mm) up to which a typed loop counts as closed; common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Step:
    """A straight of some length, or a bend: its radius and its turn in radians, left positive."""

    size: Length
    turn: float = 0.0


def typed_path(text: str, unit: str = "mm") -> Feature:
    """A path from ``400, R60:90, 220±0.5, R60:90, …``: lengths of straights, and bends as R radius : turn in degrees.

    A turn to the left is positive; R0 is a sharp corner. It starts at 0, 0 along x. A path that turns once round and
    comes back to its start is closed. A typed ± is a limit (u = a/√3, JCGM 100:2008, 4.3.7) on each piece by itself: the
    length's u² is the sum over straights of u² and over bends of (turn · u)².

    Raises InputError that names the piece.
    """
    steps = [_step(word, number, unit) for number, word in enumerate(text.split(","), 1)]
    if len(steps) > _MOST_PIECES or not any(step.size.value for step in steps):
        message = (
            f"--pieces must hold from 1 to {_MOST_PIECES} straights and bends; got {len(steps)}, as '{text[:60]}'."
        )
        raise InputError(message)
    pieces, end = _laid(steps)
    total = sum(piece["length"] for piece in pieces)
    turn = sum(step.turn for step in steps)
    round_once = abs(abs(turn) - 2.0 * math.pi) < 1e-6
    if round_once and end > _OPEN:
        message = (
            f"--pieces turn once round but end {end:.1f} mm from where they start; mend the lengths, or leave out the "
            "last bend if the path is open."
        )
        raise InputError(message)
    radii = [(piece["radius"], piece.cov_own[6, 6]) for piece in pieces if piece.kind == "arc"]
    smallest = min(radii, default=None)
    order = KIND_ORDER["path"] if smallest else KIND_ORDER["path"][:1]
    own = sum(_own_length(step) for step in steps)
    values, cov = [total, *([smallest[0]] if smallest else [])], [own, *([smallest[1]] if smallest else [])]
    return Feature(
        "typed path",
        "path",
        order,
        np.array(values),
        np.diag(cov),
        np.zeros((0, len(order))),
        (),
        segments=tuple(pieces),
        closed=round_once,
    )


def _own_length(step: _Step) -> float:
    """Variance (mm²) of one piece's length."""
    return ((step.size.u or 0.0) * (abs(step.turn) or 1.0)) ** 2


def _step(word: str, number: int, unit: str) -> _Step:
    where = f"--pieces, piece {number}"
    bend = re.fullmatch(r"\s*[Rr]\s*(.+):(.+)", word)
    try:
        size = parse_length(bend.group(1) if bend else word, unit)
        turn = parse_angle(bend.group(2).strip()) if bend else 0.0
    except InputError as error:
        message = f"{where}: '{word.strip()}' must be a length such as 400±0.5, or a bend such as R60:90; {error}"
        raise InputError(message) from error
    if not (math.isfinite(size.value) and 0 <= size.value <= _LONGEST) or (not bend and size.value == 0):
        message = f"{where}: '{word.strip()}' must be above 0 and up to {_LONGEST / 1000:g} m; check the unit."
        raise InputError(message)
    if size.u is not None and size.value > 0 and size.u * math.sqrt(3.0) >= size.value:
        message = f"{where}: '{word.strip()}' has a ± as large as itself; mend it."
        raise InputError(message)
    if bend and not 0 < abs(turn) <= 2 * math.pi + 1e-9:
        message = f"{where}: a bend turns by more than 0° and at most 360°; got '{word.strip()}'."
        raise InputError(message)
    return _Step(size, turn)


def _laid(steps: Sequence[_Step]) -> tuple[list[Feature], float]:
    """The pieces one after another in the x-y plane, and how far (mm) the last ends from the start."""
    place, heading = np.zeros(2), 0.0
    pieces: list[Feature] = []
    for step in steps:
        name = f"typed path {len(pieces) + 1}"
        if step.turn == 0.0:
            piece, place = _straight(step.size, place, heading, name)
        elif step.size.value:
            piece, place = _bend(step, place, heading, name)
        heading += step.turn
        if step.turn == 0.0 or step.size.value:
            pieces.append(piece)
    return pieces, float(np.linalg.norm(place))


def _straight(size: Length, place: FloatArray, heading: float, name: str) -> tuple[Feature, FloatArray]:
    along = np.array([math.cos(heading), math.sin(heading)])
    end = place + size.value * along
    values = np.array([*place, 0.0, *end, 0.0, size.value])
    # the far end moves along with the length
    move = np.array([0.0, 0.0, 0.0, *along, 0.0, 1.0]) * (size.u or 0.0)
    return Feature(name, "line", KIND_ORDER["line"], values, np.outer(move, move), np.zeros((0, len(values))), ()), end


def _bend(step: _Step, place: FloatArray, heading: float, name: str) -> tuple[Feature, FloatArray]:
    radius, sign = step.size.value, math.copysign(1.0, step.turn)
    centre = place + sign * radius * np.array([-math.sin(heading), math.cos(heading)])
    first = heading - sign * math.pi / 2
    last = first + step.turn
    end = centre + radius * np.array([math.cos(last), math.sin(last)])
    start = (first if sign > 0 else last) % (2 * math.pi)
    span = abs(step.turn)
    values = np.array([*centre, 0.0, 0.0, 0.0, 1.0, radius, start, span, radius * span, step.turn])
    move = np.zeros(len(_ARC))
    move[[6, 9]] = (step.size.u or 0.0), (step.size.u or 0.0) * span
    return Feature(name, "arc", _ARC, values, np.outer(move, move), np.zeros((0, len(_ARC))), ()), end
