"""U95 of a smallest gap between two noisy clouds.

What is meant by the true gap: the smallest distance between the true places of the same points. The smallest distance
of noisy points comes out too small where many pairs compete, the more so the denser the clouds; so the interval is not
that of one pair. Around the closest places the points' heights along the gap are split into a smooth surface and what
deviates from it; deviations that the noise explains are taken out (empirical Bayes, Efron & Morris, JASA 70 (1975)
311), the true gap is drawn many times from what is left, and U95 is the half-width about the gap as measured that
holds 95 % of the draws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from fit.clearance.spheretree import SphereTree, points_within
from fit.points import FloatArray

__all__ = ["GapError", "Side", "gap_error", "symmetric_halfwidth"]

DRAWS = 300
_PAIRS, _PLACES = 200, 4
_REACHES = (3.6, 2.6, 1.9)
_TERMS = (1, 3, 6, 7, 11, 15)
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

    across : (n, 2) mm, places across the gap. drawn : (DRAWS, n) mm, heights towards the other side. mean : (n,) mm.
    common : variance (mm²) of the errors that all of them share. noise : mm, of each by itself.
    pulled : height that is left of the closest point, which was measured as 0, mm.
    smooth : whether a smooth surface runs through them; where none does, all that compete may stand level.
    """

    across: FloatArray
    mean: FloatArray
    drawn: FloatArray
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
    place = _lowest([_true_gaps(sides, pose, (f, m), crowd, rng) for _, f, m in pairs[:_PLACES]])
    bias = float(place.draws.mean()) - measured
    spread = math.sqrt(float(place.draws.var()) + place.common + shared)
    u95 = max(symmetric_halfwidth(bias, spread), symmetric_halfwidth(bias + place.lift, spread))
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
    """The lowest of several places.

    Smooth places that cannot be told from the lowest are taken as one level, since the lowest of several noisy levels is
    too low.
    """
    means = np.array([place.draws.mean() for place in places])
    width = np.array([math.sqrt(float(place.draws.var()) + place.common) for place in places])
    low = int(np.argmin(means))
    alike = means - means[low] <= 2.5 * np.hypot(width, width[low])
    alike &= np.array([place.smooth for place in places]) & places[low].smooth
    shift = float(np.mean(means[alike])) - means[low] if alike.any() else 0.0
    return replace(places[low], draws=places[low].draws + shift)


def symmetric_halfwidth(bias: float, spread: float) -> float:
    """Half-width U with P(|N(bias, spread²)| <= U) = 0.95."""
    low, high = 0.0, abs(bias) + 3.0 * spread + 1e-15
    for _ in range(60):
        middle = 0.5 * (low + high)
        width = spread * math.sqrt(2.0) + 1e-300
        inside = 0.5 * (math.erf((middle - bias) / width) + math.erf((middle + bias) / width))
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
    """Smallest distance of each draw, over the pairs that are nearest after the noise is taken out; and the lift.

    The lowest place of a surface that is itself uncertain is too low; the draws about it show by how much, and are
    turned round it to take that out (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, 10.3).
    """
    side = fixed.across[:, None, :] - (moving.across + apart[1:])[None]
    square = np.einsum("ijk,ijk->ij", side, side)
    mean = np.sqrt(square + (apart[0] - fixed.mean[:, None] - moving.mean[None]) ** 2)
    low = float(mean.min())
    rivals = mean <= low + 4.0 * math.hypot(fixed.noise, moving.noise)
    lift = fixed.lift(crowd * int(rivals.any(axis=1).sum())) + moving.lift(crowd * int(rivals.any(axis=0).sum()))
    nearest = np.argsort(mean, axis=None)[:_PAIRS] if mean.size > _PAIRS else np.arange(mean.size)
    i, j = np.unravel_index(nearest, mean.shape)
    height = apart[0] - fixed.drawn[:, i] - moving.drawn[:, j]
    drawn = np.sqrt((square[i, j] + height**2).min(axis=1))
    return 2.0 * low - drawn if fixed.smooth and moving.smooth else drawn, lift


