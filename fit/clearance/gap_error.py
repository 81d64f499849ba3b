"""U95 of a smallest gap between two noisy clouds.

What is meant by the true gap: the smallest distance between the true places of the same points. The smallest distance
of noisy points comes out too small where many pairs compete, the more so the denser the clouds; so the interval is not
that of one pair. Three things are done about it:

1. Around the closest places the points' heights along the gap are split into a smooth surface and what deviates from
   it (`fit.clearance.local_surface`); deviations that the noise explains are taken out (empirical Bayes, Efron & Morris,
   JASA 70 (1975) 311). A point's own error so averages over its neighbours; what all share does not.
2. The lowest place of surfaces that are themselves uncertain is too low. How much, and how uncertain it is, is read off
   worlds: surfaces that might be the true ones, measured and averaged anew.
3. Places apart that cannot be told from the lowest are drawn together, and what choosing among them costs is read off
   worlds in which they stand level, where it costs most.

U95 is the half-width about the gap as measured that holds 95 % of the draws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from fit.clearance.local_surface import balanced, surface_through, worlds
from fit.clearance.spheretree import SphereTree, points_within
from fit.points import FloatArray

__all__ = ["GapError", "Side", "gap_error", "symmetric_halfwidth"]

_PAIRS, _PLACES = 200, 4
_REACHES = (3.6, 2.6, 1.9)
_SEED = 20260


@dataclass(frozen=True, eq=False, slots=True)
class Side:
    """One cloud as a tree, with the noise (N,) mm of each point in tree order."""

    tree: SphereTree
    noise: FloatArray


@dataclass(frozen=True, slots=True)
class GapError:
    """u95 : half-width about the measured gap that holds the true one, mm. bias : how much too small the points make
    the gap look, mm. u : standard deviation of the draws and all shared parts, mm."""

    u95: float
    bias: float
    u: float


@dataclass(frozen=True, eq=False, slots=True)
class _Layer:
    """Points of one side that compete for the smallest gap.

    across : (n, 2) mm, places across the gap. mean : (n,) mm, heights towards the other side. true, seen : (DRAWS, n)
    mm, heights as they may be and as they would be found if so; (1, n) where that is the same in all draws.
    common : variance (mm²) of the errors that all of them share. noise : mm, of each by itself.
    pulled : height that is left of the closest point, which was measured as 0, mm.
    smooth : whether a smooth surface runs through them; where none does, all that compete may stand level.
    """

    across: FloatArray
    mean: FloatArray
    true: FloatArray
    seen: FloatArray
    common: float
    noise: float
    pulled: float
    smooth: bool

    def lift(self, rivals: int) -> float:
        """How much lower still (mm) the closest point may stand, if it is the highest of so many level ones."""
        return 0.0 if self.smooth else max(0.0, _highest_of(rivals) * self.noise + self.pulled)


def gap_error(
    sides: tuple[Side, Side],
    pose: tuple[FloatArray, FloatArray],
    pairs: Sequence[tuple[float, int, int]],
    shared: float,
) -> GapError | None:
    """U95 of the smallest gap at one pose; None where the noise of a point is not known.

    pairs are (distance, fixed, moving) in tree order, the closest first, the others the closest of further regions that
    come within reach; shared is the variance (mm²) that shared errors and the motion add.
    """
    if any(np.isnan(sides[0].noise[f]) or np.isnan(sides[1].noise[m]) for _, f, m in pairs):
        return None
    measured = pairs[0][0]
    rng = np.random.default_rng(_SEED)
    noise = math.hypot(sides[0].noise[pairs[0][1]], sides[1].noise[pairs[0][2]])
    crowd = sum(distance <= measured + 4.0 * noise for distance, _, _ in pairs)
    first = _true_gaps(sides, pose, pairs[0][1:], crowd, rng)
    further = _separate(sides, pairs) if first.smooth else [pair[1:] for pair in pairs]
    place = _lowest([first, *(_true_gaps(sides, pose, pair, crowd, rng) for pair in further[1:_PLACES])])
    bias = float(place.draws.mean()) - measured
    spread = math.sqrt(float(place.draws.var()) + place.common + shared)
    misses, apart = place.draws - measured, math.sqrt(place.common + shared)
    u95 = max(symmetric_halfwidth(misses, apart), symmetric_halfwidth(misses + place.lift, apart))
    return GapError(u95, bias, spread)


@dataclass(frozen=True, eq=False, slots=True)
class _Place:
    """One place where the parts come near: draws (DRAWS,) mm of its true gap, variance (mm²) of what all its points share,
    how much larger the gap may be yet (mm), and whether both surfaces are smooth there."""

    draws: FloatArray
    common: float
    lift: float
    smooth: bool


def _lowest(places: list[_Place]) -> _Place:
    """The lowest of several places; smooth ones that cannot be told from the lowest are levelled first.

    How far the lowest found misses the lowest there is, is told by worlds in which all stand level, where it misses most.
    """
    means = np.array([place.draws.mean() for place in places])
    width = np.array([math.sqrt(float(place.draws.var()) + place.common) for place in places])
    low = int(np.argmin(means))
    alike = means - means[low] <= 2.5 * np.hypot(width, width[low])
    alike &= np.array([place.smooth for place in places])
    if not places[low].smooth or alike.sum() < 2:
        return places[low]
    draws = np.stack([place.draws for place, near in zip(places, alike, strict=True) if near])
    mean, own2 = draws.mean(axis=1, keepdims=True), draws.var(axis=1, keepdims=True) + 1e-18
    level = float(_levelled(mean, own2).min())
    return replace(places[low], draws=level - _levelled(mean - draws, own2).min(axis=0))


def _levelled(found: FloatArray, own2: FloatArray) -> FloatArray:
    """Gaps (K, n) found at K places, drawn towards their mean as far as their noise (variances (K, 1)) explains that
    they differ; what is left is estimated from them (DerSimonian & Laird, Controlled Clinical Trials 7 (1986) 177).
    """
    weight = 1.0 / own2
    mean = (weight * found).sum(axis=0) / weight.sum()
    excess = (weight * (found - mean) ** 2).sum(axis=0) - (len(found) - 1)
    apart2 = np.maximum(0.0, excess / float(weight.sum() - (weight**2).sum() / weight.sum()))
    return np.asarray(mean + apart2 / (apart2 + own2) * (found - mean))


def _separate(sides: tuple[Side, Side], pairs: Sequence[tuple[float, int, int]]) -> list[tuple[int, int]]:
    """The closest pairs that lie in places apart, so that no place counts twice."""
    chosen: list[tuple[int, int]] = []
    for _, f, m in pairs:
        if all(_apart(sides[0].tree, f, g) or _apart(sides[1].tree, m, n) for g, n in chosen):
            chosen.append((f, m))
    return chosen


def _apart(tree: SphereTree, one: int, other: int) -> bool:
    reach = _REACHES[0] * max(tree.leaf_radius(one), tree.leaf_radius(other))
    return bool(np.linalg.norm(tree.xyz[one] - tree.xyz[other]) > reach)


def symmetric_halfwidth(misses: FloatArray | float, spread: float) -> float:
    """Half-width U that holds 95 % of N(miss, spread²), each of the misses (n,) as likely as the other."""
    from scipy.special import ndtr

    sizes = np.abs(np.atleast_1d(misses))
    low, high, spread = 0.0, float(sizes.max()) + 3.0 * spread + 1e-15, spread + 1e-12
    for _ in range(40):
        middle = 0.5 * (low + high)
        inside = float(np.mean(ndtr((middle - sizes) / spread) - ndtr((-middle - sizes) / spread)))
        low, high = (low, middle) if inside >= 0.95 else (middle, high)
    return high


def _true_gaps(
    sides: tuple[Side, Side],
    pose: tuple[FloatArray, FloatArray],
    pair: tuple[int, int],
    crowd: int,
    rng: np.random.Generator,
) -> _Place:
    """Draws of the true smallest gap around one pair, one of a crowd of places that compete."""
    turn, shift = pose
    p = sides[0].tree.xyz[pair[0]]
    q = turn @ sides[1].tree.xyz[pair[1]] + shift
    frame = _across_frame(q - p, (_normal(sides[0].tree, pair[0]), _normal(sides[1].tree, pair[1], turn)))
    fixed = _layer(sides[0], pair[0], frame, rng)
    moving = _layer(sides[1], pair[1], frame @ turn * np.array([[-1.0], [1.0], [1.0]]), rng)
    drawn, lift = _smallest(fixed, moving, frame @ (q - p), crowd)
    return _Place(drawn, fixed.common + moving.common, lift, fixed.smooth and moving.smooth)


def _normal(tree: SphereTree, point: int, turn: FloatArray | None = None) -> tuple[float, FloatArray]:
    """How unlike a plane the points around one are (0 is flat), and the normal of their plane, turned along."""
    near = tree.xyz[points_within(tree, tree.xyz[point], _REACHES[0] * tree.leaf_radius(point), 1000)]
    if len(near) < 8:
        return math.inf, np.zeros(3)
    size, rows = np.linalg.svd(near - near.mean(axis=0), full_matrices=False)[1:]
    return float(size[2] / max(size[1], 1e-300)), rows[2] if turn is None else turn @ rows[2]


def _across_frame(apart: FloatArray, normals: tuple[tuple[float, FloatArray], tuple[float, FloatArray]]) -> FloatArray:
    """Axes (3, 3) whose first row points from the fixed to the moving side: square to the flatter surface, since the
    direction of the closest of many noisy pairs is itself noise; the pair's own direction where neither is flat."""
    flatness, normal = min(normals, key=lambda item: item[0])
    along = apart / max(float(np.linalg.norm(apart)), 1e-300)
    if not along.any():
        along = np.array([0.0, 0.0, 1.0])
    if flatness < 0.3 and abs(float(normal @ along)) > 0.7:
        along = normal * math.copysign(1.0, float(normal @ along))
    frame = np.linalg.svd(along[None])[2]
    frame[0] = along
    return frame


