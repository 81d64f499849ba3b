"""Where the steps picked along an edge put the true contour, and steps taken to tell of another one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.flatten import View
from capture.edges.rim_fit import Edge, FaceKnowledge, measured_points, trimmed_fit
from capture.edges.rims import LOWER, Sheet
from capture.edges.strip import Contour
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.shapes import fit_circle

__all__ = ["HOLDS_BOTH", "contour_told", "moved_in", "offsets_told", "pushed", "round_moved"]

HOLDS_BOTH = 0.52
"""Standard uncertainty of a place per mm to where else it may be: its 95 % interval holds both."""


def contour_told(bench: Bench, sheet: Sheet, edge: Edge) -> Contour:
    """The true contour through the steps picked along an edge, at all rows of its strip."""
    contour, rows = edge.strip.contour, len(edge.strip.contour.xy)
    period = rows if contour.closed else None
    return pushed(contour, np.interp(np.arange(rows), edge.picked.row, offsets_told(bench, sheet, edge), period=period))


def offsets_told(view: View, sheet: Sheet, edge: Edge) -> FloatArray:
    """(N,) outward, mm, where the picked steps of an edge put the true contour."""
    picked = edge.picked
    wall = sheet.wall(view, edge.strip.contour)[picked.row]
    return picked.offset + picked.inset - np.where(picked.kind == LOWER, wall, 0.0)


def pushed(contour: Contour, outward: FloatArray) -> Contour:
    """The contour with its rows moved outward (M,), mm."""
    return replace(contour, xy=contour.xy + outward[:, None] * contour.outward)


def moved_in(edge: Edge, shift: FloatArray, *, sure: bool = False) -> Edge:
    """The edge with its picked steps taken to lie farther inside the contour by the shift (M,) of their rows.

    sure : the edge is one line, and these rows followed another; that leaves no doubt by as much as they were off.
    """
    picked = edge.picked
    inset = picked.inset + shift[picked.row]
    return replace(edge, picked=replace(picked, inset=inset, moved=picked.moved if sure else shift[picked.row]))


def round_moved(
    bench: Bench, known: FaceKnowledge, edge: Edge, hole: Feature, circle: FloatArray
) -> tuple[Feature, Points]:
    """A round hole with its points taken to tell of another circle (x, y, radius; mm) than the one through them.

    What its steps leave off their own circle they leave off that one too; part of the way stays in doubt.
    """
    outward = edge.strip.contour.outward
    away = circle - hole.vector(("x", "y", "diameter")) * [1, 1, 0.5]
    moved = moved_in(edge, outward @ away[:2] - away[2])
    return trimmed_fit(fit_circle, measured_points(bench, known, moved))
