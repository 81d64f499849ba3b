"""Where a round hole may lie about a way-point: blobs of other tone, and circles of which all sides step in tone."""

from __future__ import annotations

import itertools

import numpy as np

from capture.camera.bench import Bench
from capture.edges.candidates import Pick
from capture.edges.flatten import flatten, largest_channel
from capture.edges.part_mask import PartMask
from capture.edges.round_holes import Circle
from capture.edges.strip import Lit
from fit.points import FloatArray

__all__ = ["ABOUT", "patch_about", "ringed"]

ABOUT = (0.7, 1.5)
"""A hole's diameter as a share of the rough one that was typed, least and most: that one may be 30 % out either way."""
_PATCH_MM, _PATCH_STEP_MM = 12.0, 0.15
_GRID_MM, _RADIUS_MM, _ANGLES = 0.5, 0.25, 48
_STEEP = 99.0
_MOST, _APART_MM = 3, 1.0


def patch_about(lit: Lit, bench: Bench, pick: Pick, widths: float = 1.5, step: float = _PATCH_STEP_MM) -> PartMask:
    """The neighbourhood of a hole's way-point, so many of its rough widths about, flattened, as a part without an edge."""
    reach = _PATCH_MM + widths * (pick.about or 15.0)
    x, y = pick.near.mean(axis=0)
    bounds = (x - reach, x + reach, y - reach, y + reach)
    flat = flatten(lit.pixels, bench, pick.known.sheet.height, bounds, step)
    tone = np.sqrt(flat.pixels.astype(np.float32) / 65535)
    mask = np.ones(tone.shape[:2], np.uint8)
    return PartMask(flat, mask, np.float32(1 / max(float(np.median(tone)), 1e-3)) * tone, False)


def ringed(patch: PartMask, near: FloatArray, about: float, reach: float) -> list[Circle]:
    """Circles within `reach` mm of a place (2,) and of roughly the diameter `about` round which tone steps most evenly.

    What lies in a hole, half in shadow or full of light, may hide its shape from any threshold; its rim still steps all
    round. Each step counts up to a limit, so that no strong one makes up for others that are missing.
    """
    slopes = _slopes(patch)
    turn = np.arange(_ANGLES) * (2 * np.pi / _ANGLES)
    ray = np.column_stack([np.cos(turn), np.sin(turn)])
    ticks = np.arange(-reach, reach + 1e-9, _GRID_MM)
    moves = np.array([m for m in itertools.product(ticks, ticks) if np.hypot(*m) <= reach])
    radii = np.arange(ABOUT[0], ABOUT[1] + 1e-9, 2 * _RADIUS_MM / about) * about / 2
    centres = near + moves
    found = []
    for radius in radii:
        places = centres[:, None] + radius * ray
        found.append(_radial(slopes, patch, places, ray).mean(axis=1))
    even = np.array(found)
    kept: list[Circle] = []
    for at in np.argsort(-even, axis=None):
        which, place = np.unravel_index(at, even.shape)
        circle = Circle(float(centres[place, 0]), float(centres[place, 1]), float(radii[which]))
        if all(_distance(circle, other) > _APART_MM for other in kept):
            kept.append(circle)
        if len(kept) == _MOST:
            break
    return kept


def _slopes(patch: PartMask) -> FloatArray:
    """How tone changes across and up (2, H, W) in the channel where it changes most, at most 1 and less than that rarely
    where there is an edge.
    """
    import cv2

    tone = cv2.GaussianBlur(patch.relative, (0, 0), 1.2)
    across, down = (cv2.Sobel(tone, cv2.CV_32F, dx, dy) for dx, dy in ((1, 0), (0, 1)))
    size = across**2 + down**2
    most = size.argmax(axis=2)[..., None]
    slopes = np.stack([np.take_along_axis(s, most, axis=2)[..., 0] for s in (across, -down)])
    steep = np.sqrt(largest_channel(size))
    limit = 0.5 * float(np.percentile(steep, _STEEP))
    return np.asarray(slopes / np.maximum(steep, limit))


def _radial(slopes: FloatArray, patch: PartMask, places: FloatArray, ray: FloatArray) -> FloatArray:
    """How tone changes along rays (A, 2) at places (C, A, 2) mm, nothing outside the patch."""
    px = np.rint(patch.flat.to_flat(places.reshape(-1, 2))).astype(int).reshape(places.shape)
    rows, columns = patch.mask.shape
    column, row = px[..., 0], px[..., 1]
    inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    there = slopes[:, np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
    return np.asarray(np.abs(there[0] * ray[:, 0] + there[1] * ray[:, 1]) * inside)


def _distance(one: Circle, other: Circle) -> float:
    return float(np.hypot(np.hypot(one.x - other.x, one.y - other.y), one.radius - other.radius))
