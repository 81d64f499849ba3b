"""How far a gap squeezes a seal, and whether that lies in the range the seal wants."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fit.errors import InputError
from fit.uncertain import coverage_factor

__all__ = [
    "RANGES",
    "CutTolerance",
    "Range",
    "Squeeze",
    "bend_strain",
    "compression",
    "cut_tolerance",
    "fitting_heights",
    "section_tolerance",
    "squeeze_of",
    "verdict_of",
]

_TRADE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Range:
    """Compression that a seal wants, as shares of its free height: at least, aim, at most; where the figures come
    from.
    """

    least: float
    aim: float
    most: float
    source: str

    def __post_init__(self) -> None:
        if not 0 < self.least < self.most < 1 or not self.least <= self.aim <= self.most:
            message = (
                f"The compression range must rise from above 0 to below 100 %, with the aim inside; got "
                f"{100 * self.least:g} to {100 * self.most:g} %, aim {100 * self.aim:g} %."
            )
            raise InputError(message)


RANGES: dict[str, Range] = {
    "gasket": Range(
        0.15, 0.40, 0.50, "enclosure gasket guide of a seal supplier: 40 % ideal, 50 % most, 10-15 % least"
    ),
    "bulb": Range(
        0.20, 0.35, 0.50, f"article of a seal supplier: hollow bulbs take about 50 %; aim and least {_TRADE}"
    ),
}
"""Ranges by kind of seal; the maker's sheet goes before both."""


def compression(free: float, gap: float) -> float:
    """Share by which a gap (mm) squeezes a seal of free height (mm): (free - gap) / free.

    Source: definition; free 2.0 in a gap of 1.5 is 25 %. Negative where the seal does not reach.
    """
    if not (math.isfinite(free) and free > 0):
        message = f"The seal's free height must be above 0, in mm; got {free:g}."
        raise InputError(message)
    if not (math.isfinite(gap) and gap >= 0):
        message = f"A gap must be 0 or more, in mm; got {gap:g}."
        raise InputError(message)
    return (free - gap) / free


def bend_strain(reach: float, radius: float) -> float:
    """Strain of a profile's far side when it is bent: y / R, y (mm) its distance from the line that does not stretch.

    Source: geometry of a bent bar; R (mm) is the radius of the line that does not stretch, such as a metal carrier.
    """
    if not (math.isfinite(radius) and radius > 0):
        message = f"A bend's radius must be above 0, in mm; got {radius:g}."
        raise InputError(message)
    return reach / radius


@dataclass(frozen=True, slots=True)
class Squeeze:
    """Compression at one place: share and its U95 (None where the gap's is not known), and the verdict against a
    range.
    """

    at: float
    gap: float
    gap_u95: float | None
    share: float
    u95: float | None
    verdict: str


def squeeze_of(at: float, gap: tuple[float, float | None], free: tuple[float, float], wanted: Range) -> Squeeze:
    """Compression at a place `at` mm along, from a gap and the free height, each (mm, standard uncertainty in mm).

    u² = (u_gap / free)² + (gap · u_free / free²)² (JCGM 100:2008, 5.1.2). The verdict is ``inside``, ``outside`` or
    ``not proven`` (ISO 14253-1).
    """
    share = compression(free[0], gap[0])
    factor = coverage_factor(math.inf)
    if gap[1] is None:
        return Squeeze(at, gap[0], None, share, None, verdict_of(share, 0.0, wanted))
    u95 = factor * math.hypot(gap[1] / free[0], gap[0] * free[1] / free[0] ** 2)
    return Squeeze(at, gap[0], factor * gap[1], share, u95, verdict_of(share, u95, wanted))


def verdict_of(share: float, u95: float, wanted: Range) -> str:
    """``inside`` or ``outside`` a range with all of the interval, else ``not proven`` (ISO 14253-1)."""
    if share - u95 >= wanted.least and share + u95 <= wanted.most:
        return "inside"
    return "outside" if share + u95 < wanted.least or share - u95 > wanted.most else "not proven"


def fitting_heights(gaps: Sequence[float], wanted: Range) -> tuple[float, float]:
    """Least and largest free height (mm) that all gaps (mm) squeeze within a range; the first is larger where none
    does.

    From (h - gap) / h between least and most: h >= largest gap / (1 - least) and h <= smallest gap / (1 - most).
    """
    return max(gaps) / (1 - wanted.least), min(gaps) / (1 - wanted.most)


@dataclass(frozen=True, slots=True)
class CutTolerance:
    """Limit ± (mm) on a cut length by class L1, L2 or L3, and its source."""

    limit: float
    source: str


_SHARES = {"L1": 0.0016, "L2": 0.0032, "L3": 0.0050}


def cut_tolerance(length: float, grade: str) -> CutTolerance:
    """Tolerance (± mm) on the cut length (mm) of an unspliced rubber extrusion.

    Source: RMA handbook tables L1 to L3, the same classes as the cut-length table of ISO 3302-1; above 4000 mm the
    limits are 0.16, 0.32 and 0.50 %.
    """
    if grade not in _SHARES:
        message = f"The cut-length class must be L1, L2 or L3; got '{grade}'."
        raise InputError(message)
    if not (math.isfinite(length) and length > 0):
        message = f"The cut length must be above 0, in mm; got {length:g}."
        raise InputError(message)
    source = "RMA handbook L1-L3, same classes as ISO 3302-1"
    if length > 4000:
        return CutTolerance(_SHARES[grade] * length, source)
    return CutTolerance(_limit("cut_length.csv", length, grade), source)


def section_tolerance(size: float, grade: str) -> float:
    """Tolerance (± mm) on a size (mm, up to 100) of an extruded section of solid rubber, class E1, E2 or E3.

    Source: ISO 3302-1 Table 2 (unsupported extrusions), values as in the RMA handbook's Table 13.
    """
    if grade not in ("E1", "E2", "E3"):
        message = f"The section class must be E1, E2 or E3; got '{grade}'."
        raise InputError(message)
    if not (math.isfinite(size) and 0 < size <= 100):
        message = f"A section's size must lie above 0 and up to 100 mm for this table; got {size:g}."
        raise InputError(message)
    return _limit("section_extruded.csv", size, grade)


def _limit(table: str, size: float, grade: str) -> float:
    return next(row[grade] for row in _rows(table) if row["over_mm"] < size <= row["to_mm"])


@cache
def _rows(table: str) -> list[dict[str, float]]:
    text = (files("fit.seal") / table).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]
