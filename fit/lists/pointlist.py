"""A point list as it was read: places in mm, directions and feature names, each with its line in the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.points import FARTHEST_MM, FloatArray
from fit.results import Notice

__all__ = ["PointList", "check_reach"]


@dataclass(frozen=True, eq=False, slots=True)
class PointList:
    """A point list as it was read, in mm.

    Attributes
    ----------
    path : the file. xyz : (N, 3) mm. direction : (N, 3) unit vectors from the surface to the tip, NaN where not given.
    names : (N,) feature name of each point, '' where not given. lines : (N,) line in the file, from 1.
    unit : mm, cm, m or inch. unit_from : 'file', 'option' or 'assumed'. notices : what a user should know.
    is_cloud : whether it is a scanned cloud, not touches.
    """

    path: str
    xyz: FloatArray
    direction: FloatArray
    names: NDArray[np.str_]
    lines: NDArray[np.int_]
    unit: str
    unit_from: str
    notices: tuple[Notice, ...] = ()
    is_cloud: bool = False

    def __len__(self) -> int:
        return len(self.xyz)

    @property
    def has_direction(self) -> NDArray[np.bool_]:
        """(N,) whether each point has a direction."""
        return np.asarray(np.isfinite(self.direction).all(axis=1))

    def select(self, which: NDArray[np.bool_] | NDArray[np.int_]) -> PointList:
        """Return the points that a mask or index array picks."""
        return replace(
            self, xyz=self.xyz[which], direction=self.direction[which], names=self.names[which], lines=self.lines[which]
        )

    def named_by_stem(self) -> PointList:
        """Return the same list where points without a feature name take the file's stem."""
        names = np.where(self.names == "", Path(self.path).stem, self.names.astype(object)).astype(str)
        return replace(self, names=names)


def check_reach(path: str, what: str, xyz: FloatArray, numbers: Sequence[int] | NDArray[np.int_]) -> None:
    """Refuse coordinates (N, 3), mm, that no workshop has, naming the line or vertex with its number."""
    far = (np.abs(xyz) > FARTHEST_MM).any(axis=1)
    if far.any():
        k = int(np.argmax(far))
        message = (
            f"{path}, {what} {numbers[k]}: {np.abs(xyz[k]).max():.3g} mm is farther than any workshop reaches; "
            "mend the row, or the unit."
        )
        raise InputError(message)
