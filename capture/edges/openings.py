"""Places inside the part that may be holes, slots or cut-outs: closed rings of sharp tone steps, or blobs of other tone.

Many are offered, few are true; fitting their rims decides later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import largest_channel
from capture.edges.part_mask import Mask, PartMask, disc
from capture.edges.planes import Planes, closed, grown, opened, stacked
from capture.edges.round_holes import Circle
from fit.points import FloatArray

__all__ = ["Opening", "distinct", "find_openings", "opening_of", "round_starts"]

_LEAST_MM = 2.0
_MEDIAN_MM = 16.0
_LEVELS = (0.7, 1.0, 1.8, 3.0)
_PLANES = tuple(np.uint8(1 << k) for k in range(len(_LEVELS)))
"""Each level's bit where all are worked on at once."""
_MOST_MISFIT, _MOST_MISFIT_LONG, _LONG = 0.08, 0.2, 1.8
_RING_MM = 2.4
_WHISKER_MM = (0.7, 1.6)
"""Half the width of whiskers (scratches, brushing marks) that are cut off."""
_SAME_MM = 0.6
_HULL_POINTS, _HULL_MISS_MM, _LEAST_HULL, _MOST_OF_LENGTH = 36, 0.2, 0.55, 0.65
"""How a crescent is told from a slot: points round its hull, how far off a circle they may lie, which share of them must lie
on it, and its radius as a share of the crescent's length. Of a slot's hull no more than 0.47 lies on one circle."""


@dataclass(frozen=True, eq=False, slots=True)
class Opening:
    """A candidate: its contour (N, 2) mm on the flattened plane, centre, length and width of its smallest box, and the
    unit direction (2,) of its length.

    misfit: how far its hull's area is from that of a stadium of the same length and width, as a share.
    """

    contour: FloatArray
    centre: FloatArray
    along: FloatArray
    length: float
    width: float
    misfit: float

    @property
    def is_round(self) -> bool:
        return self.length < 1.35 * self.width

    @property
    def circle(self) -> Circle:
        """The circle of its centre and mean width."""
        return Circle(float(self.centre[0]), float(self.centre[1]), (self.length + self.width) / 4)


def find_openings(part: PartMask) -> list[Opening]:
    """Offer candidates inside the part, the larger first; of nested ones at one place the larger is kept first."""
    import cv2

    step, inside = part.flat.step, cv2.erode(part.mask, disc(0.8, part.flat.step))
    corner, near = _beside(inside, round(2 * _RING_MM / step))
    salience = np.where(inside[near] > 0, _salience(part)[near], 0)
    spots = closed(stacked([salience > level for level in _LEVELS]), disc(0.5, step))
    solid = _filled(spots)
    tried = [solid, *(opened(solid, disc(r, step)) for r in _WHISKER_MM)]
    tried.append(opened(_ringed(spots, solid, step), disc(_WHISKER_MM[-1], step)))
    masks = [planes & plane for plane in _PLANES for planes in tried]
    return distinct([opening for mask in masks for opening in _compact(mask, corner, part, inside)])


def _beside(inside: Mask, margin: int) -> tuple[tuple[int, int], tuple[slice, slice]]:
    """The part of the picture that `inside` takes up, and `margin` px more: its corner (column, row), rows and columns."""
    import cv2

    x, y, width, height = cv2.boundingRect(inside)
    left, top = max(x - margin, 0), max(y - margin, 0)
    return (left, top), np.s_[top : y + height + margin, left : x + width + margin]


def _filled(spots: Planes) -> Planes:
    import cv2

    solid = np.zeros_like(spots)
    for plane in _PLANES:
        contours, _ = cv2.findContours(spots & plane, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        solid |= cv2.drawContours(np.zeros_like(spots), contours, -1, int(plane), -1)
    return solid


def _ringed(spots: Planes, solid: Planes, step: float) -> Planes:
    """What rings enclose, with as much of each ring as a wall is wide: for rings that run into glare or the outline."""
    voids = opened(solid & ~spots, disc(0.3 * _LEAST_MM, step))
    return voids | (grown(voids, disc(_RING_MM, step)) & spots)


def _compact(solid: Mask, corner: tuple[int, int], part: PartMask, inside: Mask) -> list[Opening]:
    """Box every blob of a mask whose first pixel is the picture's `corner`."""
    import cv2

    contours, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=corner)
    openings = (opening_of(contour[:, 0], part, inside) for contour in contours)
    return [opening for opening in openings if opening is not None]


