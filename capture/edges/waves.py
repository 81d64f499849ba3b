"""Slow waves of light along one edge: where it shows a little to one side, by place and by where the edge faces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from capture.edges.strip import Contour
from fit.feature import Feature
from fit.paths.chain import wrap
from fit.points import FloatArray, Points

__all__ = ["WAVE", "read_twice", "slow_waves", "waves_left_out", "waves_to_noise", "waves_to_own"]

WAVE = "wave"
_OF_LIGHT = ("edge:rim", "edge:hidden", "edge:wall", "edge:foot", f"{WAVE}:")
_READ_TWICE = 0.85
"""What the middle of two readings errs by, of what steps alone do (root mean square, 835 ray-traced edges)."""
_WAVE_MM = 80.0
_SECTORS = 8


def slow_waves(contour: Contour, row: NDArray[np.int_]) -> FloatArray:
    """The slowest waves (W, N) along the edge at the picked rows, of mean square sum 4, down to `_WAVE_MM` long; round a
    closed edge as much again by where it faces.
    """
    at = row / len(contour.xy)
    length = len(contour.xy) * contour.spacing
    if contour.closed:
        turns = 2 * np.pi * np.outer(np.repeat(np.arange(1, max(2, round(length / _WAVE_MM)) + 1), 2), at)
        turns[1::2] -= np.pi / 2
    else:
        turns = np.pi * np.outer(np.arange(1, max(4, round(2 * length / _WAVE_MM)) + 1), at)
    waves = np.asarray(np.sqrt(8 / len(turns)) * np.cos(turns))
    return np.vstack([waves, _sectors(contour.outward[row])]) if contour.closed else waves


def _sectors(outward: FloatArray) -> FloatArray:
    """Eight windows (8, N) over where an edge faces, of square sum 4: what its light does changes round a corner."""
    middles = 2 * np.pi / _SECTORS * np.arange(_SECTORS)[:, None]
    lag = np.abs(wrap(np.arctan2(outward[:, 1], outward[:, 0]) - middles))
    return np.asarray(2 * np.sin(np.pi / 2 * np.clip(1 - lag * _SECTORS / (2 * np.pi), 0, 1)))


def waves_to_own(feature: Feature) -> Feature:
    """Turn the waves of light along one edge, which are no other feature's, into this feature's own errors."""
    wave = np.array([name.startswith(WAVE + ":") for name in feature.shared_names], bool)
    own = feature.cov_own + feature.shared[wave].T @ feature.shared[wave]
    segments = tuple(waves_to_own(segment) for segment in feature.segments)
    return replace(waves_left_out(feature), cov_own=own, segments=segments)


def read_twice(feature: Feature) -> Feature:
    """The feature with the shared errors of light that are left where its edge's steps and the run of tone both told it."""
    light = np.array([name.startswith(_OF_LIGHT) for name in feature.shared_names], bool)
    return replace(feature, shared=np.where(light[:, None], _READ_TWICE, 1.0) * feature.shared)


def waves_left_out(feature: Feature) -> Feature:
    """Without the waves of light, where something else already carries how light errs along the edge."""
    wave = np.array([name.startswith(WAVE + ":") for name in feature.shared_names], bool)
    names = tuple(name for name, is_wave in zip(feature.shared_names, wave, strict=True) if not is_wave)
    return replace(feature, shared=feature.shared[~wave], shared_names=names)


def waves_to_noise(points: Points) -> Points:
    """The same for points: without the waves' names, with their size in the noise."""
    wave = np.array([name.startswith(WAVE + ":") for name in points.shared_names], bool)
    size = np.sqrt((points.shared[wave] ** 2).sum(axis=(0, 2)))
    names = tuple(name for name, is_wave in zip(points.shared_names, wave, strict=True) if not is_wave)
    return replace(points, noise=np.hypot(points.noise, size), shared=points.shared[~wave], shared_names=names)
