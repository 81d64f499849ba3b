"""Tell the part from the paper it lies on, in the flattened picture of the frame's blank middle.

Paper is smooth in tone: a quadratic of log brightness through the blank border (robust, since the part's shadow may fall
there) predicts it everywhere. Whatever departs from it in tone, has an edge or has texture is not bare paper. The part's
contour is then the strongest tone ridge between its core and the bare paper (watershed), which a soft shadow is not.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import Flat, largest_channel
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["PartMask", "disc", "find_part"]

_RIM_MM = 1.0
_BORDER_MM = 5.0
_TONE_LIMIT = 0.07
_LEAST_EDGE, _LEAST_TEXTURE = 0.0015, 0.002
"""What one of 256 grey levels more or less makes of bright paper: compression can leave the border without any noise."""
_DEEP_MM, _CORE_MM, _NEAR_MM = 20.0, 8.0, 3.0
_BAY_MM = 2.0
_PAPER_MM, _PAPER_MM2 = 1.0, 4.0
"""A contour runs over paper where so much in one piece, so far inside it, is bare paper by itself. On 60 ray-traced plates
contours that did had 5 to 19 mm², others up to 2."""
_PLAIN_MM, _PLAIN_MM2, _PLAIN_SHARE = 3.0, 60.0, 0.25
"""A contour may run on a wide shadow's end where so much along its inside is as plain as paper, whatever its tone; what lies
out from a ridge farther in is that shadow where such a share of it is plain. On 55 ray-traced plates two shadows had 0.42 and
0.47, texture of metal 0.07 at most; a shadow's end itself is not plain."""
_GAP_MM = 1.6
_LEAST_AREA_MM2 = 60.0

Mask = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class PartMask:
    """The part's mask (1 inside) on a flattened picture, and that picture divided by the paper's tone (float32).

    bays : masks of places that may be part as well.
    """

    flat: Flat
    mask: Mask
    relative: NDArray[np.float32]
    touches_border: bool
    bays: tuple[Mask, ...] = ()

    def filled(self, bay: Mask) -> PartMask:
        """The same with one bay taken as part."""
        return replace(self, mask=_filled(self.mask | bay))


def disc(radius_mm: float, step: float) -> Mask:
    """A round structuring element."""
    import cv2

    size = 2 * round(radius_mm / step) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)).astype(np.uint8)


def find_part(flat: Flat, margin: float) -> PartMask:
    """Find the part in a flattened picture of the blank middle; `margin` mm of it lies outside the blank.

    Raises CannotDetermine where there is nothing on the paper.
    """
    import cv2

    tone = flat.pixels.astype(np.float32)
    border, inner = _border(tone.shape[:2], margin, flat.step)
    relative = tone / _paper(tone, border)
    fine = cv2.GaussianBlur(relative, (0, 0), 1.0)
    plain, blank = _plain(relative, fine, border, inner)
    part = _reachable(blank, border, inner, flat.step)
    labels, areas = _pieces(part)
    if areas.max(initial=0) * flat.step**2 < _LEAST_AREA_MM2:
        message = "No part is to be seen inside the frame; lay it on the blank middle and shoot again."
        raise CannotDetermine(message)
    part = _filled((labels == 1 + np.argmax(areas)).astype(np.uint8))
    paper = cv2.dilate(part, disc(0.6, flat.step)) == 0
    smooth = np.clip(fine * 180, 0, 255).astype(np.uint8)
    depth = cv2.distanceTransform(part, cv2.DIST_L2, 5) * flat.step
    mask = _ridge(smooth, part, depth, paper | ~inner, (flat.step, _CORE_MM))
    touching = _meets(part, inner, flat.step) and _meets(
        # It is the part that meets the print, not its shadow, where the print is left open to part and paper alike.
        _ridge(smooth, part, depth, paper & inner, (flat.step, _CORE_MM)),
        inner,
        flat.step,
    )
    ridges = [mask, _ridge(smooth, part, depth, paper | ~inner, (flat.step, _NEAR_MM))]
    inward = cv2.distanceTransform(mask, cv2.DIST_L2, 5) * flat.step
    over_paper = _along(blank, inward, _PAPER_MM, flat.step) > _PAPER_MM2
    if over_paper or _along(plain, inward, _PLAIN_MM, flat.step) > _PLAIN_MM2:
        deep = _ridge(smooth, part, depth, paper | ~inner, (flat.step, _DEEP_MM))
        if over_paper or _mostly(plain, _bays(deep, mask, flat.step)):
            ridges.insert(0, deep)
    bays = tuple(bay for near, far in itertools.pairwise(ridges) for bay in _bays(near, far, flat.step))
    return PartMask(flat, ridges[0], relative, touching, bays)


def _border(shape: tuple[int, int], margin: float, step: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The band of blank paper next to the print, and all that lies inside the print."""
    rows, columns = shape
    near, far = round((margin + _RIM_MM) / step), round((margin + _BORDER_MM) / step)
    inner, border = np.zeros(shape, bool), np.zeros(shape, bool)
    inner[near : rows - near, near : columns - near] = True
    border |= inner
    border[far : rows - far, far : columns - far] = False
    return border, inner


def _quadratic(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _paper(tone: NDArray[np.float32], border: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Tone of bare paper everywhere, from the border: the brighter side counts, shadows are darker."""
    import cv2

    rows, columns = border.shape
    y, x = np.nonzero(border[::4, ::4])
    terms = _quadratic(4 * x / columns - 0.5, 4 * y / rows - 0.5)
    log_tone = np.log(np.maximum(tone[4 * y, 4 * x], 1.0))
    used = np.ones(len(x), bool)
    for _ in range(6):
        surface = np.linalg.lstsq(terms[used], log_tone[used], rcond=None)[0]
        miss = log_tone - terms @ surface
        spread = 1.4826 * np.median(np.abs(miss[used] - np.median(miss[used], axis=0))) + 0.004
        used = (miss < 3 * spread).all(axis=1) & (miss > -2 * spread).all(axis=1)
        if used.sum() < 50:
            message = "The paper round the part is too uneven in tone; shoot in even light without strong shadows."
            raise CannotDetermine(message)
    y, x = np.mgrid[0:rows:8, 0:columns:8]
    coarse = np.exp(_quadratic(x / columns - 0.5, y / rows - 0.5) @ surface).astype(np.float32)
    return cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_LINEAR)


