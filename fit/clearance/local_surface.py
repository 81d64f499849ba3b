"""A smooth surface through noisy heights, and how wrong it may be."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["DRAWS", "SmoothSurface", "balanced", "surface_through", "worlds"]

DRAWS = 1000
_TERMS = (1, 3, 6, 7, 11, 15)
_CREASED = (4, 7, 8, 12, 16)
_CREASE_AT = np.linspace(-0.5, 0.5, 21)
_PLACED = 2
"""What must be found of a crease beside how sharp it is: where it runs and which way."""
_ODDS = 20.0
"""How much likelier a crease must be than none: metal is smooth nearly everywhere."""
_FEWEST_CREASED = 60
"""Of fewer points a dozen terms explain anything, steep faces too, along which noise counts that no height shows."""


def balanced(rng: np.random.Generator, count: int) -> FloatArray:
    """Standard normal draws (DRAWS, count), each column spread evenly, one draw in every share of 1 / DRAWS (Latin
    hypercube; McKay, Beckman & Conover, Technometrics 21 (1979) 239)."""
    from scipy.special import ndtri

    ranks = rng.permuted(np.tile(np.arange(DRAWS, dtype=float), (count, 1)), axis=1)
    draws = ndtri((ranks + rng.random(ranks.shape)) / DRAWS)
    return np.ascontiguousarray((draws / np.sqrt(np.mean(draws**2, axis=1, keepdims=True))).T)


@dataclass(frozen=True, eq=False, slots=True)
class SmoothSurface:
    """A surface through heights, its terms made orthonormal over the points.

    root : (n, p), the terms. found : (p,) mm, least-squares factor of each. kept : (p,) mm, the part of it that the
    average of the models keeps. ends, share : how many terms each model has, and its weight. noise, own : mm, stated and as
    scattered. common : variance (mm²) of an error of all the points. explained : noise² over what the points scatter by.
    shrink : the same as the share of each deviation that is noise, 1 where noise may explain all of it.
    """

    root: FloatArray
    found: FloatArray
    kept: FloatArray
    ends: tuple[int, ...]
    share: FloatArray
    noise: float
    own: float
    common: float
    explained: float
    shrink: float


def surface_through(height: FloatArray, across: FloatArray, sigma: float) -> SmoothSurface:
    """Smooth surface through heights, an average over polynomials of 1 to 15 terms (see `_kept`), or two that meet in a
    crease: a polynomial would round it, so that too many points would come near.

    The closest point itself, the origin, is left out: it was chosen for its error. Points that scatter less than stated
    are wrong together: the rest of the stated variance is common.
    """
    if sigma == 0.0 or len(height) < 7:
        one = np.ones(1)
        return SmoothSurface(height[:, None], one, one, (1,), one, 0.0, 0.0, 0.0, *2 * (float(sigma == 0.0),))
    others = (height != 0.0) | across.any(axis=1)
    powers = _powers(_spanned(across, sigma))
    smooth = _averaged(height, powers, _TERMS, others, sigma)
    if (roof := _roof(height, powers, sigma)) is None:
        return smooth
    creased = _averaged(height, np.insert(powers, 3, roof, axis=1), _CREASED, others, sigma)
    better = _best_score(creased) - 2.0 * (_PLACED + math.log(_ODDS)) > _best_score(smooth)
    return creased if better and creased.shrink == 1.0 else smooth


def _averaged(
    height: FloatArray, terms: FloatArray, ends: tuple[int, ...], others: NDArray[np.bool_], sigma: float
) -> SmoothSurface:
    """Average over the models of so many terms each as the points can carry."""
    ends = tuple(n for n in ends if len(height) >= n + 6)
    root = _orthonormal(terms[:, : ends[-1]], others)
    found = root[others].T @ height[others]
    share = _shares(found[None], sigma, ends)[0]
    best = ends[int(np.argmax(share))]
    dof = len(height) - 1 - int(root[:, :best].any(axis=0).sum())
    scatter = float(np.sum((height - root[:, :best] @ found[:best])[others] ** 2)) / dof
    slack = 2.5 * math.sqrt(2.0 / dof)
    own2 = scatter if scatter < sigma**2 * max(1.0 - slack, 0.0) else sigma**2
    explained = own2 / max(scatter, 1e-300)
    shrink = 1.0 if scatter <= own2 * (1.0 + slack) else explained
    kept = _kept(found[None], sigma, ends)[0]
    return SmoothSurface(root, found, kept, ends, share, sigma, math.sqrt(own2), sigma**2 - own2, explained, shrink)


def _roof(height: FloatArray, powers: FloatArray, sigma: float) -> FloatArray | None:
    """Distance (n,) of the places from a crease near the closest point, which runs the way in which a parabola through them
    bends least; None where none is likely beside the parabola (Akaike's criterion)."""
    if len(height) < _FEWEST_CREASED:
        return None
    q, r = np.linalg.qr(powers[:, :6])
    if np.abs(np.diag(r)).min() < 1e-6:
        return None
    bend = np.linalg.solve(r, q.T @ height)[3:]
    size, ways = np.linalg.eigh([[2 * bend[0], bend[1]], [bend[1], 2 * bend[2]]])
    over = powers[:, 1:3] @ ways[:, int(np.argmax(np.abs(size)))]
    roofs = np.abs(over[:, None] - _CREASE_AT)
    left = roofs - q @ (q.T @ roofs)
    gain = (height @ left) ** 2 / np.maximum(np.sum(left**2, axis=0), 1e-9)
    best = int(np.argmax(gain))
    return np.asarray(roofs[:, best]) if gain[best] > 2.0 * (1 + _PLACED + math.log(_ODDS)) * sigma**2 else None


def _score(found: FloatArray, sigma: float, ends: tuple[int, ...]) -> FloatArray:
    """How much better (D, models) than none each model explains factors (D, p) mm of orthonormal terms, as -AIC."""
    gain = np.cumsum((found / sigma) ** 2 - 2.0 * (found != 0.0), axis=1)
    return np.asarray(gain[:, [terms - 1 for terms in ends]])


def _best_score(smooth: SmoothSurface) -> float:
    return float(_score(smooth.found[None], smooth.noise, smooth.ends).max())


def _shares(found: FloatArray, sigma: float, ends: tuple[int, ...]) -> FloatArray:
    """Weight (D, models) of each model by exp(-AIC / 2), for factors (D, p) mm of orthonormal terms."""
    score = _score(found, sigma, ends)
    weight = np.exp(0.5 * (score - score.max(axis=1, keepdims=True)))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _kept(found: FloatArray, sigma: float, ends: tuple[int, ...]) -> FloatArray:
    """What the average of the models keeps of each factor: no surface is one of them, so none is chosen (Burnham &
    Anderson, Model Selection and Multimodel Inference, 2002, 4.2)."""
    share = _shares(found, sigma, ends)
    larger = np.cumsum(share[:, ::-1], axis=1)[:, ::-1]
    first_in = np.searchsorted(ends, np.arange(found.shape[1]), side="right")
    return found * larger[:, first_in]


def worlds(smooth: SmoothSurface, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Factors (DRAWS, p) mm of surfaces that might be the true one, and of what would be found of each.

    Each world is one of the models, as often as its weight says; it is measured with new noise and averaged again, so
    that both what noise does and what averaging smooths away count, and each once (parametric bootstrap).
    """
    if smooth.noise == 0.0:
        exact = np.broadcast_to(smooth.kept, (DRAWS, len(smooth.kept)))
        return exact, exact
    picked = np.searchsorted(np.cumsum(smooth.share)[:-1], (np.arange(DRAWS // 2) + 0.5) / (DRAWS // 2))
    terms = np.tile(rng.permutation(np.array(smooth.ends)[picked]), 2)
    real = smooth.root.any(axis=0)
    true = np.where(np.arange(len(smooth.found)) < terms[:, None], smooth.found, 0.0)
    return true, _kept(true + smooth.own * balanced(rng, len(smooth.found)) * real, smooth.noise, smooth.ends)


def _powers(across: FloatArray) -> FloatArray:
    """(n, 15) terms up to the fourth order; the round bowl goes before the cubics, as balls and tubes need it."""
    u, v = across.T
    powers = [u ** (total - k) * v**k for total in range(5) for k in range(total + 1)][:-1]
    return np.stack([*powers[:6], (u**2 + v**2) ** 2, *powers[6:]], axis=1)


def _spanned(across: FloatArray, sigma: float) -> FloatArray:
    """Places (n, 2) along their own main axes, the larger 1; an axis along which they spread by noise alone is 0, so
    that an edge is a line and not a surface as wide as its noise."""
    turned = across @ np.linalg.svd(across - across.mean(axis=0), full_matrices=False)[2].T
    turned[:, turned.std(axis=0) <= 2.0 * sigma] = 0.0
    return np.asarray(turned / max(float(np.abs(turned).max(initial=0.0)), 1e-12))


def _orthonormal(terms: FloatArray, others: NDArray[np.bool_]) -> FloatArray:
    """Terms (n, p) made orthonormal over the other points, each to those before it; 0 where those already hold it."""
    order = np.argsort(~others, kind="stable")
    rows, count = np.ascontiguousarray(terms[order].T), int(others.sum())
    for k in range(len(rows)):
        size = float(np.linalg.norm(rows[k, :count]))
        for _ in range(2):
            rows[k] -= (rows[:k, :count] @ rows[k, :count]) @ rows[:k]
        left = float(np.linalg.norm(rows[k, :count]))
        rows[k] = rows[k] / left if left > 1e-6 * size else 0.0
    root = np.empty(terms.shape)
    root[order] = rows.T
    return root
