"""Pictures of a job's photo: marks on the photo, the bench flattened for reading way-points off, every pick enlarged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from capture.edges.lettering import Words, write_at
from capture.edges.overlay import OTHER, flat_png, marked_png
from fit.feature import Feature
from fit.points import FloatArray, Points

if TYPE_CHECKING:
    from capture.camera.bench import Bench
    from capture.camera.image import Image
    from capture.edges.picked import Lead, Pick

__all__ = ["Marked", "photo_pictures"]

_TILE, _MOST_TILES, _COLUMNS = 480, 40, 4
_VIEW_MM = 8.0
_MARGIN_MM = 25.0
_POINT, _PICK = (40, 140, 0), (220, 60, 200)


@dataclass(frozen=True, eq=False, slots=True)
class Marked:
    """What is drawn on a photo: features, their points, and the edges they were chosen from, by name."""

    features: Sequence[Feature]
    points: Points | None
    leads: Mapping[str, Lead] = field(default_factory=dict)

    def other_edge(self, name: str) -> FloatArray:
        """Places (N, 3) mm of the edge that a feature may be as well; none where it is in no doubt."""
        one = self.leads.get(name)
        if one is None or one.other is None:
            return np.zeros((0, 3))
        line = one.other.contour
        return np.column_stack([line.xy, np.full(len(line.xy), line.height)])


def photo_pictures(
    image: Image, pixels: NDArray[np.uint8], bench: Bench, picks: Sequence[Pick], marked: Marked
) -> dict[str, bytes]:
    """overlay.png, flattened.png at the first pick's height, and picks.png with each pick enlarged."""
    points = marked.points or Points(np.zeros((0, 3)))
    height = picks[0].known.sheet.height if picks else 0.0
    others = np.vstack([np.zeros((0, 3)), *(marked.other_edge(pick.name) for pick in picks)])
    return {
        "overlay.png": marked_png(image, pixels, bench, marked.features, points, others),
        "flattened.png": flat_png(pixels, bench, height, _bounds(bench, picks)),
        "picks.png": _picks_png(pixels, bench, picks, marked),
    }


def _bounds(bench: Bench, picks: Sequence[Pick]) -> tuple[float, float, float, float]:
    """What the target and the way-points cover, with a margin: (x least, x most, y least, y most) mm."""
    from capture.camera.health import target_hull

    places = np.vstack([target_hull(bench), *(pick.near for pick in picks)])
    low, high = places.min(axis=0) - _MARGIN_MM, places.max(axis=0) + _MARGIN_MM
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _picks_png(pixels: NDArray[Any], bench: Bench, picks: Sequence[Pick], marked: Marked) -> bytes:
    """A sheet of enlarged views: way-points as crosses, the edge taken as green dots, the one in question as orange ones."""
    tiles = [_tile(pixels, bench, pick, marked) for pick in picks[:_MOST_TILES]]
    columns = min(_COLUMNS, len(tiles))
    rows = math.ceil(len(tiles) / max(columns, 1))
    sheet = np.full((max(rows, 1) * _TILE, max(columns, 1) * _TILE, 3), 255, np.uint8)
    for i, tile in enumerate(tiles):
        top, left = (i // columns) * _TILE, (i % columns) * _TILE
        sheet[top : top + _TILE - 4, left : left + _TILE - 4] = tile[:-4, :-4]
    return png_of(sheet)


def png_of(pixels: NDArray[np.uint8]) -> bytes:
    """PNG bytes, quick to write."""
    import cv2

    _, coded = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return bytes(coded.tobytes())


def _tile(pixels: NDArray[Any], bench: Bench, pick: Pick, marked: Marked) -> NDArray[np.uint8]:
    """The middle of a pick on its own face, `_VIEW_MM` about it or a hole's whole rim."""
    import cv2

    from capture.edges.flatten import flatten

    points = (marked.points or Points(np.zeros((0, 3)))).labelled(pick.name)
    other = marked.other_edge(pick.name)
    middle, reach = _view(pick, points)
    bounds = (middle[0] - reach, middle[0] + reach, middle[1] - reach, middle[1] + reach)
    flat = flatten(pixels, bench, pick.known.sheet.height, bounds, 2 * reach / _TILE)
    tile = np.ascontiguousarray(flat.pixels[:_TILE, :_TILE])
    tile = cv2.copyMakeBorder(tile, 0, _TILE - tile.shape[0], 0, _TILE - tile.shape[1], cv2.BORDER_REPLICATE)
    for places, colour in ((other, OTHER), (points.xyz, _POINT)):
        for x, y in _places(flat.to_flat(places[:, :2])):
            cv2.circle(tile, (x, y), 1, colour, -1, cv2.LINE_AA)
    for x, y in _places(flat.to_flat(np.asarray(pick.near, float))):
        cv2.drawMarker(tile, (x, y), _PICK, cv2.MARKER_CROSS, 16, 1, cv2.LINE_AA)
    words = pick.name if len(points) else f"{pick.name}: not measured"
    if len(other):
        words += f": another edge {abs(marked.leads[pick.name].apart):.1f} mm away"
    write_at(tile, Words((words,), np.array([_TILE // 2, _TILE - 20]), 0.6))
    return tile


def _view(pick: Pick, points: Points) -> tuple[FloatArray, float]:
    """Middle and half-width of the enlarged view, mm."""
    if pick.kind in ("circle", "slot") and len(points):
        low, high = points.xyz[:, :2].min(axis=0), points.xyz[:, :2].max(axis=0)
        return (low + high) / 2, 0.6 * float((high - low).max())
    if not len(points):
        return np.asarray(pick.near, float).mean(axis=0), _VIEW_MM
    return points.xyz[len(points) // 2, :2], _VIEW_MM


def _places(px: FloatArray) -> list[tuple[int, int]]:
    return [(int(x), int(y)) for x, y in np.rint(px) if abs(x) < 1e4 and abs(y) < 1e4]
