"""Points over measured features, with the features' errors, so that they can take part in a clearance check."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from fit.clearance.body import Body
from fit.errors import InputError
from fit.feature import Feature
from fit.points import FloatArray, align_shared
from fit.resultfile import read_results
from fit.shapes.frame import axes_about

__all__ = ["sample_feature", "sample_results"]

_STEP = 0.5
_MOST_PLACES = 4000
_AROUND = 24

Surface = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Values of a feature -> places (N, 3) mm and normals (N, 3), NaN where it has none."""


def sample_results(path: Path, name: str = "", section: float | None = None) -> Body:
    """All features of a result that can stand for a body, or the one named; `section` (mm) is a path's diameter.

    Planes, cones and slots have no outline to sample and are refused by name, left out otherwise.
    """
    results = read_results(path)
    chosen = [feature for feature in results.features if not name or feature.name == name]
    if not chosen:
        message = (
            f"{path}: has no feature '{name}'; it holds {', '.join(f.name for f in results.features[:8]) or 'none'}."
        )
        raise InputError(message)
    usable = [feature for feature in chosen if feature.kind in _SURFACES or feature.kind == "path"]
    if not usable:
        message = (
            f"{path}: {chosen[0].name} is a {chosen[0].kind}, which has no end to sample; give its points as "
            "points.npz instead."
        )
        raise InputError(message)
    bodies = [sample_feature(feature, section) for feature in usable]
    captures = frozenset(source.sha256 for source in results.sources)
    names = tuple(dict.fromkeys(name for body in bodies for name in body.shared_names))
    count = [len(body.xyz) for body in bodies]
    return Body(
        np.concatenate([body.xyz for body in bodies]),
        np.zeros(sum(count)),
        np.concatenate([body.normal for body in bodies]),
        np.concatenate([align_shared(names, body.shared_names, body.shared) for body in bodies], axis=1),
        names,
        np.repeat(np.arange(len(bodies)), count),
        tuple(feature.name for feature in usable),
        captures,
        frame=results.frame,
    )


def sample_feature(feature: Feature, section: float | None = None) -> Body:
    """Points about 0.5 mm apart over one feature; its covariance becomes errors that its points share.

    A line, circle, arc or path with a section diameter (mm) is a tube about it: a seal, hose or cable.
    """
    pieces = feature.segments or (feature,)
    parts = [_piece(piece, f"{feature.name} {i + 1}", section) for i, piece in enumerate(pieces)]
    names = tuple(dict.fromkeys(name for _, _, _, own in parts for name in own))
    return Body(
        np.concatenate([xyz for xyz, _, _, _ in parts]),
        np.zeros(sum(len(xyz) for xyz, _, _, _ in parts)),
        np.concatenate([normal for _, normal, _, _ in parts]),
        np.concatenate([align_shared(names, own, modes) for _, _, modes, own in parts], axis=1),
        names,
        np.zeros(sum(len(xyz) for xyz, _, _, _ in parts), np.int64),
        (feature.name,),
    )


def _piece(
    piece: Feature, name: str, section: float | None
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[str, ...]]:
    """Places, normals, modes (K, N, 3) and their names of one shape."""
    surface = _tube(piece, section) if piece.kind in ("line", "arc", "circle") else _SURFACES[piece.kind](piece)
    xyz, normal = surface(piece.values)
    steps = [1e-6 * max(1.0, abs(value)) for value in piece.values]
    slopes = np.array([_slope(surface, piece.values, k, h) for k, h in enumerate(steps)])
    size, axes = np.linalg.eigh(piece.cov_own)
    roots = (axes * np.sqrt(np.maximum(size, 0.0))).T
    roots = roots[np.abs(roots).max(axis=1) > 0]
    modes = np.concatenate([np.tensordot(roots, slopes, 1), np.tensordot(piece.shared, slopes, 1)])
    return xyz, normal, modes, (*(f"feature:{name} {k + 1}" for k in range(len(roots))), *piece.shared_names)


