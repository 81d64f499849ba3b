"""How tone runs across short lengths of a sheet's edges, against what each place of the edge would show.

From the metal outward a camera sees the flat face, the band of a rounded edge, the wall where it shows, and the paper in
the light that the sheet's own shadows leave (`capture.edges.shade`), or the bench; blur joins them. The levels of face,
band, wall and ground are solved for every place tried, so nothing needs to be known of how the metal shines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from capture.edges.lengths import NEAR, Across, Lengths, joined
from capture.edges.paper_light import PaperLight
from capture.edges.rims import Sheet
from fit.points import FloatArray

__all__ = ["edge_costs"]

_WALL_MM = 0.02
_NEAR_FOOT_MM = 0.4
_REACHES = ((-0.12, 0.25), (0.0, 0.495), (0.12, 0.25), (None, 0.005))
"""How much farther than known a shadow may reach, mm, and how likely; None: that the light here is not as known at all,
but even."""
_KNOWN, _UNKNOWN = ((0.0, 1.0),), ((None, 1.0),)
_BLURRED_STEPS = 10
_SIGHTINGS = 6.0
"""How many places of a profile err on their own."""
_LEVELS = {
    "face": (0.0, 20.0), "band": (0.0, 0.6), "wall": (0.4, 0.4), "paper": (1.0, 0.08), "even": (0.7, 0.5),
    "near": (0.0, 0.1), "slope": (0.0, 0.1), "tilt": (0.0, 0.15),
}  # fmt: skip
"""Expected level (of the band: over the face's) and its standard uncertainty, as shares of the open paper's tone; of what
the light near the foot and its slope (1/mm) may differ from what is known; tilt (1/mm) of the face's tone."""


def edge_costs(
    several: Sequence[Lengths], sheet: Sheet, light: PaperLight | None, *, quick: bool = False, over: Across = NEAR
) -> list[FloatArray]:
    """For each edge (W, S): minus the log likelihood of each length lying at each of the shifts from the contour.

    light : None on a bench, where it is not known. quick : the shadows reach just as far as known. over : where the
    lengths were sampled, and which shifts are tried.
    """
    if light is None:
        reaches: tuple[tuple[float | None, float], ...] = _UNKNOWN
    else:
        reaches = _KNOWN if quick else _REACHES
    farther, share = zip(*reaches, strict=True)
    told = _costs(joined(several), sheet, light, farther, over)
    costs = -np.logaddexp.reduce(np.log(share)[:, None, None] - told, axis=0)
    return np.split(costs, np.cumsum([len(one.wall) for one in several])[:-1])


def _costs(
    lengths: Lengths, sheet: Sheet, light: PaperLight | None, farther: Sequence[float | None], over: Across
) -> FloatArray:
    """(R, W, S): by itself for each of the shadows' reaches, which differ by nothing but the lit paper."""
    tone = lengths.tone if light is None else lengths.tone / light.open_at(lengths.middle)[:, None]
    parts, papers = _parts(lengths, sheet, light, farther, over)
    names = [*parts, *("even" if more is None else "paper" for more in farther)]
    level, doubt = np.array([_LEVELS[name] for name in names]).T
    inner, offsets = -sheet.rounding - over.face, over.offsets
    expected = np.tile(level, (len(tone), 1))
    if "band" in parts:
        face = (inner < offsets) & (inner + over.face / 2 > offsets)
        expected[:, names.index("band")] = tone[:, face].mean(axis=1)
    use = (inner < offsets) & (np.maximum(lengths.wall, 0)[:, None] + over.paper > offsets) & ~lengths.burnt
    use = use[:, :: over.thin]
    samples = np.maximum(use.sum(axis=1), 1.0)[:, None]
    firm = (over.noise / doubt) ** 2 * (samples / _SIGHTINGS if light else 1.0)
    blurred = _blurred(np.stack([*parts.values(), *papers], axis=1), lengths.blur, over.step)
    phases = [np.ascontiguousarray(blurred[:, :, i :: over.thin]) for i in range(over.thin)]
    starts = (divmod(_pad(over) - int(move), over.thin) for move in over.moves)
    some, used = tone[:, :: over.thin], use.astype(float)
    tried = (phases[phase][:, :, first : first + some.shape[1]] for first, phase in starts)
    missed = np.stack([_missed(here, some, used, (expected, firm), len(papers)) for here in tried], axis=2)
    return np.asarray(_SIGHTINGS / 2 * np.log1p(missed / (samples * over.noise**2)))


def _pad(over: Across) -> int:
    """Steps that the parts reach farther than the samples on either side, so that they can be moved and blurred."""
    return int(np.abs(over.moves).max()) + _BLURRED_STEPS


def _missed(
    parts: FloatArray, tone: FloatArray, use: FloatArray, levels: tuple[FloatArray, FloatArray], readings: int
) -> FloatArray:
    """(R, W): squares left of tone (W, D) after parts (W, P, D) have the levels that explain it best, all held to those
    expected (W, P) as firmly (W, P) as `levels` has it. The last parts are the readings' own, one each; the others are
    solved for once, with what each reading's own part takes away from them.
    """
    expected, firm = levels
    weighed = parts * use[:, None]
    normal = weighed @ parts.transpose(0, 2, 1)
    each, shared = np.arange(normal.shape[1]), normal.shape[1] - readings
    normal[:, each, each] += firm
    toward = (weighed @ tone[:, :, None])[:, :, 0] + firm * expected
    between = normal[:, :shared, shared:]
    told = np.concatenate([toward[:, :shared, None], between], axis=2)
    solved = np.linalg.solve(normal[:, :shared, :shared], told)
    explained = (solved[:, :, 0] * toward[:, :shared]).sum(axis=1)
    own = toward[:, shared:] - (solved[:, :, :1] * between).sum(axis=1)
    firmness = normal[:, each[shared:], each[shared:]] - (solved[:, :, 1:] * between).sum(axis=1)
    held = firm * expected**2
    left = (use * tone**2).sum(axis=1) + held[:, :shared].sum(axis=1) - explained
    return np.maximum(left[:, None] + held[:, shared:] - own**2 / firmness, 0.0).T


def _parts(
    lengths: Lengths, sheet: Sheet, light: PaperLight | None, farther: Sequence[float | None], over: Across
) -> tuple[dict[str, FloatArray], list[FloatArray]]:
    """What each part gives (W, U) at level 1, sharp, by outward distance from the edge; and the lit paper for shadows that
    reach so much farther.
    """
    u = np.arange(over.first - _pad(over), over.last + _pad(over)) * over.step
    wall = np.where(lengths.wall > _WALL_MM, lengths.wall, 0.0)
    outline = np.where(wall > 0, wall, -sheet.outline_shift(lengths.wall))
    hidden = np.where(wall > 0, 0.0, np.maximum(-lengths.wall, 0.0) + outline)

    def beyond(place: FloatArray) -> FloatArray:
        return np.clip((u - place[:, None]) / over.step + 0.5, 0, 1)

    def lit(more: float | None) -> FloatArray:
        if more is None or light is None:
            return paper
        return paper * light.shade.at(np.maximum(from_foot - more, 0.0), lengths.facing, light.off(lengths.middle))

    from_foot = np.maximum(u - outline[:, None], 0.0) + hidden[:, None]
    face_end = np.full(len(wall), -sheet.rounding)
    parts = {"face": 1 - beyond(face_end)}
    if over.sloping:
        parts["tilt"] = parts["face"] * np.clip(face_end[:, None] - u, 0.0, over.face)
    # The wall begins a rounding's radius below the face, which shows a share of the whole wall further out.
    band_end = np.where(wall > 0, sheet.rounding / max(sheet.thickness, 1e-6) * wall, outline)
    if sheet.rounding:
        parts["band"] = beyond(face_end) - beyond(band_end)
    if wall.any():
        parts["wall"] = beyond(band_end) - beyond(outline)
    paper = beyond(outline)
    parts["near"] = paper * np.exp(-from_foot / _NEAR_FOOT_MM)
    parts["slope"] = paper * from_foot
    return parts, [lit(more) for more in farther]


def _blurred(parts: FloatArray, sigma: FloatArray, step: float) -> FloatArray:
    """Parts (W, K, U), `step` mm apart along U, blurred by each row's sigma (W,) mm; the ends are mirrored."""
    frequency = np.fft.rfftfreq(2 * parts.shape[2], step)
    passed = np.exp(-0.5 * (2 * np.pi * frequency * sigma[:, None]) ** 2)
    mirrored = np.concatenate([parts, parts[:, :, ::-1]], axis=2)
    blurred = np.fft.irfft(np.fft.rfft(mirrored, axis=2) * passed[:, None], axis=2)
    return np.asarray(blurred[:, :, : parts.shape[2]])
