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
    average of the models keeps. share : weight of each model in `_TERMS`. noise, own : mm, stated and as scattered.
    common : variance (mm²) of an error of all the points. shrink : share of each deviation that is noise, 1 where the
    noise explains all of it.
    """

    root: FloatArray
    found: FloatArray
    kept: FloatArray
    share: FloatArray
    noise: float
    own: float
    common: float
    shrink: float


def surface_through(height: FloatArray, across: FloatArray, sigma: float) -> SmoothSurface:
    """Smooth surface through heights, an average over polynomials of 1 to 15 terms (see `_kept`).

    The closest point itself, the origin, is left out: it was chosen for its error. Points that scatter less than stated
    are wrong together: the rest of the stated variance is common.
    """
    count = len(height)
    if sigma == 0.0 or count < 7:
        return SmoothSurface(height[:, None], np.ones(1), np.ones(1), np.ones(1), 0.0, 0.0, 0.0, float(sigma == 0.0))
    others = (height != 0.0) | across.any(axis=1)
    terms = max(terms for terms in _TERMS if count >= terms + 6)
    root = _orthonormal(_powers(_spanned(across, sigma))[:, :terms], others)
    found = root[others].T @ height[others]
    share = _shares(found[None], sigma)[0]
    best = _TERMS[int(np.argmax(share))]
    dof = count - 1 - int(root[:, :best].any(axis=0).sum())
    scatter = float(np.sum((height - root[:, :best] @ found[:best])[others] ** 2)) / dof
    slack = 2.5 * math.sqrt(2.0 / dof)
    own2 = scatter if scatter < sigma**2 * max(1.0 - slack, 0.0) else sigma**2
    shrink = 1.0 if scatter <= own2 * (1.0 + slack) else own2 / scatter
    kept = _kept(found[None], sigma)[0]
    return SmoothSurface(root, found, kept, share, sigma, math.sqrt(own2), sigma**2 - own2, shrink)


def _shares(found: FloatArray, sigma: float) -> FloatArray:
    """Weight (D, models) of each polynomial by exp(-AIC / 2), for factors (D, p) mm of orthonormal terms."""
    gain = np.cumsum((found / sigma) ** 2 - 2.0 * (found != 0.0), axis=1)
    score = gain[:, [terms - 1 for terms in _TERMS if terms <= found.shape[1]]]
    weight = np.exp(0.5 * (score - score.max(axis=1, keepdims=True)))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _kept(found: FloatArray, sigma: float) -> FloatArray:
    """What the average of the models keeps of each factor: no surface is one of them, so none is chosen (Burnham &
    Anderson, Model Selection and Multimodel Inference, 2002, 4.2)."""
    share = _shares(found, sigma)
    larger = np.cumsum(share[:, ::-1], axis=1)[:, ::-1]
    first_in = np.searchsorted(_TERMS, np.arange(found.shape[1]), side="right")
    return found * larger[:, first_in]


def worlds(smooth: SmoothSurface, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Factors (DRAWS, p) mm of surfaces that might be the true one, and of what would be found of each.

    Each world is one of the models, as often as its weight says; it is measured with new noise and averaged again, so
    that both what noise does and what averaging smooths away count, and each once (parametric bootstrap).
    """
    if smooth.noise == 0.0:
        exact = np.broadcast_to(smooth.kept, (DRAWS, len(smooth.kept)))
        return exact, exact
    ends = np.searchsorted(np.cumsum(smooth.share)[:-1], (np.arange(DRAWS // 2) + 0.5) / (DRAWS // 2))
    terms = np.tile(rng.permutation(np.array(_TERMS)[ends]), 2)
    real = smooth.root.any(axis=0)
    true = np.where(np.arange(len(smooth.found)) < terms[:, None], smooth.found, 0.0)
    return true, _kept(true + smooth.own * balanced(rng, len(smooth.found)) * real, smooth.noise)


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
