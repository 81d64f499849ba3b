"""On which side of an edge the metal lies, told by the look of the metal beside the other picks of the same sheet.

A dark band between two bright areas may be wall and shadow of a sheet on either side of it. Round a hole there is metal
all about, and many edges leave no doubt; what their metal looks like tells the doubtful ones apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from capture.edges.flatten import View
from capture.edges.strip import Contour, Lit
from fit.points import FloatArray

if TYPE_CHECKING:
    from capture.edges.candidates import Candidate, Lead

__all__ = ["LEAST_SHARE", "face_tone", "metal_tones", "of_this_metal"]

_INSIDE_MM = (-2.2, -0.7)
_SURE_SHARE = 0.5
_ALIKE, _UNLIKE = 0.08, 2.0
"""Metal of one sheet under one light is alike to this in the logarithm of tone; what is this many times farther from it
than another candidate's is not metal."""
_ODD, _ENOUGH, _NEAREST = 0.25, 3, 3
LEAST_SHARE = 0.5
"""Of the best score, below which a candidate is not what is meant, whatever its metal looks like."""


def face_tone(lit: Lit, view: View, contour: Contour) -> FloatArray:
    """Logarithm of the median tone (3,) in linear light of the metal just inside a contour."""
    import cv2

    rows = np.full(len(contour.xy), 1.0)
    places = np.concatenate([contour.at(at * rows) for at in np.linspace(*_INSIDE_MM, 6)])
    px = view.project(places).astype(np.float32)[:, None]
    tone = cv2.remap(lit.pixels, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.log(np.median(tone.reshape(len(places), -1) / 65535, axis=0) + 1e-3)


def metal_tones(leads: Sequence[Lead]) -> list[Candidate]:
    """The candidates of one sheet that show metal beyond doubt; of three or more, those unlike all others are left out."""
    sure = [one.candidates[0] for one in leads if _sure(one)]
    if len(sure) < _ENOUGH:
        return sure
    return [c for c in sure if min(_differ(c, other) for other in sure if other is not c) < _ODD]


def _sure(one: Lead) -> bool:
    """A hole has metal all about it; an edge is sure when nothing with its metal elsewhere does nearly as well."""
    first = one.candidates[0]
    if first.circles or one.pick.metal:
        return True
    others = [c for c in one.candidates if c.metal != first.metal]
    return bool(others) and all(c.score < _SURE_SHARE * first.score for c in others)


def of_this_metal(one: Lead, metal: Sequence[Candidate]) -> list[Candidate]:
    """The candidates of a pick whose metal looks like the sheet's nearby; all of them where that does not tell."""
    if not metal or one.candidates[0].circles or _sure(one):
        return list(one.candidates)
    first, *others = one.candidates
    likely = [first, *(c for c in others if c.score > LEAST_SHARE * first.score)]
    unlike = np.array([_unlikeness(candidate, metal) for candidate in likely])
    if unlike.min() > _ODD:  # brushed metal mirrors another part of the room here: what is nearer in tone tells nothing
        return list(one.candidates)
    limit = _UNLIKE * max(float(unlike.min()), _ALIKE)
    return [c for c, far in zip(likely, unlike, strict=True) if far <= limit]


def _unlikeness(candidate: Candidate, metal: Sequence[Candidate]) -> float:
    """Difference of tone from the likest of the three nearest pieces of metal."""
    middle = candidate.contour.xy.mean(axis=0)
    near = sorted(metal, key=lambda m: float(np.hypot(*(m.contour.xy.mean(axis=0) - middle))))[:_NEAREST]
    return min(_differ(candidate, m) for m in near)


def _differ(one: Candidate, other: Candidate) -> float:
    return float(np.abs(one.tone - other.tone).max())
