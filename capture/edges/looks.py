"""Whether what lies just inside a possible edge looks like the material further in.

Between an edge and the rim of its hard shadow lies paper, which never looks quite like the material, though the step
between them may be faint beside the one to lit paper.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from capture.edges.strip import Strip, Tones
from fit.points import FloatArray

__all__ = ["mean_along", "other_look"]

_BAND_MM, _DEEPER_MM, _DEEP_MM = (0.15, 0.9), (1.1, 2.1, 3.0), 0.8
_INNERMOST_MM, _USUAL_MM, _LOOK_MM, _LEAST_LOOK, _SHADING = 1.2, 6.0, 1.5, 0.02, 0.1
"""Where looks are compared, mm inside a possible edge; over which lengths along it; the least difference that counts,
and the share of the material's own look that light and reflections may make of it towards an edge."""


def other_look(strip: Strip | Tones, offsets: FloatArray, deep: int = len(_DEEPER_MM)) -> FloatArray:
    """How unlike what lies further in the band just inside each offset (G,) of a ring looks, 0 to 1 (G, M).

    Differences count over what the material itself shows at the innermost offsets. deep : at how many depths the band
    is compared with what lies there.
    """
    nearer, inner = offsets - _BAND_MM[0], offsets - _BAND_MM[1]
    spans = [(inner, nearer), *((offsets - d - _DEEP_MM, offsets - d) for d in _DEEPER_MM[:deep])]
    band, *deeper = _mean_roots(strip, spans)
    unlike = np.max([np.sqrt(((band - look) ** 2).sum(axis=0)) for look in deeper], axis=0)
    innermost = offsets < offsets[0] + _INNERMOST_MM
    spacing = strip.contour.spacing
    usual = _usual_along(np.quantile(unlike[innermost], 0.7, axis=0), round(_USUAL_MM / spacing))
    found = mean_along(unlike, round(_LOOK_MM / spacing))
    shading = _SHADING * np.linalg.norm(np.median(band[:, innermost], axis=(1, 2)))
    return np.clip(found / np.maximum(2 * usual, max(_LEAST_LOOK, float(shading))) - 1, 0, 1)


def _mean_roots(strip: Strip | Tones, spans: Sequence[tuple[FloatArray, FloatArray]]) -> list[FloatArray]:
    """Mean square root of tone (3, G, M) over each span of offsets [low, high), both (G,), the same at all rows."""
    if strip.tone is None:
        message = "Only strips made from a picture know their tone."
        raise ValueError(message)
    root = np.ascontiguousarray(np.sqrt(strip.tone).transpose(2, 1, 0))  # so that whole columns are summed at once
    sums = np.zeros((root.shape[0], root.shape[1] + 1, root.shape[2]))
    np.cumsum(root, axis=1, dtype=float, out=sums[:, 1:])
    places = (np.rint((np.stack(span) - strip.start) / strip.step).astype(int) for span in spans)
    columns = (np.clip(place, 0, root.shape[1]) for place in places)
    return [(sums[:, b] - sums[:, a]) / np.maximum(b - a, 1)[:, None] for a, b in columns]


def _usual_along(values: FloatArray, half: int) -> FloatArray:
    """Running median (M,) along a ring, over `half` rows either way."""
    half = min(half, (len(values) - 1) // 2)
    wide = np.concatenate([values[-half:], values, values[:half]])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(wide, 2 * half + 1), axis=1))


def mean_along(values: FloatArray, half: int) -> FloatArray:
    """Running mean of rings (..., M) over `half` places either way."""
    wide = np.concatenate([values[..., -half:], values, values[..., :half]], axis=-1)
    total = np.concatenate([np.zeros((*wide.shape[:-1], 1)), np.cumsum(wide, axis=-1)], axis=-1)
    return np.asarray((total[..., 2 * half + 1 :] - total[..., : -2 * half - 1]) / (2 * half + 1))
