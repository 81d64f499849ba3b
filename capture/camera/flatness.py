"""Whether each printed piece lies flat on the bench, and what to do where one surely does not."""

from __future__ import annotations

import numpy as np

from capture.camera.adjust import FLAT_U, Adjustment, Observed, adjust
from capture.camera.detect import FoundPiece
from capture.camera.lens import LensPrior
from capture.camera.start import start_state
from capture.camera.views import View, make_views
from fit.results import Notice

__all__ = ["bent_notice", "is_bent", "solve_bent", "solve_view"]

_TOLD_MM, _SIGMAS = 0.25, 4.0
_MISFIT = 3.0
"""Corners this many times worse than their own noise do not lie on pieces of one scale in one plane."""

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
    if len(view.pieces) > 1 and solved.noise_scale > _MISFIT:
        return True
    return any(height > max(_TOLD_MM, _SIGMAS * u) for height, u in _deflections(view, solved))


def bent_notice(pieces: Pieces, observed: Observed, prior: LensPrior, solved: Adjustment) -> Notice:
    """Name the piece at fault: the one without which the others lie flat together."""
    view = make_views([pieces], lift_all=True)[0]
    height = max(height for height, _ in _deflections(view, solved))
    if len(pieces) == 1:
        who, also = f"The {pieces[0].piece.name}", ""
    else:
        who, also = _suspects(pieces, observed, prior), " or was printed at another scale than the others"
    text = (
        f"{who} is not flat on the bench{also} (off by about {height:.1f} mm). "
        "Glue it to something flat, lay it down flat and shoot again."
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


def _suspects(pieces: Pieces, observed: Observed, prior: LensPrior) -> str:
    """Names of the pieces any of which alone explains the misfit; more than one where the photo cannot tell."""
    if len(pieces) == 2:
        strains = np.zeros(2)
    else:
        strains = np.array([_strain(tuple(p for p in pieces if p is not out), observed, prior) for out in pieces])
    chance = 4 * np.sqrt(2 * strains.min())  # of a sum of that many squares
    names = [p.piece.name for p, strain in zip(pieces, strains, strict=True) if strain <= strains.min() + chance]
    return f"The {names[0]}" if len(names) == 1 else "Either " + " or ".join(names)


def _strain(pieces: Pieces, observed: Observed, prior: LensPrior) -> float:
    """How hard the pieces resist lying flat in one plane: squares of flatness and residuals over their expectation."""
    _, solved = solve_view(pieces, observed, prior)
    return float(np.sum((solved.state.flats / FLAT_U) ** 2)) + 2 * len(solved.kept[0]) * solved.noise_scale**2