def _plain(
    relative: NDArray[np.float32], fine: NDArray[np.float32], border: NDArray[np.bool_], inner: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """What is without edge and texture, each judged by the border's own spread; and bare paper, also right in tone.

    fine : the picture slightly smoothed.
    """
    import cv2

    coarse = cv2.GaussianBlur(relative, (0, 0), 2.0)
    off_tone = largest_channel(np.abs(coarse - 1))
    slopes = [cv2.Sobel(coarse, cv2.CV_32F, dx, dy, scale=1 / 8) for dx, dy in ((1, 0), (0, 1))]
    edge = np.sqrt(largest_channel(slopes[0] ** 2 + slopes[1] ** 2))
    texture = np.sqrt(np.maximum(cv2.blur(largest_channel((fine - coarse) ** 2), (9, 9)), 0))
    sure = border & (off_tone < 0.03)
    limits = []
    for measure, least in ((edge, _LEAST_EDGE), (texture, _LEAST_TEXTURE)):
        there = measure[sure]
        usual = np.median(there)
        limits.append(max(usual + 6 * 1.4826 * float(np.median(np.abs(there - usual))), least))
    plain = inner & (edge <= limits[0]) & (texture <= limits[1])
    return plain, plain & (off_tone <= _TONE_LIMIT)


def _reachable(blank: NDArray[np.bool_], border: NDArray[np.bool_], inner: NDArray[np.bool_], step: float) -> Mask:
    """What a disc rolling over bare paper from the border cannot reach, so that a faint stretch of edge lets none in."""
    import cv2

    room = cv2.erode(blank.astype(np.uint8), disc(_GAP_MM, step))
    room[border & blank] = 1
    _, labels = cv2.connectedComponents(room, connectivity=4)
    seeds = np.unique(labels[border & (room > 0)])
    paper = np.isin(labels, seeds[seeds > 0]).astype(np.uint8)
    paper = cv2.dilate(paper, disc(_GAP_MM, step)) & blank.astype(np.uint8)
    part = ((paper == 0) & inner).astype(np.uint8)
    return cv2.morphologyEx(part, cv2.MORPH_OPEN, disc(1.0, step)).astype(np.uint8)


def _pieces(mask: Mask) -> tuple[NDArray[np.int32], NDArray[np.int_]]:
    """Which piece of a mask each pixel belongs to, from 1, and how many each has; OpenCV's own count takes thrice as long."""
    import cv2

    count, labels = cv2.connectedComponents(mask)
    return labels.astype(np.int32, copy=False), np.bincount(labels[mask > 0], minlength=count)[1:]


def _filled(mask: Mask) -> Mask:
    import cv2

    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(mask), contours, -1, 1, -1).astype(np.uint8)


def _meets(part: Mask, inner: NDArray[np.bool_], step: float) -> bool:
    import cv2

    edge = cv2.morphologyEx(inner.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    return bool(((cv2.dilate(part, disc(0.6, step)) > 0) & (edge > 0)).any())


def _ridge(
    smooth: NDArray[Any], part: Mask, depth: NDArray[Any], paper: NDArray[np.bool_], sizes: tuple[float, float]
) -> Mask:
    """Draw the contour along the strongest tone ridge between the bare paper and the part some way in.

    depth : mm, how far inside the part each pixel lies. sizes : mm, of a pixel, and how far in it is the part for sure.
    """
    import cv2

    step, core = sizes
    markers = np.zeros(part.shape, np.int32)
    markers[depth > min(core, 0.5 * float(depth.max()))] = 2
    markers[paper] = 1
    mask = (cv2.watershed(smooth, markers) == 2).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(1.0, step)).astype(np.uint8)
    labels, areas = _pieces(mask)
    return _filled((labels == 1 + np.argmax(areas)).astype(np.uint8)) if len(areas) else part


def _along(ground: NDArray[np.bool_], inward: NDArray[Any], deep: float, step: float) -> float:
    """How much of a ground lies in one piece `deep` to `deep` + 1 mm inside a contour, mm²; inward : mm inside it."""

    rim = ground & (inward > deep) & (inward <= deep + 1)
    return float(_pieces(rim.astype(np.uint8))[1].max(initial=0)) * step**2


def _mostly(plain: NDArray[np.bool_], bays: Sequence[Mask]) -> bool:
    """Whether bays lie out over plain ground."""
    return bool(bays) and float(np.mean(np.concatenate([plain[bay > 0] for bay in bays]))) > _PLAIN_SHARE


def _bays(mask: Mask, wide: Mask, step: float) -> tuple[Mask, ...]:
    """Where the ridge nearest the paper runs well outside the strongest one, which may be texture of the part."""
    import cv2

    apart = cv2.morphologyEx(wide & ~mask & 1, cv2.MORPH_OPEN, disc(_BAY_MM / 2, step)).astype(np.uint8)
    count, labels = cv2.connectedComponents(apart)
    return tuple((labels == i).astype(np.uint8) for i in range(1, count))