def _smallest(fixed: _Layer, moving: _Layer, apart: FloatArray, crowd: int) -> tuple[FloatArray, float]:
    """Draws of the true smallest distance, over each point's nearest partner after the noise is taken out; and the lift.

    The lowest place of a surface that is itself uncertain is too low. How far the smallest distance seen in a world
    misses the true one of that world is how far it misses here (Efron & Tibshirani, An Introduction to the Bootstrap,
    1993, 10.3).
    """
    side = fixed.across[:, None, :] - (moving.across + apart[1:])[None]
    square = np.einsum("ijk,ijk->ij", side, side)
    mean = np.sqrt(square + (apart[0] - fixed.mean[:, None] - moving.mean[None]) ** 2)
    low = float(mean.min())
    rivals = mean <= low + 4.0 * math.hypot(fixed.noise, moving.noise)
    lift = fixed.lift(crowd * int(rivals.any(axis=1).sum())) + moving.lift(crowd * int(rivals.any(axis=0).sum()))
    partners = np.zeros(mean.shape, bool)
    partners[np.arange(len(mean)), mean.argmin(axis=1)] = True
    partners[mean.argmin(axis=0), np.arange(mean.shape[1])] = True
    i, j = np.nonzero(partners & (mean <= np.sort(mean[partners])[:_PAIRS][-1]))

    def lowest(f: FloatArray, m: FloatArray) -> FloatArray:
        return np.asarray(np.sqrt((square[i, j] + (apart[0] - f[:, i] - m[:, j]) ** 2).min(axis=1)))

    return low + lowest(fixed.true, moving.true) - lowest(fixed.seen, moving.seen), lift


