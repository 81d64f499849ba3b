"""The outline's points as one closed path, with stretches that glare or shadow moved off the edge left out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from capture.edges.fillets import filleted
from capture.edges.looks import mean_along
from capture.edges.rim_fit import Edge
from capture.edges.straights import with_straights
from fit.errors import CannotDetermine
from fit.paths import PathFit, distances, fit_path
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.shapes.curvature import SHORT_SPAN, radius_range

__all__ = ["outline_path", "path_through", "row_doubt"]

_EVERY = 2
_COARSE_MM = (0.1, 0.2, 0.4)
_FINE_MM = 0.05
_STRAY = 3.0
_STRAY_MM = 0.06
_LEAST_NOISE_MM = 0.01
_TELL_SHARE, _CLEAN_SHARE = 0.03, 0.02
_WALKERS = frozenset({"stray-touch", "gap", "back-tracked", "stopped"})
"""What the path tells of a hand's walk; in a photo these are stretches of poor light, told once."""
_SETTLED_SHARE, _STRAYS_SHARE = 0.01, 0.2
_PARSIMONY = 2.0
"""Price of a piece, in that of the usual criterion: stretches that light moved look like pieces and are none."""
_KINK_PRICE = 2.0
"""A sheet's edges are cut tangent or meet at corners that light does not make; in prices of a free number."""
_SHARP, _BY_CORNER_MM, _HIDDEN_MM = np.radians(20.0), 6.0, 1.0
"""A corner this sharp may be a bend too tight for the coarse fit: points so near and so little off it are kept."""
_DOUBT = 8.0
_ROUNDS = 2
_SEEN_MM, _SEEN_SHARE, _DOUBT_MOST = 3.0, 0.5, 4.0
"""Rows are doubted where, over so many mm, the score falls under this share of its median; at most this factor."""


def row_doubt(edge: Edge) -> FloatArray:
    """Factor (N,) on the noise of a closed edge's picked rows: more where less than usual of what shows is explained."""
    if edge.told is None:
        return np.ones(len(edge.picked.row))
    told = mean_along(edge.told, round(_SEEN_MM / 2 / edge.strip.contour.spacing))
    least = _SEEN_SHARE * float(np.median(told))
    return np.clip(least / np.maximum(told, 1e-3), 1.0, _DOUBT_MOST)[edge.picked.row]


def outline_path(
    points: Points,
    *,
    closed: bool = True,
    clean: bool = False,
    twofold: bool = False,
    doubt: FloatArray | None = None,
    name: str = "outline",
) -> tuple[PathFit, list[Notice]]:
    """Fit a path in two steps: coarsely through all points, then finely through those that keep to it.

    Light does not err at random along an edge: it moves whole stretches by tenths of a millimetre. A chain that may
    miss by so much finds the shape; what lies off it by more than the usual is light, and the rest carries the sizes.
    clean: the edge looks clean, so that one fine fit through all points is tried first. twofold: the edge is rounded
    and shows two lines, between which stretches may change; the coarse fit then starts coarser. doubt: (N,) factor on
    the noise of each point. name: what the path is called in what is told.
    Raises CannotDetermine where no chain of lines and arcs follows the edge.
    """
    thinned = points.select(slice(None, None, _EVERY))
    weak = np.ones(len(thinned)) if doubt is None else doubt[::_EVERY]
    path = _clean_path(thinned, closed, weak, name) if clean else None
    if path is not None:
        path, _ = filleted(path, thinned, weak, np.ones(len(thinned), bool))
        return _finished(_with_own_noise(with_straights(path)))
    path = path_through(thinned, _COARSE_MM[1 if twofold else 0 :], closed, weak, name)
    before = np.zeros(len(thinned), bool)
    for _ in range(_ROUNDS):
        miss, _ = distances(path, thinned)
        usual = 1.4826 * float(np.median(miss))
        near = (miss < max(_STRAY * usual, _STRAY_MM)) | (_by_corner(path, thinned) & (miss < _HIDDEN_MM))
        if (near != before).mean() < _SETTLED_SHARE:
            break
        before = near
        noises = (max(_FINE_MM, 2 * usual), 4 * max(_FINE_MM, usual), *_COARSE_MM[1:])
        path = path_through(thinned.select(near), noises, closed, weak[near], name)
    path, before = filleted(path, thinned, weak, before)
    path = with_straights(path)
    left_out = 1 - len(path.points) / len(thinned)
    if left_out <= _TELL_SHARE:
        return _finished(_with_own_noise(path))
    text = (
        f"{left_out:.0%} of the edge was left out: glare or shadow shows it elsewhere there. Look at the overlay, and "
        "shoot again in softer light if those places matter."
    )
    doubted = _doubted(path, before, distances(path, thinned)[1])
    return _finished(doubted, Notice("low-contrast", text, name))