def _slope(surface: Surface, values: FloatArray, k: int, h: float) -> FloatArray:
    step = h * np.eye(len(values))[k]
    slope: FloatArray = (surface(values + step)[0] - surface(values - step)[0]) / (2 * h)
    return slope


def _count(length: float, step: float = _STEP) -> int:
    return int(min(max(math.ceil(length / step), 2), _MOST_PLACES))


def _centre_line(piece: Feature) -> Surface:
    """Places and tangents along a line, circle or arc."""
    if piece.kind == "line":
        share = np.linspace(0, 1, _count(piece["length"]) + 1)[:, None]
        return lambda v: (v[:3] + share * (v[3:6] - v[:3]), np.repeat((v[3:6] - v[:3])[None], len(share), 0))
    whole = piece.kind == "circle"
    radius, span = (piece["diameter"] / 2, 2 * math.pi) if whole else (piece["radius"], piece["span"])
    share = np.linspace(0, 1, _count(radius * abs(span)) + 1)

    def places(v: FloatArray) -> tuple[FloatArray, FloatArray]:
        axes = axes_about(v[3:6])
        size, start, turn = (v[6] / 2, 0.0, 2 * math.pi) if whole else (v[6], v[7], v[8])
        angle = (start + share * turn)[:, None]
        out, along = (
            np.cos(angle) * axes[:, 0] + np.sin(angle) * axes[:, 1],
            np.cos(angle) * axes[:, 1] - np.sin(angle) * axes[:, 0],
        )
        return v[:3] + size * out, along

    return places


def _tube(piece: Feature, section: float | None) -> Surface:
    """The centre line itself, or a tube about it."""
    line = _centre_line(piece)
    if section is None:
        return lambda v: (line(v)[0], np.full_like(line(v)[0], np.nan))
    angle = np.linspace(0, 2 * math.pi, _AROUND, endpoint=False)[:, None, None]

    def places(v: FloatArray) -> tuple[FloatArray, FloatArray]:
        centre, along = line(v)
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        base = np.array([0.0, 0.0, 1.0]) if np.abs(along[:, 2]).max() < 0.9 else np.array([0.6, 0.8, 0.0])
        side = np.cross(along, base)
        side = side / np.linalg.norm(side, axis=1, keepdims=True)
        out = np.cos(angle) * side + np.sin(angle) * np.cross(side, along)
        return (centre + 0.5 * section * out).reshape(-1, 3), out.reshape(-1, 3)

    return places


def _sphere(piece: Feature) -> Surface:
    """A sphere by Fibonacci's spiral."""
    count = _count(math.pi * piece["diameter"] ** 2 / _STEP**2, 1.0)
    k = np.arange(count) + 0.5
    height, turn = 1 - 2 * k / count, math.pi * (1 + math.sqrt(5)) * k
    out = np.stack([np.sqrt(1 - height**2) * np.cos(turn), np.sqrt(1 - height**2) * np.sin(turn), height], axis=1)
    return lambda v: (v[:3] + 0.5 * v[3] * out, out)


def _cylinder(piece: Feature) -> Surface:
    along = np.linspace(-0.5, 0.5, min(_count(piece["length"]) + 1, 400))
    angle = np.linspace(0, 2 * math.pi, min(_count(math.pi * piece["diameter"]), 200), endpoint=False)

    def places(v: FloatArray) -> tuple[FloatArray, FloatArray]:
        axes = axes_about(v[3:6])
        out = np.cos(angle)[:, None] * axes[:, 0] + np.sin(angle)[:, None] * axes[:, 1]
        xyz = v[:3] + along[:, None, None] * v[7] * axes[:, 2] + 0.5 * v[6] * out
        return xyz.reshape(-1, 3), np.broadcast_to(out, xyz.shape).reshape(-1, 3)

    return places


_SURFACES: dict[str, Callable[[Feature], Surface]] = {
    "line": _centre_line,
    "circle": _centre_line,
    "arc": _centre_line,
    "sphere": _sphere,
    "cylinder": _cylinder,
}