def _layer(side: Side, point: int, frame: FloatArray, rng: np.random.Generator) -> _Layer:
    """The points around one that compete with it; frame's first row points towards the other side."""
    sigma = float(side.noise[point])
    for reach in _REACHES:
        local, near = _around(side.tree, point, frame, reach, sigma)
        smooth = _smooth(local[:, 0], local[:, 1:], sigma)
        if smooth.shrink == 1.0:
            drawn = smooth.level[near] + _balanced(rng, smooth.root.shape[1]) @ smooth.root[near].T
            return _Layer(local[near, 1:], smooth.level[near], drawn, smooth.common, sigma, 0.0, True)
    mean = (smooth.level + (1.0 - smooth.shrink) * (local[:, 0] - smooth.level))[near]
    drawn = mean + math.sqrt(1.0 - smooth.shrink) * sigma * _balanced(rng, len(mean))
    pulled = float(mean[int(np.argmin(np.abs(local[near]).sum(axis=1)))])
    return _Layer(local[near, 1:], mean, drawn, smooth.common, sigma, pulled, False)


def _balanced(rng: np.random.Generator, count: int) -> FloatArray:
    """Standard normal draws (DRAWS, count), each with its opposite and scaled to a spread of just one."""
    half = rng.normal(size=(DRAWS // 2, count))
    half /= np.sqrt(np.mean(half**2, axis=0))
    return np.concatenate([half, -half])


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


@dataclass(frozen=True, eq=False, slots=True)
class _Smooth:
    """level : (n,) mm. root : (n, p) mm, its errors. common : variance (mm²) of an error of all the points. shrink :
    share of each deviation that is noise, 1 where the noise explains all of it."""

    level: FloatArray
    root: FloatArray
    common: float
    shrink: float


def _smooth(height: FloatArray, across: FloatArray, sigma: float) -> _Smooth:
    """Smooth surface through heights, an average over polynomials of 1 to 15 terms.

    No surface is one of these, so none is chosen: each counts by exp(-AIC / 2), and what they differ by is an error
    like the others (Burnham & Anderson, Model Selection and Multimodel Inference, 2002, 4.2). The closest point
    itself, the origin, is left out: it was chosen for its error. Points that scatter less than stated are wrong
    together: the rest of the stated variance is common.
    """
    count = len(height)
    if sigma == 0.0 or count < 7:
        return _Smooth(height, np.zeros((count, 1)), 0.0, float(sigma == 0.0))
    powers = _powers(across / max(float(np.abs(across).max(initial=0.0)), 1e-12))
    others = (height != 0.0) | across.any(axis=1)
    fits = [_fit(powers[:, :terms], height, others) for terms in _TERMS if count >= terms + 6]
    score = np.array([square / sigma**2 + 2.0 * root.shape[1] for _, root, square in fits])
    best = fits[int(np.argmin(score))]
    dof = count - 1 - best[1].shape[1]
    scatter, slack = best[2] / dof, 2.5 * math.sqrt(2.0 / dof)
    own2 = scatter if scatter < sigma**2 * max(1.0 - slack, 0.0) else sigma**2
    level, root = _averaged(fits, score, own2)
    shrink = 1.0 if scatter <= own2 * (1.0 + slack) else own2 / scatter
    return _Smooth(level, root, sigma**2 - own2, shrink)


def _powers(across: FloatArray) -> FloatArray:
    """(n, 15) terms up to the fourth order; the round bowl goes before the cubics, as balls and tubes need it."""
    u, v = across.T
    powers = [u ** (total - k) * v**k for total in range(5) for k in range(total + 1)][:-1]
    return np.stack([*powers[:6], (u**2 + v**2) ** 2, *powers[6:]], axis=1)


def _averaged(
    fits: list[tuple[FloatArray, FloatArray, float]], score: FloatArray, own2: float
) -> tuple[FloatArray, FloatArray]:
    """Level (n,) and root of its covariance (n, p), mm, of fits weighted by exp(-score / 2)."""
    share = np.exp(-0.5 * (score - score.min()))
    share /= share.sum()
    level = np.asarray(np.sum([part * fit[0] for part, fit in zip(share, fits, strict=True)], axis=0))
    roots = [math.sqrt(part * own2) * fit[1] for part, fit in zip(share, fits, strict=True)]
    apart = [math.sqrt(part) * (fit[0] - level)[:, None] for part, fit in zip(share, fits, strict=True)]
    return level, np.concatenate([*roots, *apart], axis=1)


def _fit(design: FloatArray, height: FloatArray, others: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, float]:
    """Least-squares surface through the other points: level, root of its covariance for unit noise, sum of squared
    deviations.
    """
    upper = np.asarray(np.linalg.qr(design[others])[1])
    root = (
        np.linalg.solve(upper.T, design.T).T if np.abs(np.diag(upper)).min() > 1e-9 else np.ones((len(height), 1)) * 1e3
    )
    level = root @ (root[others].T @ height[others])
    return level, root, float(np.sum((height - level)[others] ** 2))
