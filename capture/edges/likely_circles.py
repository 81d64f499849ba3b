"""The circles that all readings of the steps round a photo's holes make likely together, with their doubt.

A circle's likelihood is a product over its rim: each stretch of `_LIGHT_MM` counts as one sighting, because light errs in
stretches and not from row to row. The mean of that likelihood is taken, not its top: readings disagree, and the mean of
what is possible errs less than the best of it. How the edge looks is shared by all holes of the photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from capture.camera.bench import Bench
from capture.edges.readings import HIDDEN_LOOKS, WALL_LOOKS, Look, Readings, readings
from capture.edges.rim_fit import Edge, FaceKnowledge, measured_points
from capture.edges.rims import RimPoints, Sheet
from capture.edges.round_holes import circle_contour
from capture.edges.rounding import USUAL_MM
from capture.edges.strip import Lit, Strip, unroll
from capture.edges.waves import waves_left_out
from fit.feature import Feature
from fit.points import FloatArray, Points

__all__ = ["settled_rounds"]

_SPACING_MM, _ROWS = 0.2, 60
_LIGHT_MM = 2.5
_START_U_MM = 0.1
_ROUNDS = ((0.24, 0.06), (0.15, 0.03))
_GRID_MM, _GRID_STEP = 0.6, 0.01
_STRAY, _DENSITY_MM = 0.05, 0.03
_SHARED_CREDIT = 0.25
"""Evidence about the look of the edge is not wholly independent from hole to hole."""
_SEEN_MM = 0.06
_LOOKS = tuple(product(HIDDEN_LOOKS, WALL_LOOKS))
_LEAST_POINTS = 8


Round = tuple[Feature, Points, Edge]


@dataclass(frozen=True, eq=False, slots=True)
class _Likely:
    """Centre and radius (3,) mm with their covariance (3, 3), and the steps that lie on it on the strip unrolled there."""

    circle: FloatArray
    cov: FloatArray
    strip: Strip
    picked: RimPoints


@dataclass(frozen=True, eq=False, slots=True)
class _Ring:
    """One hole's strip and readings about a trial circle."""

    strip: Strip
    told: Readings
    wall: FloatArray

    def log_likelihood(self, moves: FloatArray, look: Look, seen: bool) -> FloatArray:
        """(G,) of circles moved by (dx, dy, dr), over the rows whose wall is, or is not, seen."""
        every = max(1, len(self.wall) // _ROWS)
        rows = np.arange(0, len(self.wall), every)
        rows = rows[(self.wall[rows] > _SEEN_MM) == seen]
        if not len(rows):
            return np.zeros(len(moves))
        column = np.rint((_offsets(moves, self.strip.contour.outward[rows]) + _GRID_MM) / _GRID_STEP).astype(int)
        density = self._density(look.weights, rows)
        total = np.log(density * _DENSITY_MM + _STRAY)[
            np.arange(len(rows))[:, None], np.clip(column, 0, density.shape[1] - 1)
        ]
        return np.asarray(total.sum(axis=0) * every * self.strip.contour.spacing / _LIGHT_MM)

    def _density(self, weights: FloatArray, rows: FloatArray) -> FloatArray:
        """(R, C): how likely the contour of each row lies at each place of the grid."""
        grid = np.arange(-_GRID_MM, _GRID_MM + _GRID_STEP / 2, _GRID_STEP)
        told, where = self.told, np.full(len(self.wall), -1)
        where[rows] = np.arange(len(rows))
        weight = weights[told.kind] * told.worth / told.spread
        use = np.flatnonzero((where[told.row] >= 0) & (weight > 0))
        bell = np.exp(-0.5 * ((grid - told.place[use, None]) / told.spread[use, None]) ** 2)
        density = np.zeros((len(rows), len(grid)))
        np.add.at(density, where[told.row[use]], weight[use, None] * bell)
        return density

    def picked(self, move: FloatArray, weights: FloatArray) -> RimPoints:
        """The likeliest reading of each row on the circle moved so; none where straying is likelier."""
        told = self.told
        off = told.place - _offsets(move[None], self.strip.contour.outward)[:, 0][told.row]
        likely = weights[told.kind] * told.worth / told.spread * np.exp(-0.5 * (off / told.spread) ** 2)
        order = np.lexsort((-likely, told.row))
        best = order[np.r_[True, np.diff(told.row[order]) > 0]] if len(order) else order
        best = best[likely[best] * _DENSITY_MM > _STRAY]
        kind = told.as_points[best]
        return RimPoints(told.row[best], told.offset[best], kind, told.worth[best], told.inset[best])


def _offsets(moves: FloatArray, outward: FloatArray) -> FloatArray:
    """Outward offset (M, G), to first order, of circles moved by (dx, dy, dr) (G, 3) at rows of a hole's contour."""
    return np.asarray(outward @ moves[:, :2].T - moves[:, 2])


def settled_rounds(lit: Lit, bench: Bench, known: FaceKnowledge, found: Sequence[Round]) -> list[Round]:
    """Round holes of a sheet whose edge is, or may be, rounded, each better than found alone.

    found : of each hole the circle, its points and its edge, the circle good to about 0.1 mm.

    Values and own covariance come from the likelihood, which knows that light errs in stretches; shared errors come from
    the steps that lie on the circle. Holes with too few of these stay as found.
    """
    if not known.twofold or not found:
        return list(found)
    rounding = known.sheet.rounding
    sheet = known.sheet if rounding > 0 else replace(known.sheet, rounding=USUAL_MM)
    starts = [np.array([c["x"], c["y"], c["diameter"] / 2]) for c, _, _ in found]
    likely = _likely_circles(lit, bench, sheet, starts)
    return [_settled(bench, known, one, circle) for one, circle in zip(found, likely, strict=True)]


def _settled(bench: Bench, known: FaceKnowledge, found: Round, likely: _Likely) -> Round:
    from fit.shapes import fit_circle

    if len(likely.picked.row) < _LEAST_POINTS:
        return found
    cover = len(likely.picked.row) / len(likely.strip.total)
    edge = replace(found[2], strip=likely.strip, picked=likely.picked, cover=cover)
    points = measured_points(bench, replace(known, rim_inset=0.0), edge)
    feature = waves_left_out(fit_circle(points, robust=False, correlated=True))
    at = [feature.index(key) for key in ("x", "y", "diameter")]
    values, own, as_diameter = feature.values.copy(), np.zeros_like(feature.cov_own), np.array([1.0, 1.0, 2.0])
    values[at] = likely.circle * as_diameter
    own[np.ix_(at, at)] = likely.cov * np.outer(as_diameter, as_diameter)
    return replace(feature, values=values, cov_own=own, dof=np.inf), points, edge


def _likely_circles(lit: Lit, bench: Bench, sheet: Sheet, starts: Sequence[FloatArray]) -> list[_Likely]:
    """Circles (3,) good to about 0.1 mm made as good as all readings allow."""
    circles, covs = [np.asarray(s, float) for s in starts], [np.eye(3)] * len(starts)
    for span, step in _ROUNDS:
        rings = [_ring(lit, bench, sheet, circle) for circle in circles]
        moves = _grid(span, step)
        scores = np.array([_scores(ring, moves) for ring in rings])
        credit, means, covs = _weighed(scores, moves)
        circles = [circle + mean for circle, mean in zip(circles, means, strict=True)]
    weights = credit @ np.array([hidden.weights + walled.weights for hidden, walled in _LOOKS])
    return [
        _Likely(circle, cov, ring.strip, ring.picked(mean, weights))
        for circle, cov, ring, mean in zip(circles, covs, rings, means, strict=True)
    ]


def _ring(lit: Lit, bench: Bench, sheet: Sheet, circle: FloatArray) -> _Ring:
    x, y, radius = (float(v) for v in circle)
    contour = circle_contour(x, y, radius, sheet.height, _SPACING_MM)
    wall = sheet.wall(bench, contour)
    strip = unroll(lit, bench, contour, (-1.9, max(0.0, float(wall.max())) + 0.6), smooth=0.2)
    return _Ring(strip, readings(strip, sheet, wall, bench.blur), wall)


def _grid(span: float, step: float) -> FloatArray:
    ticks = np.arange(-span, span + step / 2, step)
    return np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)


