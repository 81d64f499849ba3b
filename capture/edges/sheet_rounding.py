"""The rounding of a sheet's edges from all that may be its edges: the outline and every candidate for a round hole."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.flanks import StepShapes, rounded_share, step_shapes
from capture.edges.follow import follow_edge
from capture.edges.rim_fit import Edge, FaceKnowledge, edge_of
from capture.edges.rims import twin_share
from capture.edges.round_holes import Circle, RoundSearch
from capture.edges.rounding import ROUNDINGS, SURE_SHARP, Rounding, settled_rounding
from capture.edges.strip import Lit
from fit.points import FloatArray

__all__ = ["SURE_ROUND", "Tried", "same_place", "try_roundings"]

SURE_ROUND = 0.45
"""Score of a ring that is surely a hole's: on 40 ray-traced plates rings that were none reached 0.29."""
_LEAST_SCORE = 0.15


@dataclass(frozen=True, eq=False, slots=True)
class Tried:
    """What was found under each of `ROUNDINGS`: candidates for round holes, the outline's edge; how likely edges are
    rounded by the shape of their steps, and which rounding to begin with.
    """

    circles: list[list[Circle]]
    edges: list[Edge]
    rounded: float
    first: Rounding

    @property
    def in_doubt(self) -> bool:
        """Whether edges are taken for sharp though the shape of their steps does not settle that."""
        return self.first.radius == 0 and self.rounded >= SURE_SHARP

    def of(self, radius: float) -> tuple[list[Circle], Edge]:
        """Candidates, best first, and the outline's edge where edges are rounded so."""
        which = ROUNDINGS.index(radius)
        return sorted((option[which] for option in self.circles), key=lambda circle: -circle.score), self.edges[which]


def try_roundings(
    lit: Lit,
    bench: Bench,
    known: FaceKnowledge,
    searches: list[tuple[RoundSearch, list[FloatArray]]],
    outline: FloatArray,
    *,
    later: bool,
) -> Tried:
    """Holes and outline under every rounding, and the one that explains them best together: it is one property of the
    whole sheet. later : whether light on the paper tells more of it later.
    """
    tried = [search.fine(starts, ROUNDINGS) for search, starts in searches]
    options = _ranked(tried)
    sheets = [replace(known.sheet, rounding=r) for r in ROUNDINGS]
    followed = follow_edge(lit, bench, sheets, outline, material_inside=True)
    edges = [edge_of(strip, sheet, at, wall) for sheet, (strip, at, wall) in zip(sheets, followed, strict=True)]
    twins = [twin_share(strip, sheet, *rest) for sheet, (strip, *rest) in zip(sheets, followed, strict=True)]
    length = len(followed[0][1]) * followed[0][0].contour.spacing
    worth = [length * np.array([edge.score + 0.5 * twin for edge, twin in zip(edges, twins, strict=True)])]
    if distinct := _distinct(options):
        rims = 2 * np.pi * np.array([option[0].radius for option in distinct])
        worth.append(rims @ np.array([[circle.score for circle in option] for option in distinct]))
        length += float(rims.sum())
    strip, at, wall = followed[0]
    shapes = [step_shapes(strip, bench, at, wall, bench.blur), *_hole_shapes(bench, searches, tried)]
    rounded = rounded_share(shapes)
    first = settled_rounding(np.array(worth), length, strip.px_per_mm, rounded, later=later)
    return Tried(options, edges, rounded, first)


def _hole_shapes(
    bench: Bench, searches: list[tuple[RoundSearch, list[FloatArray]]], tried: list[list[Circle]]
) -> list[StepShapes]:
    """What the rims of the sure holes show, along the circle of a sharp edge."""
    shapes = []
    for (search, _), (sharp, *_) in zip(searches, tried, strict=True):
        if sharp.score < SURE_ROUND:
            continue
        shapes.append(search.shapes(bench, sharp))
    return shapes


def _ranked(options: list[list[Circle]]) -> list[list[Circle]]:
    """Candidates that are worth a look, best first; a candidate is its circles under every rounding."""
    told = sorted(((_best(o).score, i) for i, o in enumerate(options)), key=lambda pair: -pair[0])
    return [options[i] for score, i in told if score >= _LEAST_SCORE]


def _best(option: list[Circle]) -> Circle:
    return max(option, key=lambda circle: circle.score)


def _distinct(ranked: list[list[Circle]]) -> list[list[Circle]]:
    """The best candidate of each place."""
    kept: list[list[Circle]] = []
    for option in ranked:
        if not any(same_place(_best(option), _best(other)) for other in kept):
            kept.append(option)
    return kept


def same_place(circle: Circle, larger: Circle) -> bool:
    return bool(np.hypot(circle.x - larger.x, circle.y - larger.y) < 0.9 * (larger.radius + 0.3 * circle.radius))
