"""Which tone step beside a contour is the upper rim of a sheet, and which its lower rim, its rounding or a shadow.

A sheet of known thickness seen by a known camera shows three lines along each edge, all at places that follow from the
contour: where the flat face ends (the upper rim, or the start of its rounding), and the outline of the solid, which is the
upper rim where the wall is hidden and the lower rim where the wall shows. A contour is believed by the steps that it
explains, less the steps beside it that it leaves unexplained. What is found at the lower rim is measured on the lower
face's plane, so both rims give the same contour in plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.edges.flatten import View
from capture.edges.strip import Contour, Strip, at_least, at_most
from fit.points import FloatArray

__all__ = [
    "FACE_LINE",
    "HIDDEN",
    "LOWER",
    "NARROW_WALL_MM",
    "OUTLINE",
    "WALL_SEEN_MM",
    "RimPoints",
    "Sheet",
    "contour_score",
    "rim_points",
    "rival_offset",
    "twin_share",
]

WALL_SEEN_MM = 0.06
NARROW_WALL_MM = 0.15
"""A wall seen no wider than this is one step of colour with the face's: lit it steps at its foot, dark at its rim."""
_WALL_CLEAR_MM = 0.25
_APART_MM, _TWIN_MM = 0.14, 0.08
_GAP_MM = 0.4
_RIVAL_MM, _RIVAL_REACH_MM, _RIVAL_SHARE = 0.25, 0.9, 0.85
_HUE_MM = (0.08, 0.28)
_CLEAR = 0.3
_BEYOND_MM = 0.35
_NARROW_PX, _BLUR_PX = 2.2, 0.95

HIDDEN, LOWER, FACE_LINE, OUTLINE = 0, 1, 2, 3
"""What a found step is: upper rim with its wall hidden, lower rim, end of the flat face; outline of all that has the metal's
colour, so that no rounding lies outside it."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The sheet under the camera: height of its upper face, thickness and radius of its rounded upper edge, all mm.

    on_paper : whether it lies on white paper, where its lower rim shows clearly. On a bench the gap under it is dark and
    hides that rim.
    """

    height: float
    thickness: float
    rounding: float = 0.0
    on_paper: bool = True

    def wall(self, view: View, contour: Contour) -> FloatArray:
        """Outward offset (M,) of the lower rim as seen on the face's plane: positive where the wall shows."""
        eye = view.centre
        ratio = (eye[2] - self.height) / (eye[2] - self.height + self.thickness)
        return ((1 - ratio) * (eye[:2] - contour.xy) * contour.outward).sum(axis=1)

    def outline_shift(self, wall: FloatArray) -> FloatArray:
        """How far inside the contour a rounded edge's outline shows where its wall is hidden, mm.

        Tangent of the sight line to the rounding's circle, cut with the face's plane.
        """
        if self.rounding == 0 or self.thickness <= 0:
            return np.zeros_like(wall)
        lean = at_least(-wall, 0)
        lean /= self.thickness
        return np.asarray(self.rounding * (lean + 1 - np.sqrt(1 + lean**2)))


@dataclass(frozen=True, eq=False, slots=True)
class RimPoints:
    """Steps taken as the sheet's edge: row of the strip, outward offset (mm) where seen, what each is, how clear.

    inset : how far inside the true contour that line lies, mm. moved : by how much of that light on the paper, rather than
    the sheet, tells, mm.
    """

    row: NDArray[np.int_]
    offset: FloatArray
    kind: NDArray[np.int_]
    strength: FloatArray
    inset: FloatArray
    moved: FloatArray | float = 0.0


def contour_score(
    strip: Strip, sheet: Sheet, contour: FloatArray, wall: FloatArray, reach: float, inside: float = 1.2
) -> FloatArray:
    """How well steps agree with the contour lying at outward offsets (..., M), place by place.

    Parameters
    ----------
    wall : (M,) or (..., M) seen wall width. reach : tolerance of a step's place, mm.
    inside : how far into the material steps count against the contour, mm.
    """
    seen = wall > WALL_SEEN_MM
    outline, face_line = _lines(strip, sheet, contour, wall, seen)
    at_outline, at_face_line = strip.around(outline, reach), strip.around(face_line, reach)
    two = np.abs(outline - face_line) > 2 * reach
    beside = strip.between(face_line - inside, np.maximum(outline, face_line) + _BEYOND_MM)
    if sheet.on_paper:
        beside -= at_outline
        beside -= at_face_line * two
        # Where the wall shows, face and wall meet in a step of tone: an outline without it would leave the wall unseen.
        walled = 0.8 * at_face_line + 0.5 * at_outline
    else:
        gap = at_most(strip.between(outline - reach, outline + _GAP_MM), 1.0)
        beside -= at_face_line
        beside -= gap
        walled = 0.9 * at_face_line + 0.3 * gap
    unexplained = at_most(at_least(beside, 0.0), 2.0)
    plain = np.maximum(at_outline, 0.8 * at_face_line) + 0.4 * (np.minimum(at_outline, at_face_line) * two)
    found = np.where(seen & (wall > (_WALL_CLEAR_MM if sheet.on_paper else 0.0)), walled, plain)
    found -= 0.35 * unexplained
    if strip.hue is not None:
        near, far = _HUE_MM
        drop = strip.part_share(outline - far, outline - near) - strip.part_share(outline + near, outline + far)
        found = found + 0.6 * np.clip(drop, -1.0, 1.0)
    return np.asarray(found, dtype=float)


