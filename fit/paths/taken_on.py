"""A fitted path taken on: how far points lie from it, how its places can move, and its pieces through moved points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import layout, locate, unit
from fit.paths.features import path_feature
from fit.paths.held import hold
from fit.paths.path import PathFit
from fit.paths.plan import Edge, Pieces, Plan, fit_plan, plan_between
from fit.paths.refine import basis, columns, feet, free_mask
from fit.points import FloatArray, Points

__all__ = ["distances", "fitted_chi2", "free_moves", "moved_path"]

_STEP_MM = 0.4
_NO_MOVE = 1e-7
"""Share of the greatest singular value below which a change of the chain moves none of its places."""


def distances(path: PathFit, points: Points) -> tuple[FloatArray, NDArray[np.int_]]:
    """Distance (N,) of points from the path, and the piece (N,) each is nearest: across the nearest of close places."""
    along = np.arange(0.0, float(path.chain.lengths.sum()), _STEP_MM)
    places, heading, piece = locate(path.chain, along)
    flat = path.frame.flat(points.xyz)[:, :2]
    nearest = ((places**2).sum(axis=1) - 2 * flat @ places.T).argmin(axis=1)  # of |p − q|², less what is p's alone
    away, tangent = flat - places[nearest], unit(heading[nearest])
    return np.abs(away[:, 0] * tangent[:, 1] - away[:, 1] * tangent[:, 0]), piece[nearest]


def free_moves(path: PathFit, along: FloatArray) -> FloatArray:
    """How far (N, F) places at lengths along the path (N,), in order, go to the left by each of F moves of its chain.

    Kinds of pieces, tangent joints and closing stay. The moves are orthonormal over these places.
    """
    chain = path.chain
    xy, _, piece = locate(chain, along)
    where = layout(chain)
    table, full = columns(chain, where)
    bounds = np.searchsorted(piece, np.arange(len(chain) + 1))
    to_left = np.einsum("fn,nfp->np", basis(xy, feet(xy, np.ones(len(xy)), chain, where, bounds)), full[piece])
    rows, _ = hold(chain, where, table)
    free = free_mask(chain)
    scale = 1 / np.maximum(np.linalg.norm(to_left[:, free], axis=0), 1e-12)
    held = (rows[:, free] * scale).T
    kept = np.linalg.qr(held / np.linalg.norm(held, axis=0), mode="complete")[0][:, len(rows) :]
    moves, size, _ = np.linalg.svd((to_left[:, free] * scale) @ kept, full_matrices=False)
    return np.asarray(moves[:, size > _NO_MOVE * size[0]])


def fitted_chi2(path: PathFit, pieces: Pieces) -> float:
    """χ² of other pieces fitted to the path's points, with their own noise; infinite where they find no hold."""
    flat = path.frame.flat(path.points.xyz)[:, :2]
    joints = np.column_stack([pieces.joints, np.zeros(len(pieces.joints))])
    edge = Edge(flat, 1 / path.points.noise**2, path.index)
    begun = plan_between(edge, replace(pieces, joints=path.frame.flat(joints)[:, :2]), path.chain.closed)
    fit = fit_plan(*begun) if begun else None
    return np.inf if fit is None else fit.chi2


def moved_path(path: PathFit, left: FloatArray) -> PathFit:
    """The same pieces through the path's points moved to its left by (N,) mm; as it was where they find no hold there.

    Values are told anew. What is uncertain of them stays, for the points scatter about the path as before.
    """
    chain, flat = path.chain, path.frame.flat(path.points.xyz)
    _, heading, _ = locate(chain, path.along)
    flat[:, :2] += left[:, None] * unit(heading + np.pi / 2)
    noise = path.points.noise
    edge = Edge(flat[:, :2], 1 / np.where(np.isfinite(noise) & (noise > 0), noise, path.noise) ** 2, path.index)
    bounds = np.searchsorted(path.along, np.concatenate([[-np.inf], np.cumsum(chain.lengths)[:-1], [np.inf]]))
    fit = fit_plan(edge, Plan(layout(chain).joints, chain.curvatures, chain.corners, bounds, chain.closed), settle=1e-9)
    if fit is None:
        return path
    told = path_feature(edge, fit, path.frame, path.knowledge, (path.dof, path.feature.name))
    pairs = zip(path.feature.segments, told.segments, strict=True)
    segments = tuple(replace(old, values=new.values, points=new.points) for old, new in pairs)
    ends = np.cumsum(fit.chain.lengths)
    return replace(
        path,
        feature=replace(path.feature, values=told.values, segments=segments),
        points=replace(path.points, xyz=path.frame.origin + flat @ path.frame.axes),
        chain=fit.chain,
        along=fit.along + (ends - fit.chain.lengths)[fit.piece],
    )
