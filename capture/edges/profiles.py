"""How tone runs across short lengths of a sheet's edges, against what each place of the edge would show.

From the metal outward a camera sees the flat face, the band of a rounded edge, the wall where it shows, and the paper in
the light that the sheet's own shadows leave (`capture.edges.shade`); blur joins them. The levels of face, band, wall and
paper are solved for every place tried, so nothing needs to be known of how the metal shines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from capture.edges.lengths import ACROSS, ACROSS_STEP, Lengths, joined
from capture.edges.paper_light import PaperLight
from capture.edges.rims import Sheet
from fit.points import FloatArray

__all__ = ["SHIFTS", "edge_costs"]

SHIFTS = np.arange(-14, 15) * ACROSS_STEP
"""Outward places of the edge tried, mm."""
_PAD, _THIN = 24, 2
_FACE_MM, _PAPER_MM = 0.5, 0.8
_WALL_MM = 0.02
_NEAR_FOOT_MM = 0.4
_REACHES = ((-0.12, 0.25), (0.0, 0.495), (0.12, 0.25), (None, 0.005))
"""How much farther than known a shadow may reach, mm, and how likely; None: that the light here is not as known at all,
but even."""
_NOISE, _SIGHTINGS = 0.004, 6.0
"""Of the paper's tone: what a profile that is understood may be off by; and how many of its places err on their own."""
_LEVELS = {
    "face": (0.0, 20.0), "band": (0.0, 0.6), "wall": (0.4, 0.4), "paper": (1.0, 0.08), "even": (0.7, 0.5),
    "near": (0.0, 0.1), "slope": (0.0, 0.1),
}  # fmt: skip
"""Expected level (of the band: over the face's) and its standard uncertainty, as shares of the open paper's tone; of what
the light near the foot and its slope (1/mm) may differ from what is known."""


def edge_costs(several: Sequence[Lengths], sheet: Sheet, light: PaperLight, *, quick: bool = False) -> list[FloatArray]:
    """For each edge (W, S): minus the log likelihood of each length lying at each of `SHIFTS` from the contour.

    quick : the shadows reach just as far as known.
    """
    every = joined(several)
    reaches = ((0.0, 1.0),) if quick else _REACHES
    told = [_costs(every, sheet, light, farther) - np.log(share) for farther, share in reaches]
    costs = -np.logaddexp.reduce([-one for one in told], axis=0)
    return np.split(costs, np.cumsum([len(one.wall) for one in several])[:-1])


def _costs(lengths: Lengths, sheet: Sheet, light: PaperLight, farther: float | None) -> FloatArray:
    tone = lengths.tone / light.open_at(lengths.middle)[:, None]
    parts = _parts(lengths, sheet, light, farther)
    inner = -sheet.rounding - _FACE_MM
    expected = np.array([[_LEVELS[name][0] for name in parts]]) + np.zeros((len(tone), 1))
    if "band" in parts:
        face = (inner < ACROSS) & (inner + _FACE_MM / 2 > ACROSS)
        expected[:, list(parts).index("band")] = tone[:, face].mean(axis=1)
    use = (inner < ACROSS) & (np.maximum(lengths.wall, 0)[:, None] + _PAPER_MM > ACROSS) & ~lengths.burnt
    use = use[:, ::_THIN]  # blur leaves no more to be told
    samples = np.maximum(use.sum(axis=1), 1.0)[:, None]
    firm = np.array([(_NOISE / _LEVELS[name][1]) ** 2 for name in parts]) * samples / _SIGHTINGS
    blurred = _blurred(np.stack(list(parts.values()), axis=1), lengths.blur)
    halves = [np.ascontiguousarray(blurred[:, :, i::_THIN]) for i in range(_THIN)]
    starts = (divmod(_PAD - i + len(SHIFTS) // 2, _THIN) for i in range(len(SHIFTS)))
    some, used = tone[:, ::_THIN], use.astype(float)
    tried = (halves[phase][:, :, first : first + some.shape[1]] for first, phase in starts)
    missed = np.stack([_missed(here, some, used, expected, firm) for here in tried], axis=1)
    return np.asarray(_SIGHTINGS / 2 * np.log1p(missed / (samples * _NOISE**2)))


def _missed(parts: FloatArray, tone: FloatArray, use: FloatArray, expected: FloatArray, firm: FloatArray) -> FloatArray:
    """(W,): squares left of tone (W, D) after parts (W, K, D) have the levels that explain it best, held firm (W, K) to
    those expected (W, K).
    """
    weighed = parts * use[:, None]
    normal = weighed @ parts.transpose(0, 2, 1)
    k = np.arange(normal.shape[1])
    normal[:, k, k] += firm
    toward = (weighed @ tone[:, :, None])[:, :, 0] + firm * expected
    level = np.linalg.solve(normal, toward[:, :, None])[:, :, 0]
    left = (use * tone**2).sum(axis=1) + (firm * expected**2).sum(axis=1) - (level * toward).sum(axis=1)
    return np.maximum(left, 0.0)


def _parts(lengths: Lengths, sheet: Sheet, light: PaperLight, farther: float | None) -> dict[str, FloatArray]:
    """What each part gives (W, U) at level 1, sharp, by outward distance from the edge; shadows reach so much farther."""
    u = np.arange(-_PAD, len(ACROSS) + _PAD) * ACROSS_STEP + ACROSS[0]
    wall = np.where(lengths.wall > _WALL_MM, lengths.wall, 0.0)
    outline = np.where(wall > 0, wall, -sheet.outline_shift(lengths.wall))
    hidden = np.where(wall > 0, 0.0, np.maximum(-lengths.wall, 0.0) + outline)

    def beyond(place: FloatArray) -> FloatArray:
        return np.clip((u - place[:, None]) / ACROSS_STEP + 0.5, 0, 1)

    from_foot = np.maximum(u - outline[:, None], 0.0) + hidden[:, None]
    face_end = np.full(len(wall), -sheet.rounding)
    parts = {"face": 1 - beyond(face_end)}
    # The wall begins a rounding's radius below the face, which shows a share of the whole wall further out.
    band_end = np.where(wall > 0, sheet.rounding / max(sheet.thickness, 1e-6) * wall, outline)
    if sheet.rounding:
        parts["band"] = beyond(face_end) - beyond(band_end)
    if wall.any():
        parts["wall"] = beyond(band_end) - beyond(outline)
    paper = beyond(outline)
    if farther is None:
        parts["even"] = paper
    else:
        away = np.maximum(from_foot - farther, 0.0)
        parts["paper"] = paper * light.shade.at(away, lengths.facing, light.off(lengths.middle))
    parts["near"] = paper * np.exp(-from_foot / _NEAR_FOOT_MM)
    parts["slope"] = paper * from_foot
    return parts


def _blurred(parts: FloatArray, sigma: FloatArray) -> FloatArray:
    """Parts (W, K, U) blurred along U by each row's sigma (W,) mm; the ends are mirrored."""
    frequency = np.fft.rfftfreq(2 * parts.shape[2], ACROSS_STEP)
    passed = np.exp(-0.5 * (2 * np.pi * frequency * sigma[:, None]) ** 2)
    mirrored = np.concatenate([parts, parts[:, :, ::-1]], axis=2)
    blurred = np.fft.irfft(np.fft.rfft(mirrored, axis=2) * passed[:, None], axis=2)
    return np.asarray(blurred[:, :, : parts.shape[2]])
