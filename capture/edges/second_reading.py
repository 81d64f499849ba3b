"""A second reading of picked lines, holes and slots: what the whole run of tone across them tells beside its steps.

A step that blur joins with a narrow band, wall or shadow beside it shows up to a third of a millimetre off. How tone runs
across the edge, with the levels of face, band, wall and ground free (`capture.edges.profiles`), errs otherwise: the middle
of both readings is taken, and the interval holds both.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.lengths import BENCH, Lengths, lengths_along
from capture.edges.likely import likely_circle_move, likely_line_move, likely_slot_move, slot_values
from capture.edges.moved import HOLDS_BOTH
from capture.edges.profiles import edge_costs
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.round_holes import circle_contour
from capture.edges.rounding import USUAL_MM
from capture.edges.slot_holes import stadium_of
from capture.edges.strip import Contour, Lit
from capture.edges.waves import read_twice
from fit.feature import Feature
from fit.points import FloatArray, Points

__all__ = ["between_readings", "sheets_of"]

_SPACING_MM, _LENGTH_MM, _LENGTHS_ROUND, _SLOT_LENGTH_MM = 0.2, 8.0, 24, 2.0
_LEFT_OUT_MM, _LEFT_OUT_SHARE = 0.5, 0.25
"""What of a line's ends its corners may be in, at most that share of it each."""


def between_readings(
    lit: Lit, bench: Bench, known: FaceKnowledge, feature: Feature, points: Points
) -> tuple[Feature, Points]:
    """A line, hole or slot told by steps, with its points, moved half-way to what the run of tone across it tells; other
    kinds as they are.
    """
    of_kind = {"line": _line_between, "circle": _hole_between, "slot": _slot_between}.get(feature.kind)
    if of_kind is None:
        return feature, points
    keys, away, shift = of_kind(lit, bench, known, feature, points)
    at, values, cov = [feature.index(key) for key in keys], feature.values.copy(), feature.cov_own.copy()
    values[at] += away
    cov[np.ix_(at, at)] += HOLDS_BOTH**2 * np.outer(away, away)
    xyz = points.xyz.copy()
    xyz[:, :2] += shift
    return replace(read_twice(feature), values=values, cov_own=cov), replace(points, xyz=xyz)


def _line_between(
    lit: Lit, bench: Bench, known: FaceKnowledge, line: Feature, points: Points
) -> tuple[tuple[str, ...], FloatArray, FloatArray]:
    """Which values move, by how much, and how the points (N, 2) do."""
    contour = _along(line, points, known.sheet.height)
    lengths = lengths_along(lit, bench, known.sheet, contour, _LENGTH_MM, BENCH)
    outward = np.mean([likely_line_move(costs) for costs in _costs(known, lengths)])
    shift = outward / 2 * contour.outward[0]
    return ("x1", "y1", "x2", "y2"), np.tile(shift, 2), np.tile(shift, (len(points), 1))


def _hole_between(
    lit: Lit, bench: Bench, known: FaceKnowledge, hole: Feature, points: Points
) -> tuple[tuple[str, ...], FloatArray, FloatArray]:
    x, y, radius = hole["x"], hole["y"], hole["diameter"] / 2
    rim = circle_contour(x, y, radius, known.sheet.height, _SPACING_MM)
    ring = lengths_along(lit, bench, known.sheet, rim, 2 * np.pi * radius / _LENGTHS_ROUND, BENCH)
    dx, dy, grown = np.mean([likely_circle_move(costs, ring)[0] for costs in _costs(known, ring)], axis=0) / 2
    ray = points.xyz[:, :2] - (x, y)
    shift = (dx, dy) + grown * ray / np.hypot(*ray.T)[:, None]
    return ("x", "y", "diameter"), np.array([dx, dy, 2 * grown]), shift


def _slot_between(
    lit: Lit, bench: Bench, known: FaceKnowledge, found: Feature, points: Points
) -> tuple[tuple[str, ...], FloatArray, FloatArray]:
    slot = stadium_of(found)
    rim = slot.contour(known.sheet.height, _SPACING_MM)
    ring = lengths_along(lit, bench, known.sheet, rim, _SLOT_LENGTH_MM, BENCH)
    told = [likely_slot_move(costs, ring, slot, _SPACING_MM)[0] for costs in _costs(known, ring)]
    move = np.mean(told, axis=0) / 2
    values, turn = slot_values(slot)
    across = np.array([-slot.along[1], slot.along[0]])
    first, last = (move[at] * slot.along + move[at + 1] * across for at in (0, 2))
    away, apart = points.xyz[:, :2] - slot.first, float(np.hypot(*(slot.last - slot.first)))
    share = np.clip(away @ slot.along / apart, 0.0, 1.0)[:, None]
    ray = away - share * apart * slot.along
    shift = (1 - share) * first + share * last + move[4] * ray / np.hypot(*ray.T)[:, None]
    return tuple(values), turn @ move, shift


def _costs(known: FaceKnowledge, lengths: Lengths) -> list[FloatArray]:
    """Costs (W, S) of the sheet with each rounding that its edge may have."""
    return [edge_costs([lengths], sheet, None, over=BENCH)[0] for sheet in sheets_of(known)]


def sheets_of(known: FaceKnowledge) -> list[Sheet]:
    """The sheet; where it is open whether its edge is rounded, both sharp and as usual."""
    radii = (0.0, USUAL_MM) if known.rim_inset else (known.sheet.rounding,)
    return [replace(known.sheet, rounding=r) for r in radii]


def _along(line: Feature, points: Points, height: float) -> Contour:
    """The line as a contour, outward as its points have it."""
    start, end = line.vector(("x1", "y1")), line.vector(("x2", "y2"))
    length = float(np.hypot(*(end - start)))
    way = (end - start) / length
    left = np.array([-way[1], way[0]])
    outward = left * np.sign(left @ points.normal[:, :2].sum(axis=0))
    out = min(_LEFT_OUT_MM, _LEFT_OUT_SHARE * length)
    along = np.linspace(out, length - out, max(8, round((length - 2 * out) / _SPACING_MM)))
    return Contour(start + along[:, None] * way, np.tile(outward, (len(along), 1)), height, closed=False)
