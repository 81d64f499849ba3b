"""A path's lines and arcs read once more, as one shape, from the run of tone across it.

A path is fitted to steps, of which each stands for itself; where a few lie off, the short arc that they are on goes with
them. What tone tells of every length of the whole chain errs otherwise. The truth is nearer to the middle of both readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from capture.camera.bench import Bench
from capture.edges.lengths import BENCH, NEAR, lengths_along
from capture.edges.likely import likely_chain_move
from capture.edges.moved import HOLDS_BOTH
from capture.edges.paper_light import PaperLight
from capture.edges.profiles import edge_costs
from capture.edges.rims import Sheet
from capture.edges.strip import Contour, Lit
from capture.edges.waves import read_twice
from fit.feature import Feature
from fit.paths import PathFit, free_moves, moved_path
from fit.paths.chain import locate, unit
from fit.points import FloatArray

__all__ = ["between_readings"]

_SPACING_MM, _LENGTH_MM, _LENGTH_ON_BENCH_MM = 0.2, 2.0, 5.0
_MEASURED_MM, _MEASURED_SHARE = 0.6, 0.3
"""A length tells something where so much of it is so near to points that the path was fitted to."""


def between_readings(
    lit: Lit, bench: Bench, sheets: Sequence[Sheet], light: PaperLight | None, path: PathFit
) -> PathFit:
    """A path half way to where tone puts its pieces, in doubt by as much as both lie off the middle.

    sheets : the sheet as its edge may be rounded, each as likely. light : None where it is not known.
    """
    length = float(path.chain.lengths.sum())
    rows = round(length / _SPACING_MM)
    along = (np.arange(rows) + 0.5) * length / rows
    contour, outward = _contour(path, along, sheets[0].height)
    moves = outward * free_moves(path, along)
    measured, each, over = _near(along, path), *((_LENGTH_ON_BENCH_MM, BENCH) if light is None else (_LENGTH_MM, NEAR))
    likely = np.zeros(rows)
    for sheet in sheets:
        lengths = lengths_along(lit, bench, sheet, contour, each, over)
        (costs,) = edge_costs([lengths], sheet, light, over=over)
        count = np.bincount(lengths.row)
        slopes = np.add.reduceat(moves, np.searchsorted(lengths.row, np.arange(len(count)))) / count[:, None]
        telling = np.bincount(lengths.row, measured) > _MEASURED_SHARE * count
        likely += moves @ likely_chain_move(costs * telling[:, None], slopes) / len(sheets)
    left = outward * np.interp(path.along, along, likely, period=length if path.chain.closed else None)
    return _in_doubt(path, moved_path(path, left / 2))


def _contour(path: PathFit, along: FloatArray, height: float) -> tuple[Contour, float]:
    """The path's line at lengths (N,) along it, and whether left of it is outward (1) or inward (−1)."""
    flat, heading, _ = locate(path.chain, along)
    normal = unit(heading + np.pi / 2) @ path.frame.axes[:2]
    nearest = np.clip(np.searchsorted(along, path.along), 0, len(along) - 1)
    outward = math.copysign(1.0, float((normal[nearest] * path.points.normal).sum()))
    xy = path.frame.lifted(flat)
    return Contour(xy[:, :2], outward * normal[:, :2], height, path.chain.closed), outward


def _near(along: FloatArray, path: PathFit) -> FloatArray:
    """(N,) 1 where a measured point lies near a place of the path, both by their lengths along it, mm; else 0."""
    every = path.along
    if path.chain.closed:
        length = float(path.chain.lengths.sum())
        every = np.concatenate([every[-1:] - length, every, every[:1] + length])
    after = np.clip(np.searchsorted(every, along), 1, len(every) - 1)
    away = np.minimum(np.abs(every[after] - along), np.abs(along - every[after - 1]))
    return (away < _MEASURED_MM).astype(float)


def _in_doubt(path: PathFit, middle: PathFit) -> PathFit:
    """The middle reading with the doubt that it lies off the one before by so much."""
    pairs = zip(path.feature.segments, middle.feature.segments, strict=True)
    segments = tuple(_doubted(before, after) for before, after in pairs)
    return replace(middle, feature=replace(_doubted(path.feature, middle.feature), segments=segments))


def _doubted(before: Feature, after: Feature) -> Feature:
    away = after.values - before.values
    if "start" in after.order:
        start = after.index("start")
        away[start] = (away[start] + math.pi) % (2 * math.pi) - math.pi
    return replace(read_twice(after), cov_own=after.cov_own + HOLDS_BOTH**2 * np.outer(away, away))
