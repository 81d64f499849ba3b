"""All touches of a job in one frame, each knowing its file and line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.arm.stations import Joined, join_stations, placed
from fit.lists import PointList
from fit.points import FloatArray, Points, join_points

__all__ = ["Touches", "gather"]

_ONE = "axes of the point list"
_FIRST = "axes of the first point list (station 1)"


@dataclass(frozen=True, eq=False, slots=True)
class Touches:
    """Touches of all stations.

    Attributes
    ----------
    points : (N,) as recorded (tip centres or surface), `normal` holds i j k, `label` the feature.
    lines, files : (N,) line and index into paths. paths : the files.
    tie_noise : (M, N, 3) what of each tie mode is the touch's own noise, mm.
    clouds : names of features that come from scanned clouds.
    """

    points: Points
    lines: NDArray[np.int_]
    files: NDArray[np.int_]
    paths: tuple[str, ...]
    tie_noise: FloatArray
    clouds: frozenset[str] = frozenset()

    @property
    def names(self) -> list[str]:
        """Feature names in order of appearance."""
        return list(dict.fromkeys(self.points.label.tolist()))

    def rows(self, name: str) -> NDArray[np.int_]:
        """Rows of one feature."""
        return np.flatnonzero(self.points.label == name)

    def where(self, rows: NDArray[np.int_]) -> str:
        """Rows as a user finds them: 'station_1.csv lines 12, 40; station_2.csv line 7'."""
        told = []
        for k, path in enumerate(self.paths):
            lines = self.lines[rows[self.files[rows] == k]].tolist()
            if lines:
                word = "line" if len(lines) == 1 else "lines"
                shown = ", ".join(map(str, lines[:12])) + (f" and {len(lines) - 12} more" if len(lines) > 12 else "")
                told.append(f"{Path(path).name} {word} {shown}")
        return "; ".join(told)


def gather(lists: Sequence[PointList], ties: Sequence[str]) -> tuple[Touches, Joined | None]:
    """Bring all lists into the first one's frame; several lists need tie patterns.

    Raises what `join_stations` raises.
    """
    if len(lists) == 1:
        points = replace(_points_of(lists[0]), frame=_ONE)
        return _touches(lists, [points], [np.zeros((0, len(points), 3))]), None
    joined = join_stations(lists, ties)
    both = [placed(joined, s, _points_of(listed), _FIRST) for s, listed in enumerate(lists)]
    return _touches(lists, [points for points, _ in both], [noise for _, noise in both]), joined


def _points_of(listed: PointList) -> Points:
    return Points(listed.xyz, normal=listed.direction, label=listed.names, source=Path(listed.path).name)


def _touches(lists: Sequence[PointList], parts: Sequence[Points], noise: Sequence[FloatArray]) -> Touches:
    return Touches(
        points=join_points(parts),
        lines=np.concatenate([listed.lines for listed in lists]),
        files=np.repeat(np.arange(len(lists)), [len(listed) for listed in lists]),
        paths=tuple(listed.path for listed in lists),
        tie_noise=np.concatenate(noise, axis=1),
        clouds=frozenset(name for listed in lists if listed.is_cloud for name in set(listed.names.tolist())),
    )
