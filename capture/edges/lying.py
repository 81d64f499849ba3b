"""How a sheet lies over the print and how well that is known, from what was typed of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet

__all__ = ["TYPED_HEIGHT_U", "UNKNOWN_HEIGHT", "UNKNOWN_HEIGHT_U", "UNKNOWN_SHEET", "Typed", "knowledge_of"]

UNKNOWN_HEIGHT, UNKNOWN_HEIGHT_U = 1.5, 2.0 / math.sqrt(3.0)
TYPED_HEIGHT_U = 0.05
UNKNOWN_SHEET = 1.5
_SHEET_MOST_MM, _UNKNOWN_SHEET_U = 6.0, 0.6
_FOOT_U = 0.05
"""What a caliper leaves of a sheet's thickness, and paper and burr of where its lower face lies."""


@dataclass(frozen=True, slots=True)
class Typed:
    """Height of a face above the print, its standard uncertainty and the sheet's thickness, mm; None where not told."""

    height: float | None
    height_u: float | None = None
    thickness: float | None = None


def knowledge_of(typed: Typed, on_paper: bool = True) -> tuple[FaceKnowledge, bool]:
    """What is known of the face, and whether the thickness had to be guessed.

    A face up to 6 mm high is taken for that of a sheet lying on the bench. on_paper : whether white paper lies under it.
    """
    height = UNKNOWN_HEIGHT if typed.height is None else typed.height
    told = UNKNOWN_HEIGHT_U if typed.height is None else TYPED_HEIGHT_U
    height_u = told if typed.height is None else typed.height_u or told
    thickness, foot_u = typed.thickness, _FOOT_U
    guessed = thickness is None and height > _SHEET_MOST_MM
    if guessed:
        thickness, foot_u = UNKNOWN_SHEET, _UNKNOWN_SHEET_U
    elif thickness is None:
        thickness = max(height, 0.2)
        foot_u = height_u if typed.height is None else _FOOT_U
    return FaceKnowledge(Sheet(height, thickness, on_paper=on_paper), height_u, foot_u), guessed
