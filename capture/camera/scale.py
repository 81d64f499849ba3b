"""Print scale of the target: the caliper's readings as observations, or what home printers do where there are none."""

from __future__ import annotations

import math

import numpy as np

from capture.pieces import Piece
from fit.errors import InputError
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["PRINT_RATIO_U", "PRINT_SCALE_U", "ScaleRow", "doubted", "print_observations"]

PRINT_SCALE_U = 0.015
"""Of an unmeasured print: fit-to-page prints of 94 to 97 % are common, good printers hold 0.3 % (common practice)."""
PRINT_RATIO_U = 0.003
"""Scale in x over scale in y: 0.5 % has been seen between the axes."""
_LIMITS, _RATIO_LIMIT = (0.90, 1.10), 0.01
_TOLD_FROM = 0.0005
_DOUBT_SIGMAS, _LEAST_FREE = 3.5, 0.003
"""From how many standard uncertainties readings are doubted, where all else foretells them at all."""

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


def doubted(
    piece: Piece, rows: list[ScaleRow], scale: FloatArray, cov: FloatArray
) -> tuple[list[ScaleRow], Notice] | None:
    """The rows with both caliper readings as doubtful as they disagree with the x : y that the photo shows, and words for it.

    scale (2,), cov (2, 2) : solved with the rows. None where they agree. One reading is misread by what it differs from
    what the other and the photo foretell, and nothing says which.
    """
    readings = [row for row in rows if _is_reading(row[0])]
    gaps = [_foretold(row, scale, cov) for row in readings]
    if len(gaps) < 2 or max(sigmas for _, sigmas in gaps) < _DOUBT_SIGMAS:
        return None
    gap = max(gap for gap, _ in gaps)
    wider = [(n, factors, value, math.hypot(u, gap) if _is_reading(n) else u) for n, factors, value, u in rows]
    x, y = (value for _, _, value, _ in readings)
    text = (
        f"The caliper readings say that the {piece.name} was printed at {x:.2%} in x and {y:.2%} in y; the photo shows "
        "another ratio of the two. One of them is misread, so every ± is widened. Read both printed sides again."
    )
    return wider, Notice("print-doubt", text)


def _foretold(row: ScaleRow, scale: FloatArray, cov: FloatArray) -> tuple[float, float]:
    """How far a reading is from what all else foretells, and how many standard uncertainties of that difference.

    Leaving one observation out of a solution: its residual over one less its own share in the solution.
    """
    _, factors, value, u = row
    free = 1 - float(np.array(factors) @ cov @ np.array(factors)) / u**2
    if free < _LEAST_FREE:
        return 0.0, 0.0
    residual = abs(value - float(np.dot(factors, scale)))
    return residual / free, residual / (u * math.sqrt(free))


def _is_reading(name: str) -> bool:
    return name.startswith("caliper:")
