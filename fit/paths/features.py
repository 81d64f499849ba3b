"""A fitted chain as features: every value with its own covariance and shared errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.feature import KIND_ORDER, Feature
from fit.paths.chain import Layout, layout, unit
from fit.paths.frame import Frame
from fit.paths.held import held_covariance, hold
from fit.paths.plan import Edge
from fit.paths.refine import Fit, Rows, basis, columns, free_mask, normal_equations
from fit.points import FloatArray, Points, align_shared

__all__ = ["Knowledge", "chain_knowledge", "path_feature"]

LINE_ORDER = KIND_ORDER["line"]
ARC_ORDER = (*KIND_ORDER["arc"], "length", "turn")


@dataclass(frozen=True, eq=False, slots=True)
class Knowledge:
    """How well everything that a path's values hang on is known.

    The Q numbers are the chain's 3 + 3 K unknowns, the places of the first and last foot along the path (mm), and the
    plane's height (mm) and two slopes.

    Attributes
    ----------
    cov : (Q, Q) own covariance. shared : (S, Q). shared_names : (S,).
    joints : (K + 1, 2, Q) derivative of the joints. headings : (K, Q) of each piece's heading at its start.
    """

    cov: FloatArray
    shared: FloatArray
    shared_names: tuple[str, ...]
    joints: FloatArray
    headings: FloatArray


def chain_knowledge(
    edge: Edge, fit: Fit, points: Points, frame: Frame, inflation: float, extra: Rows | None
) -> Knowledge:
    """Carry the points' own noise (variance times `inflation`) and shared errors into the chain's unknowns."""
    chain = fit.chain
    where = layout(chain)
    table, full = columns(chain, where)
    free = free_mask(chain)
    rows, _ = hold(chain, where, table)
    if extra is not None:
        rows = np.concatenate([rows, extra(chain, where, table)[0]])
    normal, _ = normal_equations(edge.xy, edge.weight, fit, full[:, :, free])
    cov = held_covariance(normal, rows[:, free])
    p = len(free)
    own = np.zeros((p + 5, p + 5))
    own[np.ix_(np.flatnonzero(free), np.flatnonzero(free))] = cov * inflation
    own[p + 2 :, p + 2 :] = frame.cov
    names = tuple(dict.fromkeys((*points.shared_names, *frame.shared_names)))
    flat = points.shared[:, edge.index] @ frame.axes[:2].T
    across = np.stack([-np.sin(fit.foot_heading), np.cos(fit.foot_heading)], axis=1)
    moved = np.zeros((len(points.shared_names), p + 5))
    pull = _gathered(edge, fit, full[:, :, free], np.einsum("knc,nc->kn", flat, across))
    moved[:, :p][:, free] = pull @ cov
    if not chain.closed:
        for place, which in ((p, 0), (p + 1, -1)):
            own[place, place] = inflation / edge.weight[which]
            moved[:, place] = flat[:, which] @ unit(fit.foot_heading[which])
    shared = align_shared(names, points.shared_names, moved)
    shared[:, p + 2 :] += align_shared(names, frame.shared_names, frame.shared)
    return Knowledge(own, shared, names, *_slopes(fit, where, table))


def _gathered(edge: Edge, fit: Fit, full: FloatArray, moves: FloatArray) -> FloatArray:
    """JᵀW·moves (S, P) for moves across the path (S, N)."""
    b = basis(edge.xy, fit) * edge.weight
    sums = np.add.reduceat(b[None] * moves[:, None], fit.bounds[:-1], axis=2)
    return np.einsum("sfk,kfp->sp", sums, full)


def _slopes(fit: Fit, where: Layout, table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Derivatives of joints (K + 1, 2, Q) and of headings (K, Q); the ends of an open path are feet of points."""
    chain, k = fit.chain, len(fit.chain)
    p = table.shape[1]
    reach = np.ones((k + 1, p))
    earlier = np.tri(k + 1, k, -1)
    reach[:, 3::3], reach[:, 4::3], reach[:, 5::3] = earlier, earlier, np.tri(k + 1, k)
    turned = table[None] * reach[:, None]
    q = where.joints
    joints = np.zeros((k + 1, 2, p + 5))
    joints[:, 0, :p] = turned[:, 0] - turned[:, 2] * q[:, 1:]
    joints[:, 1, :p] = turned[:, 1] + turned[:, 2] * q[:, :1]
    headings = np.zeros((k, p + 5))
    headings[:, :p] = turned[:k, 2]
    if not chain.closed:
        first, last = unit(where.before[0]), unit(where.after[-1])
        joints[0, :, p] = first
        joints[k] -= np.outer(last, last @ joints[k])
        joints[k, :, p + 1] = last
    return joints, headings


def length_slopes(fit: Fit, q: int) -> FloatArray:
    """Derivatives (K, Q) of the pieces' lengths."""
    k = len(fit.chain)
    slopes = np.zeros((k, q))
    slopes[np.arange(k), 3 + 3 * np.arange(k)] = 1.0
    if fit.chain.closed:
        return slopes
    where = layout(fit.chain)
    table, _ = columns(fit.chain, where)
    end, last = where.joints[-1], unit(where.after[-1])
    slopes[0, q - 5] = -1.0
    slopes[k - 1] = 0.0
    moved = np.stack([table[0] - table[2] * end[1], table[1] + table[2] * end[0]])
    moved[:, -3] = 0.0
    slopes[k - 1, : q - 5] = -(last @ moved)
    slopes[k - 1, q - 4] = 1.0
    if k == 1:
        slopes[0, q - 5] = -1.0
    return slopes


