"""U95 of a smallest gap between two noisy clouds.

What is meant by the true gap: the smallest distance between the true places of the same points. The smallest distance
of noisy points comes out too small where many pairs compete, the more so the denser the clouds. U95 says how far: were
the parts measured again and again, 95 % of the smallest gaps found would lie within U95 of the true one. It is read off
worlds (parametric bootstrap; Efron & Tibshirani, An Introduction to the Bootstrap, 1993, 6.5):

1. Around the closest pair the points' heights along the gap are laid on smooth surfaces (`fit.clearance.patch`), for heights
   with noise left in them would compete too little.
2. In every world such surfaces are the true ones; they are measured with new noise, and the smallest gap found is taken
   from the true one. Measured surfaces keep some noise. What that does is told by laying surfaces through the worlds
   themselves, and taken off.
3. Beyond the patch other points come as near. How many times as many, is counted; so many patches, each with noise of
   its own, compete then (the largest of so many misses).

4. Errors that the points of a side share move all that competes together, and the smallest gap is taken anew; patches and
   count are those of parts as level as such errors may have hidden (`fit.clearance.crowd`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.clearance.crowd import Crowd, crowd_of
from fit.clearance.local_surface import DRAWS, balanced
from fit.clearance.patch import MOST_NEAR, Patch, Side, flattest_normal, patch_around
from fit.clearance.shared_moves import Moves
from fit.clearance.spheretree import ClosestPair
from fit.points import FloatArray

__all__ = ["Dice", "GapError", "Side", "gap_error", "symmetric_halfwidth", "throw_dice"]

_SEED = 20260
_ASKED, _COUNTED = 4000, 60
_MOST_COPIES = 64
_COMPETE = 7.0
_EVERY, _FITS = 10, 40
_STEADY = 4.3
"""Reduced variate below which the order of the draws is trusted: about one draw in 75 lies beyond."""
_PAIRED_ANEW = (DRAWS // 3, 2 * DRAWS // 3)
"""The draws of one side are used thrice, each time beside others of the other side: a cheap way to more worlds."""


@dataclass(frozen=True, eq=False, slots=True)
class Dice:
    """Standard normal draws (DRAWS, MOST_NEAR) of each side's points and (DRAWS, K) of the sources that points share: the
    same at every pose, so thrown once."""

    fixed: FloatArray
    moving: FloatArray
    shared: FloatArray


@dataclass(frozen=True, slots=True)
class GapError:
    """u95 : half-width about the measured gap that holds the true one, mm. bias : how much too small the points make
    the gap look, mm. u : standard deviation of the misses and all shared parts, mm."""

    u95: float
    bias: float
    u: float


def throw_dice(sources: int = 0) -> Dice:
    """The draws of a whole sweep with at most so many shared sources."""
    rng = np.random.default_rng(_SEED)
    return Dice(balanced(rng, MOST_NEAR), balanced(rng, MOST_NEAR), balanced(rng, sources))


def gap_error(
    sides: tuple[Side, Side],
    pose: tuple[FloatArray, FloatArray],
    pair: ClosestPair,
    moves: Moves,
    dice: Dice,
) -> GapError | None:
    """U95 of the smallest gap at one pose; None where the noise of the closest points is not known.

    moves tell what shared errors and the motion do to any pair.
    """
    if np.isnan(sides[0].noise[pair.fixed]) or np.isnan(sides[1].noise[pair.moving]):
        return None
    noise = math.hypot(sides[0].noise[pair.fixed], sides[1].noise[pair.moving])
    crowd = crowd_of((sides[0].tree, sides[1].tree), pose, pair, moves, dice.shared, noise)
    contest = _contest(sides, pose, crowd).narrowed()
    misses, doubt = _misses(contest, dice, sides, pose, crowd)
    misses = misses + np.resize(crowd.misses, len(misses))
    common = contest.fixed.common + contest.moving.common + crowd.variance + doubt
    u95 = symmetric_halfwidth(misses, math.sqrt(common))
    return GapError(u95, float(misses.mean()), math.sqrt(float(misses.var()) + common))


def symmetric_halfwidth(misses: FloatArray | float, spread: float) -> float:
    """Half-width U that holds 95 % of N(miss, spread²), each of the misses (n,) as likely as the other."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    sizes, spread = np.abs(np.atleast_1d(misses)), spread + 1e-12

    def missed(half: float) -> float:
        return 0.05 - float(np.mean(ndtr((sizes - half) / spread) + ndtr((-sizes - half) / spread)))

    return float(brentq(missed, 0.0, float(sizes.max()) + 6.0 * spread, xtol=1e-9))


