"""Paths: one ordered edge cut into tangent-continuous lines and arcs, and what follows from it."""

from fit.paths.chain import Chain
from fit.paths.conditions import Conditions
from fit.paths.derived import (
    OffsetPath,
    Suggestion,
    chord_between,
    curvature_along,
    length_between,
    marks_along,
    offset_path,
    polyline,
    radius_suggestions,
)
from fit.paths.path import PathFit, fit_path
from fit.paths.plan import Pieces
from fit.paths.taken_on import distances, fitted_chi2, free_moves, moved_path

__all__ = [
    "Chain",
    "Conditions",
    "OffsetPath",
    "PathFit",
    "Pieces",
    "Suggestion",
    "chord_between",
    "curvature_along",
    "distances",
    "fit_path",
    "fitted_chi2",
    "free_moves",
    "length_between",
    "marks_along",
    "moved_path",
    "offset_path",
    "polyline",
    "radius_suggestions",
]