def _scores(ring: _Ring, moves: FloatArray) -> FloatArray:
    """(L, G) log likelihood of the moved circles under each look."""
    hidden = [ring.log_likelihood(moves, look, False) for look in HIDDEN_LOOKS]
    walled = [ring.log_likelihood(moves, look, True) for look in WALL_LOOKS]
    start = -0.5 * ((moves / _START_U_MM) ** 2).sum(axis=1)
    return np.array([one + other + start for one, other in product(hidden, walled)])


def _weighed(scores: FloatArray, moves: FloatArray) -> tuple[FloatArray, list[FloatArray], list[FloatArray]]:
    """Credit (L,) of each look after all, and mean (3,) and covariance (3, 3) of each hole's move; scores (H, L, G)."""
    credit = np.array([hidden.credit * walled.credit for hidden, walled in _LOOKS])
    top = scores.max(axis=2, keepdims=True)
    share = np.exp(scores - top)
    evidence = (top[..., 0] + np.log(share.mean(axis=2))).sum(axis=0) * _SHARED_CREDIT + np.log(credit)
    after = np.exp(evidence - evidence.max())
    after /= after.sum()
    share = (share / share.sum(axis=2, keepdims=True) * after[:, None]).sum(axis=1)
    means = [one @ moves for one in share]
    covs = [(one[:, None] * (moves - mean)).T @ (moves - mean) for one, mean in zip(share, means, strict=True)]
    return after, means, covs
