"""Whether each printed piece lies flat on the bench, and what to do where one surely does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capture.camera.adjust import FLAT_U, Adjustment, Observed, adjust
from capture.camera.detect import FoundPiece
from capture.camera.lens import LensPrior
from capture.camera.start import start_state
from capture.camera.views import View, make_views
from fit.errors import CannotDetermine
from fit.results import Notice

__all__ = ["bent_notice", "is_bent", "left_out_notice", "loosened", "odd_one", "solve_bent", "solve_view"]

_TOLD_MM, _SIGMAS = 0.25, 4.0
_MISFIT = 3.0
"""Corners this many times worse than their own noise do not lie on pieces of one scale in one plane."""
_LOST_SHARE, _LOST_LEAST, _LOST_COST = 0.12, 2, 25.0
"""A piece that loses more of its corners as false does not lie where the others put it; what each costs, in squares of
its noise: false are corners beyond five times that."""
_LOOSE_PX = 20.0

Pieces = tuple[FoundPiece, ...]


def solve_view(pieces: Pieces, observed: Observed, prior: LensPrior) -> tuple[View, Adjustment]:
    """Solve one photo whose pieces are flat on the bench to the usual `FLAT_U`."""
    view = make_views([pieces])[0]
    return view, adjust([view], observed, start_state([view], prior))


def solve_bent(pieces: Pieces, observed: Observed, prior: LensPrior, first: Adjustment) -> tuple[View, Adjustment]:
    """Solve again where the usual flatness is disproved: what was found says how far each piece may leave the plane."""
    flat_u = max(float(np.abs(first.state.flats).max()), FLAT_U)
    view = make_views([pieces], lift_all=True)[0]
    return view, adjust([view], observed, start_state([view], prior), flat_u=flat_u)


def is_bent(view: View, solved: Adjustment) -> bool:
    """Whether some piece surely leaves the plane, or the pieces do not fit together, beyond what results can bear."""
    if len(view.pieces) > 1 and (solved.noise_scale > _MISFIT or _many_lost(view, solved)):
        return True
    return any(height > max(_TOLD_MM, _SIGMAS * u) for height, u in _deflections(view, solved))


def bent_notice(pieces: Pieces, observed: Observed, prior: LensPrior, solved: Adjustment) -> Notice:
    """Name the piece at fault: the one without which the others lie flat together."""
    view = make_views([pieces], lift_all=True)[0]
    height = max(height for height, _ in _deflections(view, solved))
    if len(pieces) == 1:
        who, also = f"The {pieces[0].piece.name}", ""
    else:
        names = [pieces[i].piece.name for i in _suspects(pieces, observed, prior)]
        who = f"The {names[0]}" if len(names) == 1 else "Either " + " or ".join(names)
        also = " or was printed at another scale than the others"
    text = (
        f"{who} is not flat on the bench{also} (off by about {height:.1f} mm). "
        "Glue it to something flat, lay it down flat and shoot again."
    )
    return Notice("target-bent", text)


def _many_lost(view: View, solved: Adjustment) -> bool:
    """Whether some piece lost more of its corners as false than single bad ones."""
    lost = [~solved.kept[0][view.which == j] for j in range(len(view.pieces))]
    return any(int(part.sum()) > max(_LOST_LEAST, _LOST_SHARE * len(part)) for part in lost)


def odd_one(pieces: Pieces, observed: Observed, prior: LensPrior) -> int | None:
    """Which of three or more pieces alone explains that they do not fit together; None where none or several may.

    pieces, observed, prior : what the bench is solved from.
    """
    if len(pieces) < 3:
        return None
    suspects = _suspects(pieces, observed, prior)
    if len(suspects) > 1:
        return None
    rest = tuple(p for i, p in enumerate(pieces) if i != suspects[0])
    try:
        return None if is_bent(*solve_view(rest, observed, prior)) else suspects[0]
    except CannotDetermine:
        return None


def loosened(pieces: Pieces, which: int) -> Pieces:
    """The pieces with one of them seen by its four outermost corners alone, so loosely that it bears on its own place only."""
    odd = pieces[which]
    x, y = odd.xy.T
    use = np.unique([int(np.argmax(sx * x + sy * y)) for sx in (-1, 1) for sy in (-1, 1)])
    cov = odd.cov[use] + _LOOSE_PX**2 * np.eye(2)
    loose = replace(odd, ids=odd.ids[use], px=odd.px[use], cov=cov, blur=odd.blur[use], expected=len(use))
    return (*pieces[:which], loose, *pieces[which + 1 :])


def left_out_notice(piece: FoundPiece, *, measured: bool) -> Notice:
    """Tell that a piece which does not fit the others is left out of account; measured: with its caliper readings."""
    reading = " So are its caliper readings, since it may not be like the others." if measured else ""
    text = (
        f"The {piece.piece.name} does not fit the other pieces: it is not flat on the bench or was printed at another scale "
        f"than the others. It is left out of account.{reading} Lay it down flat, or print it anew, and shoot again."
    )
    return Notice("target-bent", text)


def _deflections(view: View, solved: Adjustment) -> list[tuple[float, float]]:
    """Per piece: mm between its lowest and highest corner (or 0), and the standard uncertainty of that."""
    state = solved.state
    flat = slice(11, state.shared)
    found = []
    for j in range(len(view.pieces)):
        arms = np.vstack([np.zeros(len(state.flats)), view.shapes[(view.which == j) & solved.kept[0]]])
        heights = arms @ state.flats
        arm = arms[int(heights.argmax())] - arms[int(heights.argmin())]
        found.append((float(np.ptp(heights)), float(np.sqrt(max(arm @ solved.cov[flat, flat] @ arm, 0.0)))))
    return found


def _suspects(pieces: Pieces, observed: Observed, prior: LensPrior) -> list[int]:
    """The pieces any of which alone explains the misfit; more than one where the photo cannot tell."""
    if len(pieces) == 2:
        return [0, 1]
    strains = np.array([_strain(tuple(p for p in pieces if p is not out), observed, prior) for out in pieces])
    chance = 4 * np.sqrt(2 * strains.min())  # of a sum of that many squares
    return [i for i, strain in enumerate(strains) if strain <= strains.min() + chance]


def _strain(pieces: Pieces, observed: Observed, prior: LensPrior) -> float:
    """How hard the pieces resist lying flat in one plane: squares of flatness and residuals over their expectation."""
    try:
        _, solved = solve_view(pieces, observed, prior)
    except CannotDetermine:
        return np.inf
    lost = int((~solved.kept[0]).sum())
    squares = 2 * (len(solved.kept[0]) - lost) * solved.noise_scale**2 + _LOST_COST * lost
    return float(np.sum((solved.state.flats / FLAT_U) ** 2) + squares)