def segment_features(fit: Fit, frame: Frame, know: Knowledge, dof: float, name: str) -> tuple[Feature, ...]:
    """Lines and arcs in order, named `name` 1 … K."""
    where = layout(fit.chain)
    lengths = length_slopes(fit, len(know.cov))
    made = []
    for i, arc in enumerate(fit.chain.arcs):
        values, slopes = (_arc if arc else _line)(i, fit, where, frame, know, lengths)
        points = int(fit.bounds[i + 1] - fit.bounds[i])
        part = fit.residuals[fit.bounds[i] : fit.bounds[i + 1]]
        made.append(
            Feature(
                name=f"{name} {i + 1}",
                kind="arc" if arc else "line",
                order=ARC_ORDER if arc else LINE_ORDER,
                values=values,
                cov_own=slopes @ know.cov @ slopes.T,
                shared=know.shared @ slopes.T,
                shared_names=know.shared_names,
                dof=dof,
                points=points,
                rms=float(np.sqrt(np.mean(part**2))) if points else 0.0,
            )
        )
    return tuple(made)


def _lifted_slopes(uv: FloatArray, slope: FloatArray, frame: Frame) -> FloatArray:
    """Derivative (3, Q) of a place (2,) of the plane in space, from that in the plane (2, Q)."""
    lifted = frame.axes[:2].T @ slope
    lifted[:, -3:] += np.outer(frame.axes[2], [1.0, *uv])
    return lifted


_Piece = tuple[FloatArray, FloatArray]


def _line(i: int, fit: Fit, where: Layout, frame: Frame, know: Knowledge, lengths: FloatArray) -> _Piece:
    """Ends and length; the ends are known across the line, where along it a tangent point lies is the length's part."""
    across = unit(where.before[i] + np.pi / 2)
    ends = where.joints[i : i + 2]
    slopes = [_lifted_slopes(end, np.outer(across, across @ know.joints[i + j]), frame) for j, end in enumerate(ends)]
    values = np.concatenate([frame.lifted(ends).ravel(), [fit.chain.lengths[i]]])
    return values, np.concatenate([*slopes, lengths[i : i + 1]])


def _arc(i: int, fit: Fit, where: Layout, frame: Frame, know: Knowledge, lengths: FloatArray) -> _Piece:
    """Centre, normal, radius, start, span, length and turn."""
    kappa, length = fit.chain.curvatures[i], fit.chain.lengths[i]
    sign = np.sign(kappa)
    bend = np.zeros(len(know.cov))
    bend[4 + 3 * i] = 1.0
    tangent, across = unit(where.before[i]), unit(where.before[i] + np.pi / 2)
    centre = where.joints[i] + across / kappa
    begin = know.joints[i].copy()
    if i == 0 and not fit.chain.closed:
        begin[:, len(bend) - 5] = 0.0
    heading = know.headings[i]
    d_centre = begin - np.outer(tangent, heading) / kappa - np.outer(across, bend) / kappa**2
    d_turn = kappa * lengths[i] + length * bend
    start = where.before[i] - np.pi / 2 if sign > 0 else where.after[i] + np.pi / 2
    d_start = heading if sign > 0 else heading + d_turn
    if i == 0 and not fit.chain.closed:
        # The first foot slides along the arc: its heading turns with it where the arc starts there.
        slide = np.zeros(len(bend))
        slide[len(bend) - 5] = kappa
        d_start = d_start + slide
    d_normal = np.zeros((3, len(bend)))
    d_normal[:, -2:] = -frame.axes[:2].T
    values = [
        *frame.lifted(centre),
        *frame.axes[2],
        1 / abs(kappa),
        start % (2 * np.pi),
        abs(kappa) * length,
        length,
        kappa * length,
    ]
    slopes = [_lifted_slopes(centre, d_centre, frame), d_normal]
    slopes.append(np.stack([-sign * bend / kappa**2, d_start, sign * d_turn, lengths[i], d_turn]))
    return np.array(values), np.concatenate(slopes)


def path_feature(edge: Edge, fit: Fit, frame: Frame, know: Knowledge, labels: tuple[float, str]) -> Feature:
    """The path as one feature, with its degrees of freedom and name as `labels`; its tightest arc is its smallest radius."""
    dof, name = labels
    chain = fit.chain
    order, values = ["length"], [float(chain.lengths.sum())]
    slopes = [length_slopes(fit, len(know.cov)).sum(axis=0)]
    if chain.arcs.any():
        tight = int(np.argmax(np.abs(chain.curvatures)))
        bend = np.zeros(len(know.cov))
        kappa = chain.curvatures[tight]
        bend[4 + 3 * tight] = -np.sign(kappa) / kappa**2
        order, values, slopes = [*order, "smallest_radius"], [*values, 1 / abs(kappa)], [*slopes, bend]
    gain = np.array(slopes)
    return Feature(
        name=name,
        kind="path",
        order=tuple(order),
        values=np.array(values),
        cov_own=gain @ know.cov @ gain.T,
        shared=know.shared @ gain.T,
        shared_names=know.shared_names,
        dof=dof,
        points=len(edge.xy),
        rms=float(np.sqrt(np.mean(fit.residuals**2))),
        segments=segment_features(fit, frame, know, dof, name),
        closed=chain.closed,
    )
