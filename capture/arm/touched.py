"""Touches of one feature to a fitted feature on the true surface: kind, face, tip, strays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.arm.kinds import fit_kind
from capture.arm.tip import Tip, beside, choose_side, correct, surface_normals, unlike_side
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.uncertain import coverage_factor

__all__ = ["FACED", "Touched", "as_shared", "face_of", "fit_touched"]

FACED = frozenset({"circle", "arc", "slot"})
_NEAR_MM = 5.0
_NEAR_ANGLE = math.radians(10.0)
_TURNS_ABOUT = 10.0
"""How many times their scatter the i j k of a hole must spread round it to tell its axis."""
_LOOKS_ROUND = 0.02
"""Mean square that they must have round it at least, of 1 in all; a ring of 30° has as much."""


@dataclass(frozen=True, eq=False, slots=True)
class Touched:
    """A fitted feature with its surface points.

    Attributes
    ----------
    feature : final, on the surface. points : (N,) surface points of all touches given, normals out of the surface.
    used : (N,) which of them the fit used. turned : (N,) left out since their i j k say the other side than the rest.
    """

    feature: Feature
    points: Points
    used: NDArray[np.bool_]
    turned: NDArray[np.bool_]


def as_shared(feature: Feature, prefix: str) -> Feature:
    """The same feature with its own errors told as shared modes ``prefix:1`` …, for all that builds on it to share.

    Few degrees of freedom widen the modes by Student's factor, since shared sources count as well known.
    """
    values, vectors = np.linalg.eigh((feature.cov_own + feature.cov_own.T) / 2)
    keep = values > 1e-12 * max(float(values.max()), 1e-300)
    if not keep.any() or float(values.max()) <= 0:
        return feature
    wider = coverage_factor(feature.dof) / coverage_factor(math.inf)
    modes = (vectors[:, keep] * np.sqrt(values[keep])).T[::-1] * wider
    names = tuple(f"{prefix}:{k + 1}" for k in range(len(modes)))
    return replace(
        feature,
        cov_own=np.zeros_like(feature.cov_own),
        shared=np.concatenate([feature.shared, modes]),
        shared_names=(*feature.shared_names, *names),
        dof=math.inf,
    )


def face_of(centres: Points, planes: Sequence[Feature], off: float = 0.0) -> Feature | None:
    """Nearest fitted plane within 5 mm of the touches and 10° of square to their directions; None where there is none.

    off: how far the planes stand off their surface, mm (a tip radius, where they were fitted to tip centres).
    """
    near = [(abs(_height(centres, plane)), k) for k, plane in enumerate(planes) if _square_to(centres, plane)]
    near = [item for item in near if item[0] <= _NEAR_MM + off]
    return planes[min(near)[1]] if near else None


def _height(centres: Points, plane: Feature) -> float:
    normal = plane.vector(("nx", "ny", "nz"))
    return float(np.median((centres.xyz - plane.vector(("x", "y", "z"))) @ normal))


def _square_to(centres: Points, plane: Feature) -> bool:
    """Whether a hole's axis lies within 10° of the plane's normal, by its i j k, else by the spread of its heights."""
    normal = plane.vector(("nx", "ny", "nz"))
    directions = centres.normal[np.isfinite(centres.normal).all(axis=1)]
    if len(directions) >= 2:
        return _axis_near(directions, normal)
    local = centres.xyz - centres.xyz.mean(axis=0)
    across = local @ normal
    size = float(np.sqrt(np.mean(np.sum(local**2, axis=1) - across**2)))
    return bool(np.std(across) < max(math.tan(_NEAR_ANGLE) * size, 0.5))


def _axis_near(directions: FloatArray, normal: FloatArray) -> bool:
    """Whether i j k (N, 3) of a hole tell an axis within 10° of the normal, or of what their own scatter leaves open.

    The axis is what they are least along; where they all look one way, so that it could turn about that way, most of
    them must be square to the normal.
    """
    squares, axes = np.linalg.eigh(directions.T @ directions / len(directions))
    if squares[1] < max(_TURNS_ABOUT * squares[0], _LOOKS_ROUND) or len(directions) < 4:
        return bool(np.median(np.abs(directions @ normal)) < math.sin(_NEAR_ANGLE))
    doubt = 2 * math.sqrt(max(squares[0], 0.0) / (len(directions) * squares[1]))
    return bool(abs(float(axes[:, 0] @ normal)) > math.cos(_NEAR_ANGLE + doubt))


def fit_touched(
    name: str,
    centres: Points,
    kind: str,
    plane: Feature | None,
    tip: Tip | None,
    side: str | None,
    form: str = "none",
) -> Touched:
    """Fit a feature to its touches.

    Parameters
    ----------
    centres : tip centres where tip is given, else surface points; `normal` holds i j k or NaN.
    plane : face to project into for circle, arc, slot and line. side : where the list has no i j k.
    form : form value wanted, as the fits take it.

    The centres are fitted first; the surface lies one tip radius back along that fit's own normals. Touches whose i j k
    say the other side than the rest are left out.

    Raises
    ------
    CannotDetermine, InputError : naming the feature.
    """
    try:
        return _fit(name, centres, kind, plane, tip, side, form)
    except CannotDetermine as error:
        message = f"'{name}' as {kind}: {error}"
        raise CannotDetermine(message) from error


def _fit(
    name: str, centres: Points, kind: str, plane: Feature | None, tip: Tip | None, side: str | None, form: str
) -> Touched:
    raw = fit_kind(centres, kind, plane)
    if raw.kind == "line" and tip is None:
        return _finished(name, centres, fit_kind(centres, kind, plane, form=form), np.zeros(len(centres), bool))
    if raw.kind == "line" and plane is not None and side in ("left", "right") and not _directed(centres):
        centres = replace(centres, normal=_beside_line(raw, plane, side, len(centres)))
    normals = surface_normals(raw.renamed(name), _in_face(centres.xyz, plane), centres.normal)
    sign = choose_side(raw.renamed(name), normals, centres.normal, side) if tip or _directed(centres) else 1.0
    unlike = unlike_side(normals, centres.normal, sign)
    unlike[raw.rejected] = False
    if unlike.any() and not unlike.all():
        kept = centres.select(~unlike)
        normals = surface_normals(fit_kind(kept, kind, plane), _in_face(centres.xyz, plane), centres.normal)
    outward = sign * normals
    surface = correct(centres, outward, tip) if tip else replace(centres, normal=outward)
    if raw.kind == "line" and tip:
        surface = surface.with_shared([f"tip:side of {name}"], _line_side_mode(raw, centres.normal, outward, tip))
    final = fit_kind(surface.select(~unlike), kind, plane, form=form)
    return _finished(name, surface, final, unlike)


def _beside_line(line: Feature, plane: Feature, side: str, count: int) -> FloatArray:
    ends = line.vector(("x1", "y1", "z1", "x2", "y2", "z2"))
    travel = np.broadcast_to(ends[3:] - ends[:3], (count, 3))
    return beside(travel, plane.vector(("nx", "ny", "nz")), side)


def _line_side_mode(line: Feature, direction: FloatArray, outward: FloatArray, tip: Tip) -> FloatArray:
    """Move (1, N, 3) of a line's points for one standard uncertainty of the mean i j k, turned about the line."""
    ends = line.vector(("x1", "y1", "z1", "x2", "y2", "z2"))
    along = (ends[3:] - ends[:3]) / np.linalg.norm(ends[3:] - ends[:3])
    sideways = np.cross(along, outward)
    told = np.isfinite(direction).all(axis=1)
    lean = np.einsum("ij,ij->i", direction[told], sideways[told])
    u = float(np.std(lean, ddof=1)) / math.sqrt(len(lean)) if len(lean) > 1 else math.radians(2.0)
    return np.asarray(tip.radius * u * sideways)[None]


def _directed(centres: Points) -> bool:
    return bool(np.isfinite(centres.normal).all(axis=1).any())


def _in_face(xyz: FloatArray, plane: Feature | None) -> FloatArray:
    """Points projected into a face along its normal; unchanged without one."""
    if plane is None:
        return xyz
    normal = plane.vector(("nx", "ny", "nz"))
    return np.asarray(xyz - np.outer((xyz - plane.vector(("x", "y", "z"))) @ normal, normal))


def _finished(name: str, surface: Points, feature: Feature, turned: NDArray[np.bool_]) -> Touched:
    """Put the fit's stray points and residuals back among all touches."""
    rows = np.flatnonzero(~turned)
    used = ~turned
    used[rows[feature.rejected]] = False
    if not used.any():
        message = f"'{name}': no touch is left to fit; touch it again."
        raise InputError(message)
    residuals = np.zeros(len(surface))
    residuals[rows] = feature.residuals
    whole = replace(feature, rejected=np.flatnonzero(~used), residuals=residuals)
    return Touched(whole.renamed(name), surface.named(name), used, turned)
