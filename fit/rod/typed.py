"""Rods that are typed instead of touched: corner points, schedules, radii."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from fit.errors import InputError
from fit.points import FloatArray
from fit.rod.schedule import LEAST_BEND, MOST_BEND, Schedule
from fit.units import named_length, parse_angle

__all__ = ["parse_corners", "parse_radius", "parse_schedule", "read_schedule"]


def parse_corners(text: str, unit: str = "mm") -> FloatArray:
    """Corner points (n, 3) mm from ``x,y,z; x,y,z; …``."""
    rows = [row for row in text.replace("\n", ";").split(";") if row.strip()]
    corners = []
    for number, row in enumerate(rows, 1):
        cells = [cell for cell in row.replace(",", " ").split() if cell]
        if len(cells) != 3:
            message = f"Corner {number}: '{row.strip()}' must be x,y,z; corners are separated by ';'."
            raise InputError(message)
        corners.append([_number(cell, f"Corner {number}") for cell in cells])
    scale = 25.4 if unit == "inch" else 1.0
    return np.array(corners, float).reshape(-1, 3) * scale


def _number(cell: str, where: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        message = f"{where}: '{cell}' is not a finite number."
        raise InputError(message)
    return value


def parse_radius(text: str, unit: str = "mm") -> tuple[tuple[float, ...], float]:
    """Centre-line radii in mm, one or one for each bend, and the standard uncertainty they share (typed ± over √3)."""
    typed = [named_length(part, "--radius", unit) for part in text.split(",")]
    for length in typed:
        if not (math.isfinite(length.value) and length.value > 0):
            message = f"--radius {text}: a radius must be above 0 mm."
            raise InputError(message)
    limits = [length.limit for length in typed if length.limit is not None]
    return tuple(length.value for length in typed), max(limits, default=0.0) / math.sqrt(3)


def parse_schedule(text: str, radius: tuple[float, ...], unit: str = "mm") -> Schedule:
    """Schedule from ``straight:rotation:bend; … ; straight``, lengths in the unit, angles in degrees."""
    rows = [row.split(":") for row in text.replace("\n", ";").split(";") if row.strip()]
    if len(rows) < 2 or any(len(row) != 3 for row in rows[:-1]) or len(rows[-1]) != 1:
        message = (
            f"--schedule '{text}': write straight:rotation:bend for each bend and the last straight, with ';' between."
        )
        raise InputError(message)
    straight = [named_length(row[0], "--schedule", unit).value for row in rows]
    rotation = [parse_angle(row[1]) for row in rows[:-1]]
    bend = [parse_angle(row[2]) for row in rows[:-1]]
    return _checked(straight, rotation, bend, radius)


def _checked(straight: list[float], rotation: list[float], bend: list[float], radius: tuple[float, ...]) -> Schedule:
    if not radius:
        message = "A schedule needs the bend radius; give --radius MM (to the centre line)."
        raise InputError(message)
    if len(radius) not in (1, len(bend)):
        message = f"There must be one radius, or one for each of the {len(bend)} bends; got {len(radius)}."
        raise InputError(message)
    for i, angle in enumerate(bend, 1):
        if not LEAST_BEND <= angle <= MOST_BEND:
            message = f"Bend {i}: the angle must be from 0.5° to 175°; got {math.degrees(angle):g}°."
            raise InputError(message)
    for i, length in enumerate(straight, 1):
        if not length >= 0:
            message = f"Row {i}: the straight must be 0 mm or more; got {length:g}."
            raise InputError(message)
    for i, angle in enumerate(rotation, 1):
        if not -math.pi < angle <= math.pi + 1e-12:
            message = f"Row {i}: the rotation must be above −180° and at most 180°; got {math.degrees(angle):g}°."
            raise InputError(message)
    turns = np.array(rotation, float)
    turns[0] = 0.0
    return Schedule(np.array(straight), turns, np.array(bend), np.array(np.broadcast_to(radius, (len(bend),)), float))


def read_schedule(path: str | Path) -> Schedule:
    """Schedule from the ``rod`` table of a results.json."""
    try:
        table: Mapping[str, Any] = json.loads(Path(path).read_text())["rod"]
        rows = table["schedule"]
        bends = [row for row in rows if "bend" in row]
        straight = [float(row["straight"]["value"]) for row in rows]
        rotation = [math.radians(row.get("rotation", {"value": 0.0})["value"]) for row in bends]
        bend = [math.radians(row["bend"]["value"]) for row in bends]
        radius = tuple(float(item["value"]) for item in table["radius"])
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror})."
        raise InputError(message) from error
    except (ValueError, KeyError, TypeError) as error:
        message = f"{path}: holds no whole rod schedule; give the results.json of an earlier rod command."
        raise InputError(message) from error
    return _checked(straight, rotation, bend, radius)
