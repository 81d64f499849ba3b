"""General tolerances of ISO 2768-1 for sizes that have none of their own."""

from __future__ import annotations

import json
import math
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["general_tolerance"]


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads((files("capture.jobs") / "iso2768_1.json").read_text(encoding="utf-8"))
    return table


def general_tolerance(kind: str, nominal: float, grade: str, shorter_leg: float | None = None) -> float | None:
    """± for a nominal size, mm or radians; None where the standard gives none.

    Parameters
    ----------
    kind : of the dimension; 'radius' takes the table of broken edges, 'angle' that of angles by the shorter leg (mm).
    grade : f, m, c or v. Source: ISO 2768-1:1989, tables 1 to 3.
    """
    table = _table()
    if kind == "angle":
        if shorter_leg is None:
            return None
        minutes = _row(table["angle_shorter_leg_upper"], table["angle_pm_minutes"][grade], shorter_leg)
        return None if minutes is None else math.radians(minutes / 60)
    if nominal < table["linear_lower"]:
        return None
    if kind == "radius":
        return _row(table["broken_edge_upper"], table["broken_edge_pm"][grade], nominal)
    return _row(table["linear_upper"], table["linear_pm"][grade], nominal)


def _row(uppers: list[float | None], figures: list[float | None], size: float) -> float | None:
    """Figure of the range that a size falls into: over its lower, up to and including its upper end."""
    for upper, figure in zip(uppers, figures, strict=True):
        if upper is None or size <= upper:
            return figure
    return None
