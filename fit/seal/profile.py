"""What the shop chooses: the rubber, the allowance on its length, and where the ends meet."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from fit.errors import InputError
from fit.seal.corners import BendLimits
from fit.seal.squeeze import RANGES, Range

__all__ = ["FLEX", "JOINT_STEP", "SET_SHARE", "Allowance", "Joint", "Profile"]

SET_SHARE = 0.2
"""Compression set: share of the squeeze that rubber does not give back; common practice, no source."""

FLEX, JOINT_STEP = 1.0, 0.25
"""mm: how far a panel gives under its seal, to be taken off the gap (common practice, no source); largest step where the
seal's ends meet (scope of a vehicle maker's seal standard)."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """What is added to the line's length: a share of it, at most so many mm; or so many mm where share is 0."""

    share: float = 0.005
    most: float = 10.0
    source: str = "common practice, no source: +0.5 %, at most 10 mm; pushed in, never stretched"

    def __post_init__(self) -> None:
        if not (
            math.isfinite(self.share) and math.isfinite(self.most) and 0 <= self.share <= 0.1 and 0 <= self.most <= 1000
        ):
            message = (
                f"The allowance must lie between 0 and 10 % or 0 and 1000 mm; got {100 * self.share:g} %, "
                f"{self.most:g} mm."
            )
            raise InputError(message)

    def of(self, length: float) -> float:
        """Allowance in mm for a length in mm."""
        return min(self.share * length, self.most) if self.share else self.most


@dataclass(frozen=True, slots=True)
class Profile:
    """The rubber: free height (mm) and its standard uncertainty, the compression it wants, how tightly it may be
    bent.
    """

    free: float | None = None
    free_u: float = 0.0
    wanted: Range = RANGES["bulb"]
    limits: BendLimits = field(default_factory=BendLimits)

    def __post_init__(self) -> None:
        if self.free is not None and not (math.isfinite(self.free) and self.free > 0):
            message = f"The seal's free height must be above 0, in mm; got {self.free:g}."
            raise InputError(message)
        if self.free is not None and self.free_u * math.sqrt(3.0) >= self.free:
            message = f"The ± of the seal's free height must be smaller than the height; got {self.free:g} mm and "
            message += f"±{self.free_u * math.sqrt(3.0):g} mm."
            raise InputError(message)


@dataclass(frozen=True, slots=True)
class Joint:
    """Where the seal's ends meet: mm along the edge, the piece (from 1), whether that piece is straight, and whether
    the path has a straight at all.
    """

    at: float
    segment: int
    straight: bool
    any_straight: bool = True
