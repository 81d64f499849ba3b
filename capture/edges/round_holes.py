"""Round holes: the circle whose two rims explain the tone steps round a candidate best."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from capture.edges.flatten import View
from capture.edges.rims import Sheet, contour_score
from capture.edges.strip import Contour, Lit, Strip, unroll
from fit.points import FloatArray

__all__ = ["Circle", "RoundSearch", "circle_contour"]

_SPACING_MM = 0.15
_REACH_MM = 1.3
_COARSE = ((0.2, 0.2), (0.1, 0.12), (0.05, 0.09))
_FINE_STEP, _FINE_SPAN, _FINE_REACH = 0.025, 0.05, 0.07
_COARSE_ROWS, _FINE_ROWS = 60, 150


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle on the face's plane, mm, with how well its rims explain the picture (about 0 to 1.4)."""

    x: float
    y: float
    radius: float
    score: float = 0.0


def circle_contour(x: float, y: float, radius: float, height: float, spacing: float = _SPACING_MM) -> Contour:
    """The rim of a round hole as a contour; outward is into the hole."""
    count = int(np.clip(2 * np.pi * radius / spacing, 60, 400))
    angle = np.arange(count) * (2 * np.pi / count)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    return Contour(np.array([x, y]) + radius * ray, -ray, height)


class RoundSearch:
    """One candidate's strip, searched for the best circle under any assumed rounding of the sheet's edge."""

    def __init__(self, picture: Lit, view: View, sheet: Sheet, start: Circle) -> None:
        self.start = start
        contour = circle_contour(start.x, start.y, start.radius, sheet.height)
        reach = (-_REACH_MM - 0.8, min(_REACH_MM + 0.6, 0.85 * start.radius))
        self.strip: Strip = unroll(picture, view, contour, reach, smooth=0.2)
        self._sheet = sheet
        self._eye = view.centre
        self._ray = -contour.outward

    def ring(self) -> float:
        """Share of directions in which there is any clear step at all: a cheap first test."""
        rows = len(self.strip.total)
        return float((self.strip.between(np.full(rows, -0.9), np.full(rows, 0.9)) > 0.5).mean())

    def offsets(self, moves: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Outward offset and seen wall, both (G, M), of circles moved by (dx, dy, dr), moves (G, 3) mm."""
        radius = self.start.radius + moves[:, 2]
        upper = self._radial(moves[:, :2], radius)
        depth = self._eye[2] - self._sheet.height
        ratio = depth / (depth + self._sheet.thickness)
        centre = np.array([self.start.x, self.start.y])
        lower_centre = self._eye[:2] + ratio * (centre + moves[:, :2] - self._eye[:2]) - centre
        lower = self._radial(lower_centre, ratio * radius)
        return self.start.radius - upper, upper - lower

    def _radial(self, centre: FloatArray, radius: FloatArray) -> FloatArray:
        """Distance (G, M) from the strip's centre along its rays to circles about other centres."""
        along = centre @ self._ray.T
        across = centre @ np.array([-self._ray[:, 1], self._ray[:, 0]])
        return along + np.sqrt(np.maximum(radius[:, None] ** 2 - across**2, 0.0))

    def coarse(self, span: float) -> list[FloatArray]:
        """Best moves (3,) of a sharp and of a rounded edge, within ± span mm, good to about 0.1 mm."""
        return [self._best_start(rounding, span) for rounding in (0.0, 0.2)]

    def _best_start(self, rounding: float, span: float) -> FloatArray:
        best = np.zeros(3)
        for step, reach in _COARSE:
            moves = best + _grid(step, span)
            best = moves[self._score(moves, rounding, reach, _COARSE_ROWS).argmax()]
            span = step
        return best

    def fine(self, starts: list[FloatArray], rounding: float) -> Circle:
        """The best circle near any of the coarse starts for one rounding."""
        moves = np.concatenate([start + _grid(_FINE_STEP, _FINE_SPAN) for start in starts])
        score = self._score(moves, rounding, _FINE_REACH, _FINE_ROWS)
        best = moves[score.argmax()]
        return Circle(self.start.x + best[0], self.start.y + best[1], self.start.radius + best[2], float(score.max()))

    def _score(self, moves: FloatArray, rounding: float, reach: float, rows: int) -> FloatArray:
        offset, wall = self.offsets(moves)
        sheet = replace(self._sheet, rounding=rounding)
        every = max(1, len(self.strip.total) // rows)
        strip = self.strip.thinned(every)
        return contour_score(strip, sheet, offset[:, ::every], wall[:, ::every], reach).mean(axis=1)


def _grid(step: float, span: float) -> FloatArray:
    ticks = np.arange(-span, span + 1e-9, step)
    return np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
