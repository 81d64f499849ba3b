"""A printed page as data: filled rectangles and words, in mm from the paper's lower-left corner, y up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fit.points import FloatArray

__all__ = ["PAPERS", "Ink", "Page", "Text", "bars"]

PAPERS: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Upright paper sizes, width × height, mm (ISO 216; ANSI/ASME Y14.1 size A)."""


@dataclass(frozen=True, slots=True, eq=False)
class Ink:
    """Rectangles (N, 4) as x, y, width, height that share one shade, 0 white to 1 black, and may touch."""

    rects: FloatArray
    shade: float = 1.0


@dataclass(frozen=True, slots=True)
class Text:
    """One line of words whose baseline runs from (x, y): rightwards, or upwards where `upright`."""

    x: float
    y: float
    words: str
    size: float = 2.3
    shade: float = 1.0
    upright: bool = False
    anchor: Literal["start", "middle", "end"] = "start"


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """One sheet of paper and everything on it."""

    title: str
    width: float
    height: float
    ink: tuple[Ink, ...]
    text: tuple[Text, ...]


def bars(rows: list[tuple[float, float, float, float]], shade: float = 1.0) -> Ink:
    """Ink from a list of (x, y, width, height)."""
    return Ink(np.array(rows, dtype=float).reshape(-1, 4), shade)
