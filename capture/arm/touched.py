"""Touches of one feature to a fitted feature on the true surface: kind, face, tip, strays."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.arm.faces import own_face
from capture.arm.kinds import fit_kind
from capture.arm.tip import Tip, beside, choose_side, correct, surface_normals, unlike_side
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.uncertain import coverage_factor

__all__ = ["FACED", "Touched", "as_shared", "fit_touched"]

FACED = frozenset({"circle", "arc", "slot"})
_RADII = {"radius": 1.0, "diameter": 0.5, "width": 0.5}
"""Values that say how far a round surface lies from its middle, and the share of them that does."""


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
    if kind == "circle" and plane is None and (own := own_face(centres)) is not None:
        # shared, as a fitted face's: the circle's own degrees of freedom then tell the spread of a touch alone
        plane = as_shared(own, f"plane {name}")
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
    if tip and sign > 0:
        _refuse_swallowed(raw, tip)
    outward = sign * normals
    surface = correct(centres, outward, tip) if tip else replace(centres, normal=outward)
    if raw.kind == "line" and tip:
        surface = surface.with_shared([f"tip:side of {name}"], _line_side_mode(raw, centres.normal, outward, tip))
    final = fit_kind(surface.select(~unlike), kind, plane, form=form)
    return _finished(name, surface, final, unlike)


def _refuse_swallowed(centres: Feature, tip: Tip) -> None:
    """Refuse a round surface said to be touched from outside whose tip centres lie within a tip's radius of its middle.

    Where they lie within half of it the unit is doubted instead (`unitcheck.py`).
    """
    radius = next((centres[key] * share for key, share in _RADII.items() if key in centres.order), math.inf)
    if not 0.5 < radius / tip.radius < 1.02:
        return
    message = (
        f"by i j k it was touched from outside, but its touches lie only {radius:.3f} mm from its middle, less than the "
        f"tip's radius, {tip.radius:.3f} mm. Are they surface points already (--points surface), is --tip right, or do "
        "i j k point to the surface?"
    )
    raise CannotDetermine(message)


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
