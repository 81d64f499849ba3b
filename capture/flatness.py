"""Whether each printed piece lies flat on the bench: what the adjustment found of its bow, lift and tilt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.adjust import Adjustment
from capture.views import View
from fit.results import Notice

__all__ = ["Deflection", "deflection_of", "flatness_notices"]

_TOLD_MM, _SIGMAS = 0.25, 4.0


@dataclass(frozen=True, slots=True)
class Deflection:
    """How far a piece leaves the bench plane: mm between its lowest and highest corner (or 0), and how sure that is."""

    piece: str
    height: float
    u: float

    @property
    def is_certain(self) -> bool:
        return self.height > max(_TOLD_MM, _SIGMAS * self.u)


def flatness_notices(view: View, solved: Adjustment) -> list[Notice]:
    """A `target-bent` notice for the piece that is least flat, if any surely is not."""
    found = [d for j in range(len(view.pieces)) if (d := deflection_of(view, solved, j)).is_certain]
    if not found:
        return []
    worst = max(found, key=lambda d: d.height)
    also = "" if len(view.pieces) == 1 else " or was printed at another scale than the others"
    text = (
        f"The {worst.piece} is not flat on the bench{also} (off by about {worst.height:.1f} mm). "
        "Glue it to something flat, lay it down flat and shoot again."
    )
    return [Notice("target-bent", text)]


def deflection_of(view: View, solved: Adjustment, j: int) -> Deflection:
    """Heights of one piece's corners as solved, with the uncertainty of the largest difference."""
    state = solved.state
    flat = slice(11, state.shared)
    arms = np.vstack([np.zeros(len(state.flats)), view.shapes[(view.which == j) & solved.kept[0]]])
    heights = arms @ state.flats
    arm = arms[int(heights.argmax())] - arms[int(heights.argmin())]
    u = float(np.sqrt(max(arm @ solved.cov[flat, flat] @ arm, 0.0)))
    return Deflection(view.pieces[j].piece.name, float(np.ptp(heights)), u)
