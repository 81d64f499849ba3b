"""The slot that a way-point in it means: of all long openings about it the one whose whole rim explains most."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.candidates import Pick
from capture.edges.hole_starts import ABOUT, patch_about
from capture.edges.openings import Opening, distinct, find_openings, opening_of
from capture.edges.part_mask import PartMask
from capture.edges.rims import Sheet, contour_score
from capture.edges.slot_holes import Stadium, best_stadium, ranked
from capture.edges.strip import Contour, Lit, unroll
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["prolonged", "slot_about"]

_WAY_POINT_MM, _WIDTHS, _COARSE_MM = 3.0, 4.0, 0.3
"""How far a way-point may be off the slot, mm; how many rough widths about it are looked at for starts, and how coarsely, mm."""
_LEVELS, _CALM_MM, _SEEDS = 12, 0.3, 8
"""How many tones are tried as the one between slot and face; what is smoothed over first, mm; and in how many directions
about the way-point, as far as that may be off, the slot may lie."""
_LEAST_SCORE, _SURE_SCORE, _MOST_TRIED = 0.15, 0.75, 8
"""What a slot's rim must explain, and beyond what it leaves no doubt; and how many starts, those most like a slot first, are
worth a tap's wait. Of 564 taps on drawn and shared photos, those whose first starts led elsewhere left less than 0.67."""

_LEAST_LONGER_MM, _MOST_LONGER_MM, _RUN_STEP_MM, _WINDOW, _RUNS_ON = 3.0, 40.0, 0.5, 5, 0.6
"""How much longer a slot may be than found for that to be looked into, and at most, how finely, mm; and what both sides must
explain on the way there, over so many steps, as a share of the slot's score."""
_BESIDE_MM, _NEAR_MM = 1.9, 0.15


def slot_about(lit: Lit, bench: Bench, pick: Pick) -> Stadium:
    """The slot about a pick's way-point. Raises CannotDetermine where there is none.

    Once the whole rim of one is explained, no starts that take longer to find are looked for.
    """
    offered: list[Opening] = []
    searched: dict[Opening, Stadium] = {}
    best: Stadium | None = None
    for more in _offers(lit, bench, pick):
        offered += [o for o in more if _may_be(pick, o)]
        near = sorted(distinct(offered), key=lambda o: o.misfit)[:_MOST_TRIED]
        new = [o for o in near if o not in searched]
        searched |= {o: best_stadium(lit, bench, pick.known.sheet, _start(o)) for o in new}
        found = [slot for slot in (searched[o] for o in near) if _is_slot(pick, slot)]
        best = ranked(found)[0] if found else best
        if best is not None and best.score >= _SURE_SCORE:
            break
    if best is None:
        x, y = pick.near.mean(axis=0)
        message = (
            f"No slot is to be seen about [{x:.1f}, {y:.1f}]; put the way-point in its middle, and "
            "give its rough width as about."
        )
        raise CannotDetermine(message)
    longer = prolonged(lit, bench, pick.known.sheet, best)
    return longer if longer is not None and _is_slot(pick, longer) else best


def prolonged(lit: Lit, bench: Bench, sheet: Sheet, slot: Stadium) -> Stadium | None:
    """The slot as far as both its sides run on, if that is farther: light that ends across a slot is taken for its end."""
    along, half = slot.along, float(np.hypot(*(slot.last - slot.first))) / 2
    beyond = [_runs_on(lit, bench, sheet, slot, end) for end in (-along, along)]
    if max(beyond) < _LEAST_LONGER_MM:
        return None
    first, last = (slot.middle + (half + more) * end for more, end in zip(beyond, (-along, along), strict=True))
    longer = best_stadium(lit, bench, sheet, Stadium(first, last, slot.radius))
    return longer if longer.worth > slot.worth else None


