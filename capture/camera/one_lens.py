"""Whether photos for learning show one lens and one flat print, and show it from sides different enough to tell the lens."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from capture.camera.adjust import Adjustment
from capture.camera.focusing import focus_spread
from capture.camera.views import View
from fit.errors import CannotDetermine, InputError

__all__ = ["agree", "refuse_odd", "refuse_repeated", "rms_px"]

_DISAGREE, _DISAGREE_PX = 3.0, 0.1
"""Misfit over the corners' own noise, and px, from which photos are said to disagree."""
_HOPELESS_PX = 0.3
"""From this misfit no lens is told at all: its ± would say nothing of the mix of lenses."""
_FOCUSING = 0.02
"""Nor does focusing anew change a focal length by more (standard deviation, of itself): at 200 mm a thin lens of a phone
is 0.8 % longer than at 330 mm; other zooms differ by more."""
_LOST_SHARE = 0.5
"""A photo that lost more of its corners as false does not show the lens that the others show."""
_TURNED, _MOVED = math.radians(5.0), 0.1
"""Two photos show the same side where the phone turned less between them and the print moved by less of the picture's
long side (judgement, no source)."""

Solver = Callable[[Sequence[View]], Adjustment]


def rms_px(solved: Adjustment) -> float:
    """Root mean square of the residuals of the corners kept."""
    kept = np.concatenate([r[k] for r, k in zip(solved.residuals, solved.kept, strict=True)])
    return math.sqrt(float((kept**2).mean()))


def agree(solved: Adjustment) -> bool:
    """Whether the corners of every photo are no worse than their own noise explains, or than matters."""
    return not _lost(solved) and (solved.noise_scale < _DISAGREE or rms_px(solved) < _DISAGREE_PX)


def _lost(solved: Adjustment) -> bool:
    """Whether some photo's corners are mostly taken for false ones."""
    return any(1 - float(kept.mean()) > _LOST_SHARE for kept in solved.kept)


def refuse_odd(views: Sequence[View], paths: Sequence[Path], solve: Solver) -> Adjustment:
    """The joint solution, unless a photo is surely of another lens, zoom or crop.

    Raises InputError with the name of the one photo without which all others agree; CannotDetermine where the photos
    disagree by far and no single one explains it.
    """
    try:
        solved = solve(views)
        misfit = rms_px(solved)
    except CannotDetermine:
        solved, misfit = None, math.inf
    if solved is not None and agree(solved):
        return solved
    odd = _odd_one(views, solve) if len(views) > 3 else None
    if odd is not None:
        message = (
            f"{paths[odd]}: does not show the lens of the other photos, which agree without it: it was zoomed, cropped, "
            "turned or taken with another lens, or the print was not flat in it. Leave it out."
        )
        raise InputError(message)
    if solved is None or _lost(solved) or misfit > _HOPELESS_PX or focus_spread(views, solved) > _FOCUSING:
        told = f" (corners off by {misfit:.1f} px)" if solved is not None else ""
        message = (
            f"The photos do not fit one lens and one flat print{told}: some were zoomed, cropped, turned or taken with "
            "another lens, or the print was not flat. Give photos of one lens as the camera wrote them, of one print "
            "taped to something flat."
        )
        raise CannotDetermine(message)
    return solved


def _odd_one(views: Sequence[View], solve: Solver) -> int | None:
    """The photo without which all others agree, where there is just one such."""
    found = []
    for out in range(len(views)):
        try:
            if agree(solve([view for v, view in enumerate(views) if v != out])):
                found.append(out)
        except CannotDetermine:
            continue
    return found[0] if len(found) == 1 else None


def refuse_repeated(views: Sequence[View], paths: Sequence[Path], solved: Adjustment, size: tuple[int, int]) -> None:
    """Refuse photos of which fewer than three show the print from different sides.

    A shot repeated from the same place shares print, light and blur with the first: it tells nothing new, however small
    the ± of its corners.
    """
    different: list[int] = []
    same: tuple[int, int] | None = None
    for v in range(len(views)):
        like = next((w for w in different if _same_side(views, solved, (v, w), size)), None)
        if like is None:
            different.append(v)
        else:
            same = same or (like, v)
    if len(different) >= 3 or same is None:
        return
    message = (
        f"{paths[same[1]]}: shows the print from the same side as {paths[same[0]]}, so the photos are too alike: only "
        f"{len(different)} of {len(views)} differ, and three are the least. Tilt the phone 20 to 40° in different "
        "directions and turn it between shots."
    )
    raise CannotDetermine(message)


def _same_side(views: Sequence[View], solved: Adjustment, pair: tuple[int, int], size: tuple[int, int]) -> bool:
    one, other = (solved.state.rotations[v] for v in pair)
    turned = math.acos(float(np.clip((np.trace(one @ other.T) - 1) / 2, -1.0, 1.0)))
    moved = np.linalg.norm(views[pair[0]].px.mean(axis=0) - views[pair[1]].px.mean(axis=0))
    return turned < _TURNED and float(moved) < _MOVED * max(size)