def _salience(part: PartMask) -> NDArray[np.float32]:
    """Departure from the face's own tone nearby and edge strength, each over what the face's texture does by itself."""
    import cv2

    tone = np.clip(part.relative * 150, 0, 255).astype(np.uint8)
    inside = part.mask > 0
    small = cv2.resize(tone, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    small_mask = cv2.resize(part.mask, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    if not small_mask.all():
        small = np.where(small_mask[..., None], small, np.median(small[small_mask], axis=0)).astype(np.uint8)
    kernel = min(2 * round(_MEDIAN_MM / (4 * part.flat.step)) + 1, 101)
    usual = cv2.resize(cv2.medianBlur(small, kernel), (tone.shape[1], tone.shape[0])).astype(np.float32)
    smooth = cv2.GaussianBlur(tone, (0, 0), 1.2).astype(np.float32)
    departure = largest_channel(np.abs(smooth - usual)) / np.maximum(largest_channel(usual), 40)
    slopes = [cv2.Sobel(smooth, cv2.CV_32F, dx, dy, scale=1 / 8) for dx, dy in ((1, 0), (0, 1))]
    edge = np.sqrt(largest_channel(slopes[0] ** 2 + slopes[1] ** 2))
    edge_limit = max(2.2 * float(np.percentile(edge[inside], 85)), 2.0)
    tone_limit = max(2.5 * float(np.percentile(departure[inside], 75)), 0.08)
    return np.maximum(edge / edge_limit, departure / tone_limit).astype(np.float32)


def opening_of(contour: NDArray[np.int32], part: PartMask, inside: Mask) -> Opening | None:
    """Turn a ring of pixels into a candidate if it is compact, large enough and clear of the part's own edge."""
    import cv2

    step, least = part.flat.step, 0.6 * _LEAST_MM**2
    _, _, across, down = cv2.boundingRect(contour)
    if (across - 1) * (down - 1) * step**2 < least:  # most are, and their hull lies within
        return None
    hull = cv2.convexHull(contour)
    if cv2.contourArea(hull) * step**2 < least:
        return None
    columns, rows = contour.T
    if (inside[np.clip(rows + 1, 0, None) % inside.shape[0], columns] == 0).mean() > 0.02:
        return None
    (x, y), (a, b), turn_deg = cv2.minAreaRect(contour)
    turn = np.radians(turn_deg if a > b else turn_deg + 90)
    length, width = max(a, b), min(a, b)
    stadium = (length - width) * width + np.pi / 4 * width**2
    misfit = abs(cv2.contourArea(hull) / max(stadium, 1) - 1)
    if width * step < _LEAST_MM or misfit > (_MOST_MISFIT_LONG if length > _LONG * width else _MOST_MISFIT):
        return None
    centre, ahead = part.flat.to_bench(np.array([[x, y], [x + np.cos(turn), y + np.sin(turn)]]))
    along = (ahead - centre) / np.hypot(*(ahead - centre))
    return Opening(part.flat.to_bench(contour.astype(float)), centre, along, length * step, width * step, misfit)


def distinct(found: list[Opening]) -> list[Opening]:
    """Of near copies keep the one most like a stadium; keep other sizes at the same place, since shadows nest in holes."""
    kept: list[Opening] = []
    for opening in sorted(found, key=lambda o: o.misfit):
        if not any(_copies(opening, other) for other in kept):
            kept.append(opening)
    return sorted(kept, key=lambda o: -o.length * o.width)


def _copies(one: Opening, other: Opening) -> bool:
    near = np.hypot(*(one.centre - other.centre)) < max(0.06 * other.width, 0.4)
    return bool(near and 0.92 < one.length / other.length < 1.08)


def round_starts(openings: list[Opening]) -> list[Circle]:
    """Circles of the round candidates, and of crescents that none of these is near."""
    starts = [opening.circle for opening in openings if opening.is_round]
    for opening in openings:
        crescent = _crescent(opening)
        if crescent is not None and not any(_near(crescent, other) for other in starts):
            starts.append(crescent)
    return starts


def _near(one: Circle, other: Circle) -> bool:
    apart = np.hypot(np.hypot(one.x - other.x, one.y - other.y), one.radius - other.radius)
    return bool(apart < _SAME_MM)


def _crescent(opening: Opening) -> Circle | None:
    """The circle that most of a blob's hull lies on: a hole half of which looks like the face shows a crescent of shadow.

    None where less than half of the hull does, as of a slot.
    """
    import cv2

    hull = cv2.convexHull(opening.contour.astype(np.float32))[:, 0].astype(float)
    ring = np.vstack([hull, hull[:1]])
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(ring, axis=0).T))]
    at = np.linspace(0.0, along[-1], _HULL_POINTS, endpoint=False)
    xy = np.column_stack([np.interp(at, along, ring[:, i]) for i in (0, 1)]) - opening.centre
    part = xy[(np.arange(_HULL_POINTS)[:, None] + np.arange(_HULL_POINTS // 2)) % _HULL_POINTS]
    rows = np.concatenate([2 * part, np.ones((*part.shape[:2], 1))], axis=2)
    square = (part**2).sum(axis=2)[..., None]
    turned = np.swapaxes(rows, 1, 2)
    centre, rest = np.split(np.linalg.solve(turned @ rows + 1e-9 * np.eye(3), turned @ square)[..., 0], [2], axis=1)
    radius = np.sqrt(np.maximum(rest[:, 0] + (centre**2).sum(axis=1), 0.0))
    miss = np.abs(np.hypot(*np.moveaxis(xy - centre[:, None], 2, 0)) - radius[:, None])
    share = (miss < _HULL_MISS_MM).mean(axis=1)
    best = int(share.argmax())
    if share[best] < _LEAST_HULL or radius[best] > _MOST_OF_LENGTH * opening.length:
        return None
    x, y = opening.centre + centre[best]
    return Circle(float(x), float(y), float(radius[best]))
