"""Pictures for people: the photo with what was measured drawn on it, and the flattened photo at true size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.camera.image import Image, upright
from capture.edges.flatten import flatten
from capture.edges.lettering import HALO, INK, Words, write_apart
from capture.edges.measure import MeasuredPart
from fit.feature import Feature
from fit.points import FloatArray, Points

__all__ = ["OTHER", "flat_png", "flattened_png", "marked_png", "overlay_png"]

_MOST_PX = 1600
_LETTERS_PX = 2000
"""Length of picture that letters of size 1 suit."""
OTHER = (0, 120, 255)
_AXIS_MM = 25.0
_EDGE, _HOLE = (40, 140, 0), (200, 60, 0)


def overlay_png(image: Image, pixels: NDArray[np.uint8], bench: Bench, part: MeasuredPart) -> bytes:
    """The photo upright, at most 1600 px long, with edges, names and sizes drawn on it."""
    return marked_png(image, pixels, bench, part.features, part.points)


def marked_png(
    image: Image,
    pixels: NDArray[np.uint8],
    bench: Bench,
    features: Sequence[Feature],
    points: Points,
    others: FloatArray | None = None,
) -> bytes:
    """The photo upright, at most 1600 px long, with features, their points (labelled with their names) and sizes.

    others : (N, 3) mm, places of edges that were not taken but may be what is meant, in orange.
    """
    import cv2

    scale = min(1.0, _MOST_PX / max(pixels.shape[:2]))
    small = _reduced(pixels, scale)
    shown = np.ascontiguousarray(upright(small, image.orientation))
    shown = cv2.addWeighted(shown, 0.75, np.full_like(shown, 255), 0.25, 0)
    size = max(shown.shape[:2]) / _LETTERS_PX

    def place(xyz: FloatArray) -> NDArray[np.int_]:
        displayed = image.to_displayed(bench.project(xyz))
        return np.rint((displayed + 0.5) * scale - 0.5).astype(int)

    for x, y in place(others) if others is not None and len(others) else ():
        cv2.circle(shown, (int(x), int(y)), max(1, round(1.2 * size)), OTHER, -1, cv2.LINE_AA)
    marks = np.zeros((0, 2), int)
    for feature in features:
        colour = _EDGE if feature.kind in ("path", "line", "arc") else _HOLE
        dots = place(points.labelled(feature.name).xyz)
        marks = np.concatenate([marks, dots])
        for x, y in dots:
            cv2.circle(shown, (int(x), int(y)), max(1, round(2 * size)), colour, -1, cv2.LINE_AA)
    ranked = sorted(features, key=lambda f: f.kind in ("path", "line", "arc"))
    labels = [words for feature in ranked for words in _labels(feature, place, size)]
    write_apart(shown, [*labels, *_axes(shown, place, size)], marks)
    return _png(shown)


def _reduced(pixels: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """The picture at a scale of 1 at most: by a whole number first, which takes a fifth of the time of any other."""
    import cv2

    size = (round(scale * pixels.shape[1]), round(scale * pixels.shape[0]))
    whole = int(1 / scale + 1e-9)
    if whole > 1:
        pixels = cv2.resize(pixels, None, fx=1 / whole, fy=1 / whole, interpolation=cv2.INTER_AREA)
    return pixels if pixels.shape[1::-1] == size else cv2.resize(pixels, size, interpolation=cv2.INTER_LINEAR)


def _axes(shown: NDArray[np.uint8], place: Any, size: float) -> list[Words]:
    """Arrows along the print's axes from their origin, and their names; none where that lies outside the picture."""
    import cv2

    origin, *ends = place(np.array([(0.0, 0.0, 0.0), (_AXIS_MM, 0.0, 0.0), (0.0, _AXIS_MM, 0.0)]))
    if (origin < 0).any() or (origin >= shown.shape[1::-1]).any():
        return []
    for end in ends:
        for colour, weight in ((HALO, max(3, round(8 * size))), (INK, max(1, round(3 * size)))):
            cv2.arrowedLine(shown, origin.tolist(), end.tolist(), colour, weight, cv2.LINE_AA, tipLength=0.2)
    return [
        Words((f"print {name}",), end + (end - origin) // 3, 0.75 * size) for name, end in zip("xy", ends, strict=True)
    ]


def _labels(feature: Feature, place: Any, size: float) -> list[Words]:
    """Name and main size beside a hole, slot or edge; a number beside each piece of an outline."""
    if feature.kind in ("path", "line", "arc"):
        edges = {f"{i}": segment for i, segment in enumerate(feature.segments, 1)} or {feature.name: feature}
        return [
            Words((f"{name}: {_edge_words(edge)}",), place(_middle(edge)[None])[0], 0.75 * size)
            for name, edge in edges.items()
        ]
    centre = feature.vector(("x", "y", "z"))
    reach = _half_extent(feature)
    around = place(centre + np.array([[reach, 0, 0], [-reach, 0, 0], [0, reach, 0], [0, -reach, 0]]))
    sizes = (
        f"dia {feature['diameter']:.2f}"
        if feature.kind == "circle"
        else f"{feature['length']:.2f} x {feature['width']:.2f}"
    )
    middle = np.array([around[:, 0].max() + round(100 * size), round(around[:, 1].mean())])
    narrow = feature["diameter" if feature.kind == "circle" else "width"] / (2 * reach)
    rim = np.array([*around.mean(axis=0), narrow * np.ptp(around[:, 0]) / 2])
    return [Words((feature.name, sizes), middle, size, rim)]


def _half_extent(feature: Feature) -> float:
    """How far a hole or slot reaches from its middle across, mm."""
    if feature.kind == "circle":
        return feature["diameter"] / 2
    narrow, turn = feature["width"] / 2, min(abs(np.sin(feature["angle"])), abs(np.cos(feature["angle"])))
    return float(narrow + turn * (feature["length"] / 2 - narrow))


def _edge_words(edge: Feature) -> str:
    return f"R {edge['radius']:.1f}" if edge.kind == "arc" else f"{edge['length']:.1f}"


def _middle(segment: Feature) -> FloatArray:
    if segment.kind == "line":
        return (segment.vector(("x1", "y1", "z1")) + segment.vector(("x2", "y2", "z2"))) / 2
    angle = segment["start"] + segment["span"] / 2
    out = np.array([np.cos(angle), np.sin(angle), 0.0]) * segment["radius"]
    return segment.vector(("x", "y", "z")) + out


def flattened_png(pixels: NDArray[np.uint8], bench: Bench, part: MeasuredPart) -> bytes:
    """The frame's plane at the part's height, whole, with a resolution tag that makes it open at true size."""
    piece = bench.pieces[0].piece
    sx, sy = bench.scale
    bounds = (-5.0, piece.width * sx + 5, -5.0, piece.height * sy + 5)
    return flat_png(pixels, bench, part.sheet.height, bounds)


def flat_png(
    pixels: NDArray[np.uint8], bench: Bench, height: float, bounds: tuple[float, float, float, float]
) -> bytes:
    """A plane parallel to the bench within bounds (x least, x most, y least, y most) mm, to open at true size."""
    step = max(bounds[1] - bounds[0], bounds[3] - bounds[2]) / (_MOST_PX - 1)
    return _png(flatten(pixels, bench, height, bounds, step).pixels, 1000 / step)


def _png(pixels: NDArray[np.uint8], px_per_metre: float | None = None) -> bytes:
    """PNG bytes, quick to write; with a pHYs chunk (PNG specification, 11.3.4.3) where a scale is given."""
    import struct
    import zlib

    import cv2

    # A photo repeats itself nowhere, so that looking for it takes time and saves nothing.
    quick = [cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_HUFFMAN_ONLY]
    if hasattr(cv2, "IMWRITE_PNG_FILTER"):  # OpenCV's default tries five filters on every row
        quick += [cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_SUB]
    _, coded = cv2.imencode(".png", pixels, quick)
    data = coded.tobytes()
    if px_per_metre is None:
        return data
    content = b"pHYs" + struct.pack(">IIB", round(px_per_metre), round(px_per_metre), 1)
    chunk = struct.pack(">I", 9) + content + struct.pack(">I", zlib.crc32(content))
    header_end = 8 + 25
    return data[:header_end] + chunk + data[header_end:]
