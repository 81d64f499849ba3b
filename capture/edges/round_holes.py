"""Round holes: the circle whose two rims explain the tone steps round a candidate best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.flanks import StepShapes, step_shapes
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
        self.strip: Strip = unroll(picture, view, contour, reach, smooth=0.2, placed=False)
        self._sheet = sheet
        self._eye = view.centre
        self._ray = -contour.outward

    def ring(self) -> float:
        """Share of directions in which there is any clear step at all: a cheap first test."""
        rows = len(self.strip.total)
        return float((self.strip.between(np.full(rows, -0.9), np.full(rows, 0.9)) > 0.5).mean())

    def offsets(self, moves: FloatArray, every: int = 1) -> tuple[FloatArray, FloatArray]:
        """Outward offset and seen wall, both (G, M), of circles moved by (dx, dy, dr), moves (G, 3) mm, at each n-th row."""
        ray, radius = self._ray[::every], self.start.radius + moves[:, 2]
        upper = _radial(ray, moves[:, :2], radius)
        depth = self._eye[2] - self._sheet.height
        ratio = depth / (depth + self._sheet.thickness)
        centre = np.array([self.start.x, self.start.y])
        lower_centre = self._eye[:2] + ratio * (centre + moves[:, :2] - self._eye[:2]) - centre
        lower = _radial(ray, lower_centre, ratio * radius)
        return self.start.radius - upper, upper - lower

    def shapes(self, bench: Bench, sharp: Circle) -> StepShapes:
        """What the rim shows along the circle of a sharp edge."""
        move = np.array([sharp.x - self.start.x, sharp.y - self.start.y, sharp.radius - self.start.radius])
        at, wall = (rows[0] for rows in self.offsets(move[None]))
        return step_shapes(self.strip, bench, at, wall, bench.blur)

    def coarse(self, span: float) -> list[FloatArray]:
        """Best moves (3,) of a sharp and of a rounded edge, within ± span mm, good to about 0.1 mm."""
        return [self._best_start(rounding, span) for rounding in (0.0, 0.2)]

    def _best_start(self, rounding: float, span: float) -> FloatArray:
        best = np.zeros(3)
        for step, reach in _COARSE:
            moves = best + _grid(step, span)
            best = moves[self._scores(moves, (rounding,), reach, _COARSE_ROWS)[0].argmax()]
            span = step
        return best

    def fine(self, starts: list[FloatArray], roundings: Sequence[float]) -> list[Circle]:
        """The best circle near any of the coarse starts for each rounding."""
        moves = _once(np.concatenate([start + _grid(_FINE_STEP, _FINE_SPAN) for start in starts]))
        scores = self._scores(moves, roundings, _FINE_REACH, _FINE_ROWS)
        x, y, radius = (np.array([self.start.x, self.start.y, self.start.radius]) + moves[scores.argmax(axis=1)]).T
        return [Circle(*(float(v) for v in one)) for one in zip(x, y, radius, scores.max(axis=1), strict=True)]

    def _scores(self, moves: FloatArray, roundings: Sequence[float], reach: float, rows: int) -> FloatArray:
        """(K, G) under each rounding."""
        every = max(1, len(self.strip.total) // rows)
        offset, wall = self.offsets(moves, every)
        strip, sheets = self.strip.thinned(every), [replace(self._sheet, rounding=r) for r in roundings]
        return np.array([contour_score(strip, sheet, offset, wall, reach).mean(axis=1) for sheet in sheets])


def _radial(ray: FloatArray, centre: FloatArray, radius: FloatArray) -> FloatArray:
    """Distance (G, M) along rays (M, 2) from a strip's centre to circles about other centres (G, 2)."""
    across = centre @ np.stack([-ray[:, 1], ray[:, 0]])
    return centre @ ray.T + np.sqrt(np.maximum(radius[:, None] ** 2 - across**2, 0.0))


def _once(moves: FloatArray) -> FloatArray:
    """Moves (G, 3) mm in their order, each once: the grids about two starts overlap."""
    steps = np.rint(moves / (_FINE_STEP / 4)).astype(int)
    _, first = np.unique(steps @ [1 << 40, 1 << 20, 1], return_index=True)
    return moves[np.sort(first)]


def _grid(step: float, span: float) -> FloatArray:
    ticks = np.arange(-span, span + 1e-9, step)
    return np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
