"""The points of one side around a closest pair: the surface they lie on, and worlds in which it might be the true one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.clearance.local_surface import DRAWS, SmoothSurface, surface_through, worlds
from fit.clearance.spheretree import SphereTree, points_within
from fit.points import FloatArray

__all__ = ["MOST_NEAR", "Heights", "Patch", "Side", "flattest_normal", "patch_around"]

MOST_NEAR = 1500
_MOST_FITTED = 2500
_REACHES = (10.0, 6.0, 3.6, 2.6, 1.9)
_WIDE = 2
_BESIDE, _ALIKE = 4, 0.25
_MOST_HALVINGS = 12


@dataclass(frozen=True, eq=False, slots=True)
class Side:
    """One cloud as a tree, with the noise (N,) mm of each point in tree order."""

    tree: SphereTree
    noise: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Heights:
    """Heights (DRAWS, n) mm towards the other side in many worlds: as they may be, as a fit would find them if so, and as
    a fit might have found them here (the same in all worlds where no fit smooths them)."""

    true: FloatArray
    seen: FloatArray
    fits: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """Points of one side that compete for the smallest gap.

    points : (n,) in tree order. across : (n, 2) mm, places across the gap. mean : (n,) mm, heights towards the other side.
    noise : mm, error of each by itself. common : variance (mm²) of the errors that all of them share.
    surface, root : the smooth surface they lie on and its terms (n, p) there; None where none runs through them.
    stray : mm, how far each deviates by itself where the metal is rough, else 0. lift : (n,) mm, added to the heights.
    """

    points: NDArray[np.int64]
    across: FloatArray
    mean: FloatArray
    noise: float
    common: float
    surface: SmoothSurface | None
    root: FloatArray
    stray: float
    lift: FloatArray

    def only(self, chosen: NDArray[np.int64]) -> Patch:
        """Some of its points."""
        rows = {key: getattr(self, key)[chosen] for key in ("points", "across", "mean", "root", "lift")}
        return replace(self, **rows)

    def lifted(self, lift: FloatArray) -> Patch:
        """The patch with its points brought so much (n,) mm nearer to the other side."""
        return replace(self, mean=self.mean + lift, lift=self.lift + lift)

    def heights(self, rng: np.random.Generator) -> Heights:
        """Worlds of these points. Rough metal strays anew in every world; about a corner nothing is smoothed, so that all
        noise is found in the points again."""
        if self.surface is not None:
            true, seen = (factors @ self.root.T + self.lift for factors in worlds(self.surface, rng))
            return Heights(true, seen, seen)
        fits = np.broadcast_to(self.mean, (DRAWS, len(self.mean)))
        draws = rng.normal(size=fits.shape)
        if self.stray > 0.0:
            true = fits + self.stray * draws
            return Heights(true, true, fits)
        return Heights(fits, fits + self.noise * draws, fits)


@dataclass(frozen=True, eq=False, slots=True)
class _Fit:
    """Places (n, 3) mm about the closest point, those of them near enough to compete, and the surface through all."""

    local: FloatArray
    near: NDArray[np.bool_]
    points: NDArray[np.int64]
    surface: SmoothSurface


def patch_around(side: Side, point: int, frame: FloatArray) -> Patch:
    """The points around one that compete with it; frame's first row points towards the other side.

    The patch is as wide as one smooth surface explains. Where none does, because the metal is rough, it is as wide as
    the points stray alike; about a sharp corner it is small, and each point keeps what the noise does not explain.
    """
    sigma, leaf = _noise_around(side, point), side.tree.leaf_radius(point)
    found = (_fit(side.tree, point, frame, max(reach * leaf, 1e-9), sigma) for reach in _REACHES)
    fits: list[_Fit] = []
    for fit in found:
        fits += [] if fit is None else [fit]
        if fits and fits[-1].surface.shrink == 1.0:
            break
    if not fits:
        fits = [_crowded(side.tree, point, frame, _REACHES[-1] * leaf, sigma)]
    wide = _as_wide_as_alike(fits)
    if wide is None:
        return _smooth(fits[-1]) if fits[-1].surface.shrink == 1.0 else _uneven(fits[-1], sigma, False)
    return _uneven(wide, sigma, True)


def _crowded(tree: SphereTree, point: int, frame: FloatArray, radius: float, sigma: float) -> _Fit:
    """Fit where the points beside the closest lie far denser than about it: over as many as one patch takes."""
    for _ in range(_MOST_HALVINGS):
        radius *= 0.5
        if (fit := _fit(tree, point, frame, radius, sigma)) is not None:
            return fit
    places = np.array([point])
    return _Fit(np.zeros((1, 3)), np.ones(1, bool), places, surface_through(np.zeros(1), np.zeros((1, 2)), sigma))


def _noise_around(side: Side, point: int) -> float:
    """Noise (mm) of the points around one, in the mean of squares; the closest alone tends to be the noisiest."""
    near = points_within(side.tree, side.tree.xyz[point], _REACHES[-1] * side.tree.leaf_radius(point), 200)
    known = side.noise[np.append(near, point)]
    return math.sqrt(float(np.mean(known[~np.isnan(known)] ** 2)))


def _fit(tree: SphereTree, point: int, frame: FloatArray, radius: float, sigma: float) -> _Fit | None:
    """Surface through the points within a radius, but for what lies behind the closest, as a sheet's other face, or in front,
    as a channel's other wall; None where they are too many for one patch."""
    points = points_within(tree, tree.xyz[point], radius, _MOST_FITTED)
    local = (tree.xyz[points] - tree.xyz[point]) @ frame.T
    kept = np.abs(local[:, 0]) <= max(10.0 * sigma, 0.35 * radius)
    near = np.linalg.norm(local[:, 1:], axis=1) <= 0.6 * radius
    if len(points) == _MOST_FITTED or np.count_nonzero(near & kept) > MOST_NEAR:
        return None
    local, near, points = local[kept], near[kept], points[kept]
    return _Fit(local, near, points, surface_through(local[:, 0], local[:, 1:], sigma))