def _lines(
    strip: Strip, sheet: Sheet, contour: FloatArray, wall: FloatArray, seen: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Where the solid's outline and the end of the flat face show (..., M) for a contour there."""
    hidden, face_line, apart = contour, contour, _blurred_apart(strip, sheet)
    if sheet.rounding:
        hidden = contour - sheet.outline_shift(wall) + apart
        face_line = contour - sheet.rounding
    if apart:
        face_line = face_line - np.where(seen, apart / 2, apart)
    return np.where(seen, contour + wall, hidden), face_line


def _blurred_apart(strip: Strip, sheet: Sheet) -> float:
    """How far blur drives each line of a rounding too narrow for the pixels from where it is, mm.

    A narrow band b wide that is brighter or darker than both its sides shows its steepest places σ off its middle (the
    zeros of a Gaussian's second derivative), a wide one b / 2 off; between them √(σ² + b² / 4) is near enough.
    """
    half = sheet.rounding / 2
    if half == 0 or sheet.rounding * strip.px_per_mm >= _NARROW_PX:
        return 0.0
    return float(np.hypot(half, _BLUR_PX / strip.px_per_mm)) - half


def rival_offset(strip: Strip, sheet: Sheet, contour: FloatArray, wall: FloatArray) -> float | None:
    """Outward distance, mm, to another line beside the contour that explains the steps nearly as well; else None.

    Lines nearer than `_RIVAL_MM` are the edge's own.
    """
    steps = np.arange(-_RIVAL_REACH_MM, _RIVAL_REACH_MM + 1e-9, 0.05)
    apart = np.abs(steps) >= _RIVAL_MM
    score = contour_score(strip, sheet, contour + steps[:, None], wall, 0.07).mean(axis=1)
    own = float(score[np.abs(steps) < 0.06].max())
    best = int(np.argmax(np.where(apart, score, -np.inf)))
    return float(steps[best]) if own > 0 and score[best] > _RIVAL_SHARE * own else None


def twin_share(strip: Strip, sheet: Sheet, contour: FloatArray, wall: FloatArray) -> float:
    """Share of the rows with a hidden wall that show outline and face line as two steps: the mark of a rounded edge."""
    hidden = wall < 0
    if not hidden.any() or not sheet.rounding:
        return 0.0
    apart = _blurred_apart(strip, sheet)
    outline, strength = strip.nearest(contour - sheet.outline_shift(wall) + apart, 0.1)
    line, line_strength = strip.nearest(contour - sheet.rounding - apart, 0.1)
    twins = (strength > _CLEAR) & (line_strength > _CLEAR) & (np.abs(outline - line) > _TWIN_MM)
    return float(twins[hidden].sum() / len(wall))


def rim_points(strip: Strip, sheet: Sheet, contour: FloatArray, wall: FloatArray, reach: float = 0.12) -> RimPoints:
    """Pick for every row the step that tells most of the contour at outward offsets (M,), if there is a clear one.

    A sharp upper rim is better than a lower one, which lies in its own shadow; a rounded one is worse.
    """
    seen = wall > WALL_SEEN_MM
    blur = _blurred_apart(strip, sheet)
    shift = np.where(seen, 0.0, sheet.outline_shift(wall) - blur)
    line_inset = sheet.rounding + np.where(seen, blur / 2, blur)
    outline = np.where(seen, contour + wall, contour - shift)
    offset, strength = strip.nearest(outline, reach)
    line_offset, line_strength = strip.nearest(contour - line_inset, reach)
    spread = np.abs(outline - contour + line_inset)
    # One step cannot be both lines: a narrow wall's step is its outline's, a wide wall's may be the face line's alone.
    apart = (spread > _APART_MM) & (np.abs(line_offset - offset) > _TWIN_MM)
    clear, line_clear = strength > _CLEAR, (line_strength > _CLEAR) & apart
    line_clear &= clear | (spread > 2 * reach + _TWIN_MM)
    if not sheet.on_paper:
        clear, line_clear = clear & ~seen, np.where(seen, line_strength > _CLEAR, line_clear)
    use_line = line_clear & (~clear | (sheet.rounding == 0))
    row = np.flatnonzero(clear | line_clear)
    kind = np.where(use_line, FACE_LINE, np.where(seen, LOWER, HIDDEN))
    inset = np.where(use_line, line_inset, shift)
    place, certainty = np.where(use_line, line_offset, offset), np.where(use_line, line_strength, strength)
    return RimPoints(row, place[row], kind[row], certainty[row], inset[row])
