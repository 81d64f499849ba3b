"""Fillets that a path cut short: where two pieces meet at a sharp corner that the points beside it do not go into.

Where little shows of a small bend, a path takes its few points for strays. A sharp corner has points up to its tip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.paths import PathFit, Pieces, fit_path
from fit.paths.chain import layout, unit, wrap
from fit.points import FloatArray, Points

__all__ = ["filleted"]

_SHARP = math.radians(20.0)
_RADII_MM: FloatArray = np.geomspace(0.5, 25.0, 40)
_REACH_MM, _SHARE = 12.0, 0.8
"""Points so near to a corner tell of it, and a fillet takes up to such a share of that way or of a shorter piece."""
_OFF_MM, _PLAIN, _ON_ARC = 0.08, 5.0, 4
"""What points are usually off by; how much better, by the log of their likelihood, a fillet must explain them; and on its
arc there must be so many."""
_NEAR_MM = 0.3
_ROUNDS, _MET_MM = 6, 1e-11
"""Most steps towards a circle that touches both pieces, and the miss, mm, at which it does."""


@dataclass(frozen=True, eq=False, slots=True)
class _Way:
    """A piece gone along through a corner: the corner (2,), heading there, curvature, length; circles and lines run on."""

    corner: FloatArray
    heading: float
    curvature: float
    length: float

    def seen_from(self, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How far places (N, 2) lie to its left, and how far along it from the corner their feet lie, mm."""
        along, left = unit(self.heading), unit(self.heading + math.pi / 2)
        a, b = (xy - self.corner) @ along, (xy - self.corner) @ left
        kappa, square = self.curvature, ((xy - self.corner) ** 2).sum(axis=-1)
        root = np.sqrt(np.maximum(1 - 2 * kappa * b + kappa**2 * square, 0.0))
        foot = np.arctan2(kappa * a, 1 - kappa * b) / kappa if kappa else a
        return (2 * b - kappa * square) / (1 + root), foot

    def heading_at(self, foot: float) -> float:
        return self.heading + self.curvature * foot

    def at(self, foot: float) -> FloatArray:
        """The place (2,) so far along it."""
        bend = self.curvature * foot / 2
        return np.asarray(self.corner + foot * np.sinc(bend / math.pi) * unit(self.heading + bend))


@dataclass(frozen=True, eq=False, slots=True)
class _Fillet:
    """centre (2,), signed radius, above zero to the left, and its tangent points (2, 2) and headings (2,) there."""

    centre: FloatArray
    radius: float
    joints: FloatArray
    headings: FloatArray


def filleted(
    path: PathFit, points: Points, weak: FloatArray, near: NDArray[np.bool_]
) -> tuple[PathFit, NDArray[np.bool_]]:
    """A path with each corner rounded off that points round off, and which points it is fitted to then (N,).

    points : (N,) all along the edge, in order. weak : (N,) factors on the noise that the path was fitted with. near : (N,)
    those that it was fitted to.
    """
    chain, flat = path.chain, path.frame.flat(points.xyz)[:, :2]
    if not chain.closed or len(chain) < 3:
        return path, near
    where = layout(chain)
    found: dict[int, _Fillet] = {}
    turns = wrap(where.before - np.roll(where.after, 1))
    for j in np.flatnonzero(chain.corners & (np.abs(turns) > _SHARP)).tolist():
        before, after = (
            _Way(where.joints[j], float(heading[i]), float(chain.curvatures[i]), float(chain.lengths[i]))
            for i, heading in ((j - 1, where.after), (j, where.before))
        )
        fillet = _best_fillet(before, after, flat)
        if fillet is not None:
            found[j] = fillet
    if not found:
        return path, near
    for fillet in found.values():
        nowhere = np.full(len(flat), np.inf)
        off, on_arc = _off(fillet, flat, (nowhere, nowhere))
        beside = on_arc & (np.hypot(*(flat - fillet.centre).T) < 2 * abs(fillet.radius))
        near = np.where(beside, np.abs(off) < _NEAR_MM, near)
    told = replace(points, noise=path.noise * weak).select(near)
    return _fitted_with(path, told, found), near