def _finished(path: PathFit, *more: Notice) -> tuple[PathFit, list[Notice]]:
    """The path with what to tell of it and of each arc that turns too little to carry its radius."""
    told = [notice for notice in path.notices if notice.code not in _WALKERS]
    for arc in (s for s in path.feature.segments if s.kind == "arc" and s["span"] < SHORT_SPAN):
        if any(notice.code == "short-arc" and notice.text.startswith(f"{arc.name} ") for notice in told):
            continue
        low, high = radius_range(arc["radius"], arc.value("radius").u95)
        most = "a straight line" if math.isinf(high) else f"{high:.4g} mm"
        text = (
            f"{arc.name} turns by only {math.degrees(arc['span']):.0f}°: its radius may be anything from {low:.4g} mm to "
            f"{most}. Use a radius gauge if it matters."
        )
        told.append(Notice("short-arc", text, path.feature.name))
    return path, [*told, *more]


def _clean_path(points: Points, closed: bool, weak: FloatArray, name: str) -> PathFit | None:
    """One fine fit through all points, if hardly any lies off it."""
    try:
        path = path_through(points, (_FINE_MM,), closed, weak, name)
    except CannotDetermine:
        return None
    miss = np.abs(path.feature.residuals)
    off = miss > max(_STRAY * 1.4826 * float(np.median(miss)), _STRAY_MM)
    return path if off.mean() + len(path.rejected) / len(points) < _CLEAN_SHARE else None


def _by_corner(path: PathFit, points: Points) -> NDArray[np.bool_]:
    """Points (N,) near a sharp corner of the path."""
    from fit.paths.chain import layout

    chain = path.chain
    corners = layout(chain).joints[:-1][chain.corners & (np.abs(chain.turns) > _SHARP)]
    flat = path.frame.flat(points.xyz)[:, :2]
    return (((flat[:, None] - corners) ** 2).sum(axis=2) < _BY_CORNER_MM**2).any(axis=1)


def _doubted(path: PathFit, near: NDArray[np.bool_], piece: NDArray[np.int_]) -> PathFit:
    """Widen every piece by the share of its points that light moved off it: what is left may be moved a little too."""
    segments = []
    for i, segment in enumerate(path.feature.segments):
        mine = piece == i
        share = float((~near[mine]).mean()) if mine.any() else 1.0
        segments.append(replace(segment, cov_own=(1 + _DOUBT * share) ** 2 * segment.cov_own))
    return replace(path, feature=replace(path.feature, segments=tuple(segments)))


def path_through(
    points: Points, noises: tuple[float, ...], closed: bool, weak: FloatArray | float = 1.0, name: str = "outline"
) -> PathFit:
    """The first path that keeps to its points as the noise assumed grows; weak: factors (N,) on it."""
    for noise in noises:
        try:
            told = replace(points, noise=np.full(len(points), noise) * weak)
            path = fit_path(told, closed=closed, parsimony=_PARSIMONY, kink_price=_KINK_PRICE, name=name)
        except CannotDetermine:
            continue
        miss = np.abs(path.feature.residuals)
        if np.median(miss) < noise and (miss > _STRAY * noise).mean() < _STRAYS_SHARE:
            return path
    message = (
        "The edge cannot be followed as lines and arcs all along; shoot it in even light, on a plain ground, clear of the "
        "print."
    )
    raise CannotDetermine(message)


def _with_own_noise(path: PathFit) -> PathFit:
    """Own errors from the misses found: the noise assumed only says how large a wiggle may be light and not shape."""
    share = min(1.0, (max(path.feature.rms, _LEAST_NOISE_MM) / path.noise) ** 2)
    segments = tuple(replace(s, cov_own=share * s.cov_own) for s in path.feature.segments)
    feature = replace(path.feature, cov_own=share * path.feature.cov_own, segments=segments)
    return replace(path, feature=feature)