@dataclass(frozen=True, eq=False, slots=True)
class _Contest:
    """Both patches and what is between them: apart and aside, mm along and across the gap; pairs that compete, as
    `world_kernels.partners` gives them."""

    fixed: Patch
    moving: Patch
    apart: float
    aside: FloatArray
    pairs: tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]

    def smallest(self, fixed: FloatArray, moving: FloatArray) -> FloatArray:
        """Smallest gap (n,) mm of worlds with these heights of both sides."""
        from fit.clearance import world_kernels

        gaps: FloatArray = world_kernels.smallest_gaps(fixed, moving, self.pairs, self.apart)
        return gaps

    def narrowed(self) -> _Contest:
        """Without the points that have no part in any pair that competes."""
        start, which, aside = self.pairs
        runs = np.diff(start)
        on_fixed, which = np.unique(which, return_inverse=True)
        on_moving = np.flatnonzero(runs)
        start = np.concatenate([[0], np.cumsum(runs[on_moving])])
        fixed, moving = self.fixed.only(on_fixed), self.moving.only(on_moving)
        return replace(self, fixed=fixed, moving=moving, pairs=(start, which, aside))


def _contest(sides: tuple[Side, Side], pose: tuple[FloatArray, FloatArray], crowd: Crowd) -> _Contest:
    """Patches about the closest pair, along a direction that noise does not choose: square to the flatter surface, else
    along the gap of the smoothed points."""
    (turn, shift), pair = pose, crowd.pair
    between = turn @ sides[1].tree.xyz[pair.moving] + shift - sides[0].tree.xyz[pair.fixed]
    normals = flattest_normal(sides[0].tree, pair.fixed), flattest_normal(sides[1].tree, pair.moving, turn)
    flatness, normal = min(normals, key=lambda item: item[0])
    along = between / max(float(np.linalg.norm(between)), 1e-300)
    along = along if along.any() else np.array([0.0, 0.0, 1.0])
    if flatness < 0.3 and abs(float(normal @ along)) > 0.7:
        return _contest_along(sides, turn, crowd, between, normal * math.copysign(1.0, float(normal @ along)))
    first = _contest_along(sides, turn, crowd, between, along)
    return _contest_along(sides, turn, crowd, between, _smoothed_direction(first, along))


def _contest_along(
    sides: tuple[Side, Side], turn: FloatArray, crowd: Crowd, between: FloatArray, along: FloatArray
) -> _Contest:
    from fit.clearance import world_kernels

    frame = _frame(along)
    fixed = patch_around(sides[0], crowd.pair.fixed, frame)
    moving = patch_around(sides[1], crowd.pair.moving, frame @ turn * np.array([[-1.0], [1.0], [1.0]]))
    fixed, moving = (patch.lifted(crowd.lift(patch.points, k, along)) for k, patch in enumerate((fixed, moving)))
    apart = frame @ between
    reach = _COMPETE * math.hypot(fixed.noise, moving.noise) + 1e-12
    pairs = world_kernels.partners(
        (fixed.across, fixed.mean), (moving.across + apart[1:], moving.mean), float(apart[0]), reach
    )
    return _Contest(fixed, moving, float(apart[0]), apart[1:], pairs)


def _frame(along: FloatArray) -> FloatArray:
    """Axes (3, 3) whose first row is the direction given."""
    frame = np.linalg.svd(along[None])[2]
    frame[0] = along
    return np.asarray(frame)


def _smoothed_direction(contest: _Contest, along: FloatArray) -> FloatArray:
    """Unit vector of the smallest gap between the smoothed points."""
    offset = contest.moving.across + contest.aside
    start, which, aside = contest.pairs
    j = np.repeat(np.arange(len(contest.moving.mean)), np.diff(start))
    height = contest.apart - contest.fixed.mean[which] - contest.moving.mean[j]
    k = int(np.argmin(aside + height**2))
    local = np.append(height[k], offset[j[k]] - contest.fixed.across[which[k]])
    size = float(np.linalg.norm(local))
    return np.asarray(local @ _frame(along) / size) if size > 0 else along


