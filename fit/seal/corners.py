"""The tightest corners of a seal's line against the profile's limit in its direction of bending."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.errors import InputError
from fit.seal.line import SealLine
from fit.seal.squeeze import bend_strain
from fit.uncertain import Value

__all__ = ["BendLimits", "Corner", "tightest_corners"]

UNKNOWN_RATIOS = {"inside": 3.0, "outside": 5.0}
"""Without the profile's sheet: least radius in section heights with the bulb inside and outside the bend; common
practice, no source."""


@dataclass(frozen=True, slots=True)
class BendLimits:
    """Least radius (mm) from the profile's sheet with the bulb on the inside and on the outside of the bend; None:
    not known.
    """

    inside: float | None = None
    outside: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("inside", self.inside), ("outside", self.outside)):
            if value is not None and not (math.isfinite(value) and value > 0):
                message = f"The profile's least radius with the bulb {name} must be above 0, in mm; got {value:g}."
                raise InputError(message)


@dataclass(frozen=True, slots=True)
class Corner:
    """One corner.

    direction : where the bulb lies in the bend. segment : number of the piece, from 1. at : mm along the edge to its
    middle. edge_radius, line_radius : of the measured edge and of the seal's line, mm; 0 for a sharp corner. turn :
    radians. strain : of the bulb's centre against the edge. limit : least radius, mm, and whether it is the
    profile's own. verdict : ``inside``, ``outside`` or ``not proven``; None where nothing is known to compare with.
    """

    direction: str
    segment: int
    at: float
    edge_radius: Value
    line_radius: float
    turn: float
    strain: float | None
    limit: float | None
    limit_known: bool
    verdict: str | None

    @property
    def advice(self) -> str:
        """The verdict in words that promise nothing, for a limit that is not the profile's own."""
        return {"inside": "enough", "outside": "too tight"}.get(self.verdict or "", "not proven to be enough")


def tightest_corners(line: SealLine, limits: BendLimits, height: float | None = None) -> list[Corner]:
    """The tightest corner with the bulb on the inside of the bend and the tightest with it on the outside.

    With no offset the bulb is taken to stand to the left. The smaller of the edge's and the seal line's radius is
    compared with the limit. Without the profile's limit the ratio of common practice is used where the section's
    height (mm) is known.
    """
    corners = [_corner(line, i, limits, height) for i in _bends(line)]
    tightest = [
        min((c for c in corners if c.direction == way), key=_least, default=None) for way in ("inside", "outside")
    ]
    return [corner for corner in tightest if corner is not None]


def _least(corner: Corner) -> float:
    return min(corner.edge_radius.value, corner.line_radius)


def _bends(line: SealLine) -> list[tuple[int, float, float]]:
    """(piece, curvature, turn) of every arc, and (piece, inf, turn) of every sharp corner at a piece's start."""
    chain = line.edge.chain
    arcs = [
        (i, float(k), float(k * s)) for i, (k, s) in enumerate(zip(chain.curvatures, chain.lengths, strict=True)) if k
    ]
    sharp = [(i, math.copysign(math.inf, turn), float(turn)) for i, turn in enumerate(chain.turns) if chain.corners[i]]
    return [*arcs, *sharp]


def _corner(line: SealLine, bend: tuple[int, float, float], limits: BendLimits, height: float | None) -> Corner:
    i, curvature, turn = bend
    chain, side = line.edge.chain, line.distance if line.distance else 1.0
    direction = "inside" if curvature * side > 0 else "outside"
    sharp = math.isinf(curvature)
    radius = Value(0.0, 0.0, np.zeros(0), ()) if sharp else line.edge.feature.segments[i].value("radius")
    line_radius = max(0.0, radius.value - math.copysign(1.0, curvature) * line.distance)
    start = float(chain.lengths[:i].sum())
    limit = getattr(limits, direction)
    known = limit is not None
    if limit is None and height is not None:
        limit = UNKNOWN_RATIOS[direction] * height
    strain = None if sharp else bend_strain(abs(line.distance), radius.value)
    at = start if sharp else start + float(chain.lengths[i]) / 2
    verdict = None if limit is None else _verdict(min(radius.value, line_radius), radius.u95, limit)
    return Corner(direction, i + 1, at, radius, line_radius, turn, strain, limit, known, verdict)


def _verdict(radius: float, u95: float, limit: float) -> str:
    if radius - u95 >= limit:
        return "inside"
    return "outside" if radius + u95 < limit else "not proven"