def _runs_on(lit: Lit, bench: Bench, sheet: Sheet, slot: Stadium, end: FloatArray) -> float:
    """How far past one end, mm, both sides of a slot run on in its direction (2,)."""
    aside = np.array([-end[1], end[0]])
    cap = slot.last if end @ slot.along > 0 else slot.first
    run = np.arange(0.0, _MOST_LONGER_MM, _RUN_STEP_MM)
    told = []
    for side in (aside, -aside):
        contour = Contour(
            cap + slot.radius * side + run[:, None] * end, np.tile(-side, (len(run), 1)), sheet.height, closed=False
        )
        wall = sheet.wall(bench, contour)
        strip = unroll(lit, bench, contour, (-_BESIDE_MM, _BESIDE_MM + max(float(wall.max()), 0.0)), 0.2, placed=False)
        told.append(contour_score(strip, sheet, np.zeros(len(run)), wall, _NEAR_MM))
    window = np.full(_WINDOW, 1 / _WINDOW)
    least = np.min([np.convolve(side, window, "valid") for side in told], axis=0)
    stops = np.flatnonzero(least < _RUNS_ON * slot.score)
    good = int(stops[0]) if len(stops) else len(least)
    return float(run[good + _WINDOW - 2]) if good else 0.0


def _offers(lit: Lit, bench: Bench, pick: Pick) -> Iterator[list[Opening]]:
    """What may be the slot, looked for in one way after another, the quickest first."""
    yield find_openings(patch_about(lit, bench, pick))
    wide = patch_about(lit, bench, pick, _WIDTHS, _COARSE_MM)
    yield _of_one_tone(wide, pick)
    yield _walled_in(wide, pick)


def _of_one_tone(patch: PartMask, pick: Pick) -> list[Opening]:
    """What lies about the way-point on one side of some tone, bright or dark, for each of several tones."""
    import cv2

    step = patch.flat.step
    tone = cv2.GaussianBlur(patch.relative.mean(axis=2), (0, 0), _CALM_MM / step)
    rows, columns = _seeds(patch, pick)
    found = []
    for level in np.linspace(tone.min(), tone.max(), _LEVELS + 2)[1:-1]:
        for side in (tone > level, tone <= level):
            _, labels = cv2.connectedComponents(side.astype(np.uint8))
            found += [_blob(labels == label, patch) for label in np.unique(labels[rows, columns]) if label]
    return [opening for opening in found if opening is not None]


def _walled_in(patch: PartMask, pick: Pick) -> list[Opening]:
    """What a flood from the way-point fills before it passes the steepest tone between it and the rim of the picture."""
    import cv2

    calm = cv2.GaussianBlur(patch.relative, (0, 0), _CALM_MM / patch.flat.step)
    picture = np.clip(np.sqrt(np.maximum(calm, 0) / max(float(calm.max()), 1e-6)) * 255, 0, 255).astype(np.uint8)
    found = []
    for row, column in zip(*_seeds(patch, pick), strict=True):
        basins = np.full(picture.shape[:2], 1, np.int32)
        basins[3:-3, 3:-3] = 0  # its outermost pixels count for nothing
        basins[row - 1 : row + 2, column - 1 : column + 2] = 2
        found.append(_blob(cv2.watershed(picture, basins) == 2, patch))
    return [opening for opening in found if opening is not None]


def _seeds(patch: PartMask, pick: Pick) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Rows and columns of the way-point and of places about it, as far as it may be off."""
    turn = np.arange(_SEEDS) * 2 * np.pi / _SEEDS
    about = _WAY_POINT_MM * np.vstack([np.zeros(2), np.column_stack([np.cos(turn), np.sin(turn)])])
    columns, rows = np.rint(patch.flat.to_flat(pick.near.mean(axis=0) + about)).astype(int).T
    return rows, columns


def _blob(mask: NDArray[np.bool_], patch: PartMask) -> Opening | None:
    import cv2

    if mask[[0, -1]].any() or mask[:, [0, -1]].any():
        return None
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return opening_of(contours[0][:, 0], patch, patch.mask)


def _may_be(pick: Pick, opening: Opening) -> bool:
    away = np.hypot(*(opening.centre - pick.near.mean(axis=0)))
    return not opening.is_round and bool(away < max(_WAY_POINT_MM, opening.length / 2))


def _is_slot(pick: Pick, found: Stadium) -> bool:
    least, most = ABOUT
    as_wide = pick.about is None or least < 2 * found.radius / pick.about < most
    return found.score >= _LEAST_SCORE and as_wide


def _start(opening: Opening) -> Stadium:
    half = (opening.length - opening.width) / 2 * opening.along
    return Stadium(opening.centre - half, opening.centre + half, opening.width / 2)
