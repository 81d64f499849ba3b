"""What the ground looks like where no part lies, told from the printed pieces: which side of an edge is ground is then known.

Paper and bench are dull and lit alike where they lie side by side, so a bench is as much darker than the white of a strip
in one place as in another, while brushed metal mirrors the room. A shadow takes light off the ground and leaves it about
its hue. About a frame lies its own paper, so that beside it nothing is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.strip import Contour, Lit
from fit.points import FloatArray

__all__ = ["OpenGround", "open_ground"]

_ASIDE_MM, _PLACES = (8.0, 11.0, 14.0), 24
"""How far beside a strip the bench is looked at, clear of the margin of its paper, and in how many places a side."""
_LEAST_SEEN, _MOST_SPREAD, _PAPER = 60, 0.25, -0.15
"""Places that must be in the picture; most spread of one bench; and logarithm of tone against white paper's, from which it
may be the strips' own sheet, not cut out, that is seen."""
_PER_MM, _HELD, _ROUNDS, _STRAY = 0.01, 1e-3, 4, 0.1
"""Unit of places in the plane of light; how firmly it is held level; rounds, and logarithm of tone that counts half in them."""
_LIT_U, _HUE_U, _SHADED_HUE_U = 0.1, 0.04, 0.12
"""How far lit ground may be from what is expected, in the logarithm of tone and in its hue; hue in shadow."""
_SHADED, _DARKEST = 0.4, -1.8
"""Share of grounds that lie in shadow, and the deepest shadow."""
_ANY_TONE, _ANY_HUE_U = 5.0, 0.3
"""Range of tones, and spread of hues, of whatever is not ground."""
_LEAST_TONE = 1e-3


@dataclass(frozen=True, eq=False, slots=True)
class OpenGround:
    """light (3, 3): logarithm of white paper's tone, as a plane over places on the bench; shade (3,): how far the bench
    beside the strips is from that, None where there is none to be seen.
    """

    light: FloatArray
    shade: FloatArray | None

    def favours(self, contour: Contour, metal: FloatArray, ground: FloatArray) -> float:
        """Logarithm of how much likelier the look beyond a contour is the ground and that inside it is not, than the other
        way round; 0 where the ground is not known. metal, ground : logarithms of tone (3,).
        """
        if self.shade is None:
            return 0.0
        x, y = _PER_MM * contour.xy.mean(axis=0)
        expected = np.array([1.0, x, y]) @ self.light + self.shade
        return _likeness(ground - expected) - _likeness(metal - expected)


def open_ground(lit: Lit, bench: Bench) -> OpenGround:
    """The light on the strips of a photo, and the bench beside them."""
    strips = [j for j, found in enumerate(bench.pieces) if found.piece.kind == "strip"]
    if not strips or len(strips) < len(bench.pieces):
        return OpenGround(np.zeros((3, 3)), None)
    white, beside = (np.concatenate([places(bench, j) for j in strips]) for places in (_white_cells, _beside))
    tone, seen = _tones(lit, bench, white)
    light = _plane(white[seen], tone[seen])
    return OpenGround(light, _shade(lit, bench, beside, light))


def _shade(lit: Lit, bench: Bench, places: FloatArray, light: FloatArray) -> FloatArray | None:
    tone, seen = _tones(lit, bench, places)
    if seen.sum() < _LEAST_SEEN:
        return None
    away = tone[seen] - _rows(places[seen]) @ light
    shade = np.median(away, axis=0)
    spread = 1.4826 * np.median(np.abs(away - shade), axis=0).max()
    return shade if spread < _MOST_SPREAD and shade.max() < _PAPER else None


def _white_cells(bench: Bench, j: int) -> FloatArray:
    """Places (N, 2) on the bench in the white about the markers of a piece."""
    piece = bench.pieces[j].piece
    corners = piece.markers_xy(piece.marker_cells())
    middles, sides = corners.mean(axis=1, keepdims=True), (corners + np.roll(corners, 1, axis=1)) / 2
    half = (piece.square + piece.marker) / 2 / piece.marker
    return bench.on_piece(j, (middles + half * (sides - middles)).reshape(-1, 2))


def _beside(bench: Bench, j: int) -> FloatArray:
    """Places (N, 2) on the bench about a strip."""
    piece = bench.pieces[j].piece
    along = np.linspace(0, 1, _PLACES)
    sides = []
    for aside in _ASIDE_MM:
        x, y = along * piece.width, along * piece.height
        sides += [np.column_stack([x, np.full(_PLACES, end)]) for end in (-aside, piece.height + aside)]
        sides += [np.column_stack([np.full(_PLACES, end), y]) for end in (-aside, piece.width + aside)]
    return bench.on_piece(j, np.concatenate(sides))


def _tones(lit: Lit, bench: Bench, places: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Logarithm of tone (N, 3) at places on the bench, and which (N,) are in the picture."""
    import cv2

    px = bench.project(np.column_stack([places, np.zeros(len(places))]))
    seen = np.asarray(((px > 1) & (px < np.array(bench.image.size) - 2)).all(axis=1))
    at = px.astype(np.float32)[:, None]
    tone = cv2.remap(lit.pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.log(tone.reshape(len(places), -1) / 65535 + _LEAST_TONE), seen


def _rows(places: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(len(places)), _PER_MM * places])


def _plane(places: FloatArray, tone: FloatArray) -> FloatArray:
    """Plane (3, 3) through tones (N, 3) at places, level where they leave it free, robust against glare and shadows."""
    rows, weight = _rows(places), np.ones(len(places))
    middle = np.array([1.0, *_PER_MM * places.mean(axis=0)])
    centred = rows - np.array([0.0, *middle[1:]])
    for _ in range(_ROUNDS):
        weighed = centred * weight[:, None]
        normal = centred.T @ weighed + np.diag([0.0, _HELD, _HELD]) * weight.sum()
        plane = np.linalg.solve(normal, weighed.T @ tone)
        weight = 1 / (1 + (np.abs(tone - centred @ plane).max(axis=1) / _STRAY) ** 2)
    return np.vstack([plane[0] - middle[1:] @ plane[1:], plane[1:]])


def _likeness(away: FloatArray) -> float:
    """Logarithm of how much likelier a tone so far (3,) from the open ground's is ground, lit or shaded, than anything."""
    level = float(away.mean())
    hue = math.sqrt(float(((away - level) ** 2).sum()))
    lit = (1 - _SHADED) * _normal(level, _LIT_U) * _two_normals(hue, _HUE_U)
    shaded = _SHADED / -_DARKEST * _two_normals(hue, _SHADED_HUE_U) if _DARKEST < level < 0 else 0.0
    return math.log((lit + shaded) / (_two_normals(hue, _ANY_HUE_U) / _ANY_TONE) + 1e-3)


def _normal(x: float, u: float) -> float:
    return math.exp(-0.5 * (x / u) ** 2) / (u * math.sqrt(2 * math.pi))


def _two_normals(length: float, u: float) -> float:
    """Density of two values, each normal with u, whose root sum of squares is known."""
    return math.exp(-0.5 * (length / u) ** 2) / (2 * math.pi * u**2)