def _best_fillet(before: _Way, after: _Way, xy: FloatArray) -> _Fillet | None:
    """The fillet that explains the points near a corner much better than the corner does, if any does."""
    reach = min(_REACH_MM, before.length, after.length)
    near = xy[((xy - before.corner) ** 2).sum(axis=1) < reach**2]
    (left, _), (right, _) = before.seen_from(near), after.seen_from(near)
    past = (near - before.corner) @ (unit(before.heading) + unit(after.heading)) > 0
    best, least = None, _cost(np.where(past, right, left)) - _PLAIN
    for radius in _RADII_MM:
        fillet = _tangent(before, after, float(radius), _SHARE * reach)
        if fillet is None:
            break
        off, on_arc = _off(fillet, near, (left, right))
        if _cost(off) < least and (on_arc & (np.abs(off) < 2 * _OFF_MM)).sum() >= _ON_ARC:
            best, least = fillet, _cost(off)
    return best


def _cost(off: FloatArray) -> float:
    return float(np.log1p((off / _OFF_MM) ** 2).sum())


def _off(fillet: _Fillet, xy: FloatArray, ways: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """How far places (N, 2) lie off a fillet and the pieces beside it, and which lie beside its arc."""
    ahead = (xy - fillet.centre) @ unit(fillet.headings).T
    before, past = ahead[:, 0] <= 0, ahead[:, 1] >= 0
    off = np.hypot(*(xy - fillet.centre).T) - abs(fillet.radius)
    return np.where(before, ways[0], np.where(past, ways[1], off)), ~before & ~past


def _tangent(before: _Way, after: _Way, radius: float, most: float) -> _Fillet | None:
    """The fillet of a radius between two ways; None where it takes more than `most` mm of one of them."""
    turn = (after.heading - before.heading + math.pi) % (2 * math.pi) - math.pi
    signed = math.copysign(radius, turn)
    inward = unit(before.heading + turn / 2 + math.copysign(math.pi / 2, turn))
    centre = before.corner + radius / math.cos(turn / 2) * inward
    for _ in range(_ROUNDS):
        told = [way.seen_from(centre) for way in (before, after)]
        feet = [float(foot) for _, foot in told]
        headings = np.array([way.heading_at(foot) for way, foot in zip((before, after), feet, strict=True)])
        miss = np.array([float(left) for left, _ in told]) - signed
        if np.abs(miss).max() < _MET_MM:
            break
        try:
            centre = centre - np.linalg.solve(unit(headings + math.pi / 2), miss)
        except np.linalg.LinAlgError:
            return None
    if not (-most < feet[0] < 0 < feet[1] < most) or np.abs(miss).max() > _OFF_MM / 10:
        return None
    return _Fillet(centre, signed, np.array([before.at(feet[0]), after.at(feet[1])]), headings)


def _fitted_with(path: PathFit, points: Points, found: dict[int, _Fillet]) -> PathFit:
    """The path with these corners rounded off, through points near it; as it was where they hold no such path."""
    joints: list[FloatArray] = []
    curvatures: list[float] = []
    corners: list[bool] = []
    chain, places = path.chain, layout(path.chain).joints
    for j in range(len(chain)):
        fillet = found.get(j)
        joints += [places[j]] if fillet is None else list(fillet.joints)
        curvatures += [chain.curvatures[j]] if fillet is None else [1 / fillet.radius, chain.curvatures[j]]
        corners += [bool(chain.corners[j])] if fillet is None else [False, False]
    lifted = path.frame.lifted(np.array(joints))[:, :2]
    pieces = Pieces(lifted, np.array(curvatures), np.array(corners))
    try:
        return fit_path(points, closed=True, pieces=pieces, name=path.feature.name)
    except CannotDetermine:
        return path
