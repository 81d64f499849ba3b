"""Where the face of a photo's feature lies and how well that is known, from a job's keys."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from fit.results import Notice
from fit.units import Length

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys, PhotoKeys

__all__ = ["face_of", "face_word"]

_UNKNOWN_HEIGHT, _UNKNOWN_HEIGHT_U = 1.5, 2.0 / math.sqrt(3.0)
_TYPED_HEIGHT_U, _FOOT_U = 0.05, 0.05
_SHEET_MOST_MM, _UNKNOWN_SHEET, _UNKNOWN_SHEET_U = 6.0, 1.5, 0.6


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
            f"The height of the face above the print is not known; {_UNKNOWN_HEIGHT:g} mm ± 2 mm is taken, which widens "
            "every ±. Measure it and give height."
        )
        notices.append(Notice("height-unknown", text))
    level = Length(_UNKNOWN_HEIGHT) if height is None else height
    u = _UNKNOWN_HEIGHT_U if height is None else height_u or level.u or _TYPED_HEIGHT_U
    sheet, foot_u, told = _sheet(level.value, u, thickness, height is not None)
    return FaceKnowledge(Sheet(level.value, sheet, on_paper=on_paper), u, foot_u), [*notices, *told]


def _sheet(height: float, u: float, thickness: float | None, typed: bool) -> tuple[float, float, list[Notice]]:
    """Thickness of the sheet and the standard uncertainty of its lower face's height."""
    if thickness is not None:
        return thickness, u if height - thickness > 0.2 else _FOOT_U, []
    if height <= _SHEET_MOST_MM:
        return max(height, 0.2), _FOOT_U if typed else u, []
    text = (
        f"The sheet's thickness is not known; {_UNKNOWN_SHEET:g} mm is taken. Give thickness, so that a lower rim seen "
        "in holes is not taken for the upper one."
    )
    return _UNKNOWN_SHEET, math.hypot(u, _UNKNOWN_SHEET_U), [Notice("thickness-unknown", text)]


def face_word(photo: PhotoKeys, feature: FeatureKeys) -> str:
    """Word that tells faces apart in error budgets: '' for the photo's own face."""
    if feature.height is None or feature.height == photo.height:
        return ""
    return f"{feature.height.value:g}"
