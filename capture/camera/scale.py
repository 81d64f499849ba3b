"""Print scale of the target: the caliper's readings as observations, or what home printers do where there are none."""

from __future__ import annotations

import math

from capture.pieces import Piece
from fit.errors import InputError
from fit.results import Notice

__all__ = ["PRINT_RATIO_U", "PRINT_SCALE_U", "ScaleRow", "print_observations"]

PRINT_SCALE_U = 0.015
"""Of an unmeasured print: fit-to-page prints of 94 to 97 % are common, good printers hold 0.3 % (common practice)."""
PRINT_RATIO_U = 0.003
"""Scale in x over scale in y: 0.5 % has been seen between the axes."""
_LIMITS, _RATIO_LIMIT = (0.90, 1.10), 0.01
_TOLD_FROM = 0.0005

ScaleRow = tuple[str, tuple[float, float], float, float]
"""name, factors of the scales in x and y, value, standard uncertainty."""


def print_observations(
    piece: Piece, print_x: float | None, print_y: float | None, print_u: float
) -> tuple[list[ScaleRow], list[Notice]]:
    """Observations of the two print scales, and what to tell about them.

    Raises InputError for readings that no print of this piece can have.
    """
    if not (print_u > 0 and math.isfinite(print_u)):
        message = f"The standard uncertainty of the measured print must be above 0 mm; got {print_u:g}."
        raise InputError(message)
    rows: list[ScaleRow] = [
        ("print:scale", (0.5, 0.5), 1.0, PRINT_SCALE_U),
        ("print:ratio", (1.0, -1.0), 0.0, PRINT_RATIO_U),
    ]
    readings = {"x": (print_x, piece.width), "y": (print_y, piece.height)}
    given = {axis: (reading, nominal) for axis, (reading, nominal) in readings.items() if reading is not None}
    for axis, (reading, nominal) in given.items():
        _check_reading(axis, reading, nominal)
        factors = (1.0, 0.0) if axis == "x" else (0.0, 1.0)
        rows.append((f"caliper:{axis}", factors, reading / nominal, print_u / nominal))
    scales = {axis: reading / nominal for axis, (reading, nominal) in given.items()}
    if len(scales) == 2:
        _check_ratio(scales["x"], scales["y"], print_u * math.hypot(1 / piece.width, 1 / piece.height))
    return rows, _notices(piece, scales, print_u)


def _check_reading(axis: str, reading: float, nominal: float) -> None:
    if not _LIMITS[0] <= reading / nominal <= _LIMITS[1]:
        message = (
            f"The printed pattern's {axis} side must measure within 90 to 110 % of its nominal {nominal:g} mm; got "
            f"{reading:g} mm. Check which side was measured, over the printed pattern's outer edges."
        )
        raise InputError(message)


def _check_ratio(x: float, y: float, u: float) -> None:
    if abs(x / y - 1) > _RATIO_LIMIT + 2 * u:
        message = (
            f"The measured print scales in x ({x:.2%}) and y ({y:.2%}) must agree within 1 %; probably the wrong side "
            "was measured. Measure both sides over the printed pattern's outer edges again."
        )
        raise InputError(message)


def _notices(piece: Piece, scales: dict[str, float], print_u: float) -> list[Notice]:
    missing = [axis for axis in ("x", "y") if axis not in scales]
    notices = []
    if missing:
        sides = " and ".join(f"--print-{axis} (nominal {_side(piece, axis):g} mm)" for axis in missing)
        what = "" if len(missing) == 2 else f" in {missing[0]}"
        spread = 2 * (PRINT_SCALE_U if len(missing) == 2 else PRINT_RATIO_U)
        text = (
            f"The print scale{what} is not measured, so sizes{what} carry up to ±{spread:.1%} for it; "
            f"give {sides} to remove that."
        )
        notices.append(Notice("print-unknown", text))
    off = {axis: s for axis, s in scales.items() if abs(s - 1) > _TOLD_FROM}
    if off:
        found = " and ".join(f"{s:.2%} in {axis}" for axis, s in off.items())
        text = f"The target was printed at {found}; sizes are corrected for it."
        notices.append(Notice("print-corrected", text))
    return notices


def _side(piece: Piece, axis: str) -> float:
    return piece.width if axis == "x" else piece.height
