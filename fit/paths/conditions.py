"""Conditions a user may set on a path: given or equal radii, parallel or square lines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fit.errors import InputError
from fit.paths.chain import Chain, Layout
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["Conditions"]


@dataclass(frozen=True, slots=True)
class Conditions:
    """What must hold exactly; pieces count from 1 as the path's segments are named.

    radius : mm by arc. equal : groups of arcs of one radius. parallel, square : pairs of lines.
    """

    radius: Mapping[int, float] = field(default_factory=dict)
    equal: tuple[tuple[int, ...], ...] = ()
    parallel: tuple[tuple[int, int], ...] = ()
    square: tuple[tuple[int, int], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.radius or self.equal or self.parallel or self.square)

    def check(self, chain: Chain) -> None:
        """Raise InputError where a condition names a piece that is not there or of the wrong kind."""
        for numbers, arc in (
            (set(self.radius) | {n for group in self.equal for n in group}, True),
            ({n for pair in (*self.parallel, *self.square) for n in pair}, False),
        ):
            for number in sorted(numbers):
                if not 1 <= number <= len(chain):
                    message = f"A condition must name one of the path's {len(chain)} pieces; got {number}."
                    raise InputError(message)
                if bool(chain.arcs[number - 1]) != arc:
                    wanted, got = ("an arc", "a line") if arc else ("a line", "an arc")
                    message = f"A condition needs {wanted}, but piece {number} of the path is {got}."
                    raise InputError(message)
        if any(not radius > 0 for radius in self.radius.values()):
            message = f"A radius must be positive; got {dict(self.radius)}."
            raise InputError(message)

    def notices(self, rise: float, name: str) -> list[Notice]:
        """Say where the points reject the conditions: χ² rose by more than chance does once in a hundred times."""
        number = len(self.radius) + sum(len(g) - 1 for g in self.equal) + len(self.parallel) + len(self.square)
        # Wilson and Hilferty's cube-root approximation of the 99 % point of χ² (Abramowitz & Stegun 26.4.17).
        limit = number * (1 - 2 / (9 * number) + 2.3263 * math.sqrt(2 / (9 * number))) ** 3
        if rise < limit:
            return []
        text = f"The points do not agree with the conditions: χ² rises by {rise:.0f}, chance allows {limit:.0f}."
        return [Notice("condition-rejected", text, name)]

    def rows(self, chain: Chain, where: Layout, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gradients (C, P) and present misfits (C,) of all conditions."""
        gradients: list[FloatArray] = []
        misfits: list[float] = []
        for number, radius in self.radius.items():
            kappa = chain.curvatures[number - 1]
            gradients.append(_curvature(number - 1, table))
            misfits.append(float(kappa - math.copysign(1 / radius, kappa)))
        for first, *others in self.equal:
            for other in others:
                sign = np.sign(chain.curvatures[first - 1] * chain.curvatures[other - 1])
                gradients.append(_curvature(other - 1, table) - sign * _curvature(first - 1, table))
                misfits.append(float(chain.curvatures[other - 1] - sign * chain.curvatures[first - 1]))
        for pairs, angle in ((self.parallel, 0.0), (self.square, math.pi / 2)):
            for a, b in pairs:
                turn = float(where.before[b - 1] - where.before[a - 1])
                gradients.append(_heading(b - 1, table) - _heading(a - 1, table))
                misfits.append(turn - angle - math.pi * round((turn - angle) / math.pi))
        return np.array(gradients).reshape(-1, table.shape[1]), np.array(misfits)


def _curvature(i: int, table: FloatArray) -> FloatArray:
    row = np.zeros(table.shape[1])
    row[4 + 3 * i] = 1.0
    return row


def _heading(i: int, table: FloatArray) -> FloatArray:
    """Gradient of a piece's heading at its start: the turns of all before it."""
    row = np.zeros(table.shape[1])
    row[: 3 + 3 * i] = table[2, : 3 + 3 * i]
    row[5 + 3 * i] = 1.0
    return row