def _as_wide_as_alike(fits: list[_Fit]) -> _Fit | None:
    """The widest fit over which points stray no more than over the smallest, each by itself; None where there is none."""
    smallest = fits[-1].surface.explained
    slack = 1.0 + 1.5 * math.sqrt(2.0 / max(8, len(fits[-1].local)))
    alike = [fit for fit in fits[:_WIDE] if fit.surface.shrink < 1.0 and 0.0 < smallest <= fit.surface.shrink * slack]
    return alike[0] if alike and len(fits) > _WIDE and _strays_singly(alike[0]) else None


def _strays_singly(fit: _Fit) -> bool:
    """Whether neighbours stray differently beyond noise, as rough metal does. Where they stray alike the surface has a kink
    or bends more than its terms can follow; where it is steep, noise along it shows as well."""
    from scipy.spatial import cKDTree

    across, u, v = fit.local[:, 1:], *fit.local[:, 1:].T
    stray = fit.local[:, 0] - fit.surface.root @ fit.surface.kept
    square = float(np.mean(stray**2))
    bend = np.linalg.lstsq(np.c_[np.ones(len(u)), u, v, u * u, u * v, v * v], fit.local[:, 0], rcond=None)[0][1:]
    steep = np.hypot(bend[0] + 2 * bend[2] * u + bend[3] * v, bend[1] + bend[3] * u + 2 * bend[4] * v)
    noise = square * fit.surface.explained * float(np.mean(1.0 + steep**2))
    beside = cKDTree(across).query(across, k=_BESIDE + 1)[1][:, 1:]
    alike = float(np.mean(stray[:, None] * stray[beside]))
    return square > noise * (1.0 + 2.5 * math.sqrt(2.0 / len(u))) and alike < _ALIKE * (square - noise)


def _smooth(fit: _Fit) -> Patch:
    surface, root = fit.surface, fit.surface.root[fit.near]
    points, across = fit.points[fit.near], fit.local[fit.near, 1:]
    return Patch(
        points, across, root @ surface.kept, surface.own, surface.common, surface, root, 0.0, np.zeros(len(points))
    )


def _uneven(fit: _Fit, sigma: float, rough: bool) -> Patch:
    """About a corner each point keeps the deviation that was seen, but for what noise explains of it (empirical Bayes,
    Efron & Morris, JASA 70 (1975) 311)."""
    surface, near = fit.surface, fit.near
    level = surface.root @ surface.kept
    kept = 1.0 - surface.shrink
    mean = level[near] if rough else (level + kept * (fit.local[:, 0] - level))[near]
    stray = sigma * math.sqrt(kept / surface.shrink) if rough else 0.0
    return Patch(
        fit.points[near], fit.local[near, 1:], mean, sigma, 0.0, None, surface.root[near], stray, np.zeros(len(mean))
    )


def flattest_normal(tree: SphereTree, point: int, turn: FloatArray | None = None) -> tuple[float, FloatArray]:
    """How unlike a plane the points around one are (0 is flat), and the normal of their plane, turned along."""
    near = tree.xyz[points_within(tree, tree.xyz[point], 3.6 * tree.leaf_radius(point), 1000)]
    if len(near) < 8:
        return math.inf, np.zeros(3)
    size, rows = np.linalg.svd(near - near.mean(axis=0), full_matrices=False)[1:]
    return float(size[2] / max(size[1], 1e-300)), rows[2] if turn is None else turn @ rows[2]
