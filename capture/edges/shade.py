"""How much of the open paper's light reaches the paper beside a sheet: the shadows that the sheet itself throws.

Every lamp and window throws the sheet's shadow nearly the same way all over a small bench, so how far a shadow reaches
from a wall's foot follows from where the wall faces. What is learned where a shadow is wide tells how light falls where
it is so narrow that blur joins its edge with the metal's. A light is the share of all light that it gives, where it throws
the shadow of the sheet's upper edge, and how far its size spreads that; the room's even light is kept off by walls alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.points import FloatArray

__all__ = ["Beside", "Shade", "fitted_shade", "missed_by", "refitted_shade"]

_LIGHTS, _OF_LIGHT = 2, 6
_HIGH_MM = 900.0
"""Height of lamps and windows over a bench: how a shadow turns from place to place (common practice, no source)."""
_SHARPEST_MM = 0.03
_LEAST = np.array([0.0, -2.5, -2.5, -0.6, -0.6, -0.6])
_MOST = np.array([1.0, 2.5, 2.5, 0.6, 0.6, 0.6])
"""Bounds of a light's share, throw and spread, the latter two per thickness of the sheet."""
_ROOM_LEAST, _ROOM_MOST = np.array([0.0, -0.4, -0.4]), np.array([1.0, 0.4, 0.4])
_START_SHARE, _START_MM, _START_SPREAD_MM = 0.2, 1.2, 0.4
_START_ROOM = np.array([0.1, 0.0, 0.0])
_DIRECTIONS = 6
_LOSS = 0.02
_WHOLE_U, _WHOLE_SHARE = 0.15, 0.05
"""All shares make up the whole light at most, to about so much; that counts like so many of the samples."""
_NORMAL_AT = np.linspace(-6.5, 6.5, 13001)
_NORMAL_SHARE = np.cumsum(np.exp(-0.5 * _NORMAL_AT**2)) * 1e-3 / np.sqrt(2 * np.pi)
_NORMAL_SHARE -= 0.5 * np.exp(-0.5 * _NORMAL_AT**2) * 1e-3 / np.sqrt(2 * np.pi)
_QUICK, _THOROUGH = 8, 30
_FEW, _MANY = 700, 1800
_LEAST_GAIN = 1e-4
_FINALISTS = 2


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """Samples (N) of the paper beside a sheet.

    tone (N,) : as a share of the open paper's. away (N,) : from the wall's foot, mm. facing (N, 2) : unit vector in which
    the wall there faces. place (N, 2) : mm from the middle of the sheet.
    """

    tone: FloatArray
    away: FloatArray
    facing: FloatArray
    place: FloatArray

    def some(self, most: int) -> Beside:
        """Not more than so many of the samples, spread over all."""
        every = slice(None, None, max(1, -(-len(self.tone) // most)))
        return Beside(self.tone[every], self.away[every], self.facing[every], self.place[every])


@dataclass(frozen=True, eq=False, slots=True)
class Shade:
    """lights (K, 6) : share of the light; where the upper edge's shadow falls (x, y), mm, in the middle of the sheet; lower
    triangle (xx, yx, yy) of a root of its spread's covariance, mm. room (3,) : share of even light, and how it leans to x
    and y. thickness, rounding : the sheet's, mm.
    """

    lights: FloatArray
    room: FloatArray
    thickness: float
    rounding: float

    def at(self, away: FloatArray, facing: FloatArray, place: FloatArray) -> FloatArray:
        """Share of the open paper's light (W, D) at distances (W, D) from feet of walls that face (W, 2) at (W, 2)."""
        lost = (self.room[0] + facing @ self.room[1:])[:, None] * _hidden_sky(away, self.thickness)
        for light in self.lights:
            thrown = self.thrown(light, facing, place)
            lost += light[0] * _normal_share((thrown.reach[:, None] - away) / thrown.spread[:, None])
        return np.asarray(1.0 - lost)

    def shadows(self, beside: Beside) -> list[_Shadow]:
        """Each light's shadow at samples."""
        found = []
        for light in self.lights:
            thrown = self.thrown(light, beside.facing, beside.place)
            deep = (thrown.reach - beside.away) / thrown.spread
            found.append(_Shadow(thrown, deep, _normal_share(deep)))
        return found

    def left(self, beside: Beside, sky: FloatArray, shadows: Sequence[_Shadow]) -> FloatArray:
        """The light (N,) at samples, with the sky (N,) hidden there and the shadows known."""
        lost = (self.room[0] + beside.facing @ self.room[1:]) * sky
        for light, shadow in zip(self.lights, shadows, strict=True):
            lost += light[0] * shadow.share
        return np.asarray(1.0 - lost)

    def thrown(self, light: FloatArray, facing: FloatArray, place: FloatArray) -> _Thrown:
        """One light's shadow square to walls that face (N, 2) at places (N, 2)."""
        _, x, y, xx, yx, yy = light
        root = np.stack([facing[:, 0] * xx + facing[:, 1] * yx, facing[:, 1] * yy])
        straight = facing @ np.array([x, y]) + self.thickness / _HIGH_MM * (facing * place).sum(axis=1)
        # Light that grazes a rounded edge touches it below its face: the tangent to the rounding's circle.
        lean = np.maximum(straight, 0.0) / self.thickness
        slant = np.sqrt(1 + lean**2)
        reach = straight - self.rounding * (1 + lean - slant)
        spread = np.sqrt((root**2).sum(axis=0) + _SHARPEST_MM**2)
        return _Thrown(reach, spread, root, 1 - self.rounding / self.thickness * (1 - lean / slant))

    def slopes(self, beside: Beside, sky: FloatArray, shadows: Sequence[_Shadow]) -> FloatArray:
        """Derivatives (P, N) of the light at samples by every light's and the room's values; as `left` takes them."""
        told, (x, y) = [], beside.facing.T
        for light, shadow in zip(self.lights, shadows, strict=True):
            thrown, at = shadow.thrown, shadow.deep
            bell = -light[0] * np.exp(-0.5 * at**2) / np.sqrt(2 * np.pi) / thrown.spread
            wide = -bell * at / thrown.spread
            (across, up), moved = thrown.root, bell * thrown.gain
            told += [-shadow.share, moved * x, moved * y, wide * across * x, wide * across * y, wide * up * y]
        return np.stack([*told, -sky, -sky * x, -sky * y])


@dataclass(frozen=True, eq=False, slots=True)
class _Thrown:
    """reach, spread (N,) mm; root (2, N) whose squares sum up to the spread's; gain (N,) of the reach over a sharp edge's."""

    reach: FloatArray
    spread: FloatArray
    root: FloatArray
    gain: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class _Shadow:
    """One light's shadow at samples: how deep in it (N,) they lie, in its spread, and the share of the light lost (N,)."""

    thrown: _Thrown
    deep: FloatArray
    share: FloatArray


def _normal_share(x: FloatArray) -> FloatArray:
    """Share of a normal distribution below x, to 1e-8; SciPy's own would take longer to load than the whole fit."""
    return np.interp(x, _NORMAL_AT, _NORMAL_SHARE)


def _hidden_sky(away: FloatArray, thickness: float) -> FloatArray:
    """Share of an even sky's light that a long wall keeps off: half of 1 - cosine of the angle under which it stands
    (form factor of a strip square to the ground; from memory of the usual tables).
    """
    return np.asarray(0.5 * (1 - away / np.hypot(away, thickness)))


def fitted_shade(beside: Beside, thickness: float, rounding: float) -> Shade:
    """The lights and the room that explain the paper's tone best; strays count little. Each light is sought all round."""
    best = [Shade(np.zeros((0, _OF_LIGHT)), _START_ROOM, thickness, rounding)]
    few, many = beside.some(_FEW), beside.some(_MANY)
    for _ in range(_LIGHTS):
        more = [replace(best[0], lights=np.vstack([start, best[0].lights])) for start in _starts()]
        trials = sorted((_solved(few, one, _QUICK) for one in more), key=lambda trial: trial[1])
        best = [shade for shade, _ in trials]
    return min((_solved(many, one, _THOROUGH) for one in best[:_FINALISTS]), key=lambda trial: trial[1])[0]


def missed_by(shade: Shade, beside: Beside) -> float:
    """How badly a shade explains samples: 0 where all lie on it, about the mean miss over `_LOSS` where they lie far off."""
    off = beside.tone - shade.left(beside, _hidden_sky(beside.away, shade.thickness), shade.shadows(beside))
    return float((np.sqrt(1 + (off / _LOSS) ** 2) - 1).mean())


def refitted_shade(beside: Beside, shade: Shade, *, roughly: bool = False) -> Shade:
    """A shade made better by better samples; roughly : by some of them."""
    return _solved(beside.some(_FEW if roughly else _MANY), shade, _THOROUGH)[0]


def _starts() -> list[FloatArray]:
    turns = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    spread = [_START_SPREAD_MM, 0.0, _START_SPREAD_MM]
    return [np.array([_START_SHARE, _START_MM * np.cos(a), _START_MM * np.sin(a), *spread]) for a in turns]


def _solved(beside: Beside, start: Shade, turns: int) -> tuple[Shade, float]:
    """The shade and its cost after so many steps of Levenberg and Marquardt's method, samples weighed by how well they fit."""
    lights = len(start.lights)
    size = np.array([1.0, *[start.thickness] * 5])
    least, most = np.r_[np.tile(_LEAST * size, lights), _ROOM_LEAST], np.r_[np.tile(_MOST * size, lights), _ROOM_MOST]
    whole = np.r_[np.tile(np.eye(_OF_LIGHT)[0], lights), 1.0, 0.0, 0.0]
    firm = _WHOLE_SHARE * len(beside.tone) * (_LOSS / _WHOLE_U) ** 2

    def shade(values: FloatArray) -> Shade:
        return Shade(values[:-3].reshape(-1, _OF_LIGHT), values[-3:], start.thickness, start.rounding)

    def missed(values: FloatArray) -> tuple[FloatArray, FloatArray, float, list[_Shadow]]:
        told = shade(values)
        shadows = told.shadows(beside)
        off = beside.tone - told.left(beside, sky, shadows)
        root = np.sqrt(1 + (off / _LOSS) ** 2)
        cost = float((root - 1).sum() + firm / _LOSS**2 * max(whole @ values - 1, 0.0) ** 2 / 2)
        return off, 1 / root, cost, shadows

    values, damping, sky = np.r_[start.lights.ravel(), start.room], 0.01, _hidden_sky(beside.away, start.thickness)
    off, weight, cost, shadows = missed(values)
    for _ in range(turns):
        slopes = shade(values).slopes(beside, sky, shadows)
        over = max(float(whole @ values) - 1, 0.0)
        normal = (slopes * weight) @ slopes.T + (firm * np.outer(whole, whole) if over else 0.0)
        toward = slopes @ (weight * off) - firm * over * whole
        step = np.linalg.solve(normal + np.diag(damping * np.diag(normal) + 1e-6), toward)
        tried = np.clip(values + step, least, most)
        after = missed(tried)
        gain = cost - after[2]
        damping = damping / 5 if gain > 0 else damping * 10
        if gain > 0:
            values, (off, weight, cost, shadows) = tried, after
        if 0 < gain < _LEAST_GAIN * cost or damping > 1e6:
            break
    return shade(values), cost