def _layer(side: Side, point: int, frame: FloatArray, rng: np.random.Generator) -> _Layer:
    """The points around one that compete with it; frame's first row points towards the other side."""
    sigma = float(side.noise[point])
    for reach in _REACHES:
        local, near = _around(side.tree, point, frame, reach, sigma)
        smooth = surface_through(local[:, 0], local[:, 1:], sigma)
        if smooth.shrink == 1.0:
            level = smooth.root[near] @ smooth.kept
            true, seen = (factors @ smooth.root[near].T for factors in worlds(smooth, rng))
            return _Layer(local[near, 1:], level, true, seen, smooth.common, sigma, 0.0, True)
    level = smooth.root @ smooth.kept
    mean = (level + (1.0 - smooth.shrink) * (local[:, 0] - level))[near]
    true = mean + math.sqrt(1.0 - smooth.shrink) * sigma * balanced(rng, len(mean))
    pulled = float(mean[int(np.argmin(np.abs(local[near]).sum(axis=1)))])
    return _Layer(local[near, 1:], mean, true, mean[None], smooth.common, sigma, pulled, False)


def _highest_of(count: int) -> float:
    """Expected largest of so many standard normal draws (Blom, Statistical Estimates and Transformed Beta-Variables,
    1958).
    """
    return NormalDist().inv_cdf((count - 0.375) / (count + 0.25)) if count > 1 else 0.0


def _around(
    tree: SphereTree, point: int, frame: FloatArray, reach: float, sigma: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Height and place across (n, 3) of the points around one, and which of them are near enough to compete."""
    radius = max(reach * tree.leaf_radius(point), 1e-9)
    local = (tree.xyz[points_within(tree, tree.xyz[point], radius, 1000)] - tree.xyz[point]) @ frame.T
    local = local[local[:, 0] >= -max(10.0 * sigma, 0.35 * radius)]
    return local, np.linalg.norm(local[:, 1:], axis=1) <= 0.6 * radius