def _misses(
    contest: _Contest, dice: Dice, sides: tuple[Side, Side], pose: tuple[FloatArray, FloatArray], crowd: Crowd
) -> tuple[FloatArray, float]:
    """How much too small (n,) mm the gap is found, world by world, over all points that compete; and the variance (mm²) of
    that figure's own doubt."""
    fixed, moving = contest.fixed, contest.moving
    rng = np.random.default_rng(_SEED)
    f, m = fixed.heights(rng), moving.heights(rng)
    noise = fixed.noise * dice.fixed[:, : len(fixed.mean)], moving.noise * dice.moving[:, : len(moving.mean)]
    seen = f.true + noise[0], m.true + noise[1]
    true, found = contest.smallest(f.true, m.true), contest.smallest(*seen)
    more = [contest.smallest(seen[0], m.true + np.roll(noise[1], step, axis=0)) for step in _PAIRED_ANEW]
    if fixed.noise == moving.noise == 0.0:
        return true - found, 0.0
    again = contest.smallest(f.seen, m.seen) - contest.smallest(f.seen + noise[0], m.seen + noise[1])
    left = float(np.mean(true - found - again))
    copies = _copies(contest, seen, float(found.max()), sides, pose, crowd)
    is_rough = fixed.stray > 0.0 or moving.stray > 0.0
    true, found = np.tile(true, 1 + len(more)), np.concatenate([found, *more])
    misses = _of_rough(true, found, copies) if is_rough else _largest_of(true - found, copies)
    return misses + left, _doubt(contest, (f.fits, m.fits), noise)


def _doubt(contest: _Contest, fits: tuple[FloatArray, FloatArray], noise: tuple[FloatArray, FloatArray]) -> float:
    """Variance (mm²) of the misses' mean between surfaces that a fit might have found."""
    some = [draws[: DRAWS // 2 : _EVERY] for draws in noise]
    means = []
    for f, m in zip(*(heights[::_FITS] for heights in fits), strict=True):
        true, found = contest.smallest(f[None], m[None]), contest.smallest(f + some[0], m + some[1])
        means.append(float(true[0] - found.mean()))
    return float(np.var(means))


def _copies(
    contest: _Contest,
    seen: tuple[FloatArray, FloatArray],
    limit: float,
    sides: tuple[Side, Side],
    pose: tuple[FloatArray, FloatArray],
    crowd: Crowd,
) -> float:
    """How many such patches compete: points that come nearer than the limit, over what the patch alone brings."""
    from fit.clearance import world_kernels

    nodes = crowd.nodes, limit + crowd.farther
    hits, step = world_kernels.crowd(sides[0].tree.arrays, sides[1].tree.arrays, pose, nodes, _ASKED)
    beyond = step * int(np.count_nonzero(~np.isin(hits, contest.moving.points)))
    every = DRAWS // _COUNTED
    own = world_kernels.count_below(seen[0][::every], seen[1][::every], contest.pairs, contest.apart, limit)
    return 1.0 + beyond / max(own, 0.5)


def _largest_of(misses: FloatArray, copies: float) -> FloatArray:
    """Draws (n,) of the largest of so many misses. Beyond all but a few draws, whose places are chance, they lie on the line
    of the upper half in the reduced variate of extremes (Gumbel, Statistics of Extremes, 1958, 1.2.7), for normal noise
    rather too large than too small."""
    if copies == 1.0:
        return misses
    ordered = np.sort(misses)
    reduced = -np.log(-np.log((np.arange(len(misses)) + 0.5) / len(misses)))
    half = len(misses) // 2
    slope, start = np.polyfit(reduced[half:], ordered[half:], 1)
    wanted = reduced + math.log(copies)
    return np.asarray(np.where(wanted <= _STEADY, np.interp(wanted, reduced, ordered), start + slope * wanted))


def _of_rough(true: FloatArray, found: FloatArray, copies: float) -> FloatArray:
    """Misses where the metal is rough: another patch may bring another true smallest gap as well."""
    count = min(_MOST_COPIES, math.ceil(copies))
    picked = np.random.default_rng(_SEED).integers(0, len(true), (len(true), count))
    return np.asarray(true[picked].min(axis=1) - found[picked].min(axis=1))
