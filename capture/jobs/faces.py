"""Where the face of a photo's feature lies and how well that is known, from a job's keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.edges.lying import UNKNOWN_HEIGHT, UNKNOWN_SHEET, Typed, knowledge_of
from capture.edges.rim_fit import FaceKnowledge
from fit.results import Notice

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys, PhotoKeys

__all__ = ["face_of", "face_word"]


def face_of(photo: PhotoKeys, feature: FeatureKeys, on_paper: bool) -> tuple[FaceKnowledge, list[Notice]]:
    """The sheet under a feature: its own height and thickness, else the photo's, else a wide guess with a warning.

    on_paper : whether white paper lies under the part, as in a frame.
    """
    own = feature.height is not None
    height, height_u = (feature.height, feature.height_u) if own else (photo.height, photo.height_u)
    thickness = feature.thickness or photo.thickness
    notices: list[Notice] = []
    if height is None:
        text = (
            f"The height of the face above the print is not known; {UNKNOWN_HEIGHT:g} mm ± 2 mm is taken, which widens "
            "every ±. Measure it and give height."
        )
        notices.append(Notice("height-unknown", text))
    typed = Typed(None, None, thickness)
    if height is not None:
        typed = Typed(height.value, height_u or height.u, thickness)
    known, guessed = knowledge_of(typed, on_paper)
    if guessed:
        text = (
            f"The sheet's thickness is not known; {UNKNOWN_SHEET:g} mm is taken. Give thickness, so that a lower rim seen "
            "in holes is not taken for the upper one."
        )
        notices.append(Notice("thickness-unknown", text))
    return known, notices


def face_word(photo: PhotoKeys, feature: FeatureKeys) -> str:
    """Word that tells faces apart in error budgets: '' for the photo's own face."""
    if feature.height is None or feature.height == photo.height:
        return ""
    return f"{feature.height.value:g}"
