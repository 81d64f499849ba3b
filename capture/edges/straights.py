"""Short straight lengths between two bends that turn opposite ways, as a jog has them.

Two arcs that turn a little too far pass within noise of such a line's ends, so that it never pays for itself as a piece;
but each of them is then too large. The line is there where its length is known to differ from nought.
"""

from __future__ import annotations

import math

import numpy as np

from fit.errors import CannotDetermine
from fit.paths import PathFit, Pieces, fit_path, fitted_chi2
from fit.paths.chain import layout, locate

__all__ = ["with_straights"]

_LEAST_TURN = math.radians(30.0)
_LENGTHS = (0.5, 0.2)
"""Lengths to start from, in radii of the tighter arc, one where the other finds no hold."""
_FALL, _SURE = 4.0, 1.5
"""What χ² must fall by for the line to be looked at, and its length in its U95: three standard uncertainties."""


def with_straights(path: PathFit) -> PathFit:
    """A closed path with a line wherever two arcs that turn opposite ways meet and one is sure to lie between them."""
    if not path.chain.closed or len(path.chain) < 3:
        return path
    for j in range(len(path.chain) - 1, -1, -1):
        turns = (path.chain.lengths * path.chain.curvatures)[[j - 1, j]]
        if turns[0] * turns[1] < 0 and np.abs(turns).min() > _LEAST_TURN and not path.chain.corners[j]:
            path = _with_line(path, j)
    return path


def _with_line(path: PathFit, j: int) -> PathFit:
    """The path with a line before piece j, if one is sure to be there."""
    now = float(((path.feature.residuals[path.index] / path.points.noise) ** 2).sum())
    tried = (_pieces_with_line(path, j, share) for share in _LENGTHS)
    held = next(((pieces, chi2) for pieces in tried if (chi2 := fitted_chi2(path, pieces)) < np.inf), None)
    if held is None or now - held[1] < _FALL:
        return path
    try:
        told = fit_path(path.points, closed=True, pieces=held[0], name=path.feature.name)
    except CannotDetermine:
        return path
    line = told.feature.segments[j]
    sure = line.kind == "line" and line["length"] > _SURE * line.value("length").u95
    return told if sure else path


def _pieces_with_line(path: PathFit, j: int, share: float) -> Pieces:
    chain = path.chain
    half = 0.5 * share / np.abs(chain.curvatures[[j - 1, j]]).max()
    here, total = float(chain.lengths[:j].sum()), float(chain.lengths.sum())
    ends, _, _ = locate(chain, np.array([(here - half) % total, here + half]))
    places = layout(chain).joints[:-1]
    joints = path.frame.lifted(np.concatenate([places[:j], ends, places[j + 1 :]]))[:, :2]
    return Pieces(joints, np.insert(chain.curvatures, j, 0.0), np.insert(chain.corners, j, False))
