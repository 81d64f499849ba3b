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
from capture.edges.slot_holes import Stadium, best_stadium, ranked
from capture.edges.strip import Lit
from fit.errors import CannotDetermine

__all__ = ["slot_about"]

_WAY_POINT_MM, _WIDTHS, _COARSE_MM = 3.0, 4.0, 0.3
"""How far a way-point may be off the slot, mm; how many rough widths about it are looked at for starts, and how coarsely, mm."""
_LEVELS, _CALM_MM, _SEEDS = 12, 0.3, 8
"""How many tones are tried as the one between slot and face; what is smoothed over first, mm; and in how many directions
about the way-point, as far as that may be off, the slot may lie."""
_LEAST_SCORE, _SURE_SCORE, _MOST_TRIED = 0.15, 0.75, 8
"""What a slot's rim must explain, and beyond what it leaves no doubt; and how many starts, those most like a slot first, are
worth a tap's wait. Of 564 taps on drawn and shared photos, those whose first starts led elsewhere left less than 0.67."""


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
    return best


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
