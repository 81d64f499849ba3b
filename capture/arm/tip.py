"""From the centres of a probe's ball tip to the surface it touched, with the tip's error carried as a shared mode.

The side comes from i j k (or from the user), the exact direction from the fitted surface: along a direction off by θ
the correction would be wrong by r(1/cos θ − 1), along the surface's own normal it is right (plain geometry; common
practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.feature import Feature
from fit.lists.tipsize import check_tip_size
from fit.points import FloatArray, Points

__all__ = ["TIP_MODE", "Tip", "beside", "choose_side", "correct", "qualify", "surface_normals", "unlike_side"]

TIP_MODE = "tip:radius"
_ROUND = ("sphere", "circle", "arc", "cylinder", "cone", "slot")


@dataclass(frozen=True, slots=True)
class Tip:
    """A ball tip: diameter, mm, and the standard uncertainty u of that diameter, mm."""

    diameter: float
    u: float = 0.003

    def __post_init__(self) -> None:
        check_tip_size(self.diameter, self.u)

    @property
    def radius(self) -> float:
        """mm."""
        return self.diameter / 2


def correct(centres: Points, outward: FloatArray, tip: Tip) -> Points:
    """Move tip centres to the touched surface.

    Parameters
    ----------
    centres : tip centres, mm. outward : (N, 3) unit vectors from the surface to the tip centre.

    Returns
    -------
    Points on the surface; `normal` is outward, and the mode ``tip:radius`` says how all move for one standard
    uncertainty of the tip's radius (half that of its diameter). Points that know the mode already keep one mode.
    """
    unit = np.asarray(outward, float)
    moved = replace(centres, xyz=centres.xyz - tip.radius * unit, normal=unit)
    return moved.with_shared([TIP_MODE], (-tip.u / 2 * unit)[None]) if tip.u > 0 else moved


def beside(tangent: FloatArray, normal: FloatArray, side: str) -> FloatArray:
    """Unit vectors (N, 3) from an edge to a tip that ran on its 'left' or 'right'.

    tangent (N, 3) in the direction of travel, normal (3,) of the face, seen from the side it points to.
    """
    if side not in ("left", "right"):
        message = f"The side of an edge must be left or right of the direction of travel; got {side}."
        raise InputError(message)
    across = np.cross(np.asarray(normal, float), np.asarray(tangent, float))
    across /= np.linalg.norm(across, axis=-1, keepdims=True)
    return across if side == "left" else -across


def surface_normals(feature: Feature, xyz: FloatArray, direction: FloatArray) -> FloatArray:
    """Unit normals (N, 3) of a fitted feature at points near it; round ones point away from the centre or axis.

    direction (N, 3) is used for a line alone, which leaves a turn about itself open: there the normal is the mean
    direction, square to the line. Raises InputError for a line without directions.
    """
    kind = feature.kind
    if kind == "plane":
        return np.broadcast_to(feature.vector(("nx", "ny", "nz")), xyz.shape).copy()
    if kind == "line":
        return _line_normals(feature, xyz, direction)
    if kind == "slot":
        return _slot_normals(feature, xyz)
    from_centre = xyz - feature.vector(("x", "y", "z"))
    if kind == "sphere":
        return _unit(from_centre)
    axis = feature.vector(("nx", "ny", "nz"))
    along = from_centre @ axis
    radial = _unit(from_centre - along[:, None] * axis)
    if kind == "cone":
        half = feature["half_angle"]
        return math.cos(half) * radial - math.sin(half) * np.sign(along)[:, None] * axis
    return radial


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))


def _line_normals(feature: Feature, xyz: FloatArray, direction: FloatArray) -> FloatArray:
    if not np.isfinite(direction).any():
        message = f"'{feature.name}': a line touched with a ball tip needs i j k, to know on which side the tip was."
        raise InputError(message)
    ends = feature.vector(("x1", "y1", "z1", "x2", "y2", "z2"))
    along = _unit(ends[3:] - ends[:3])
    mean = np.nanmean(direction, axis=0)
    return np.broadcast_to(_unit(mean - (mean @ along) * along), xyz.shape).copy()


def _slot_normals(feature: Feature, xyz: FloatArray) -> FloatArray:
    """Away from the nearest point of the slot's centre line."""
    from fit.shapes.frame import axes_about

    axes = axes_about(feature.vector(("nx", "ny", "nz")))
    along = math.cos(feature["angle"]) * axes[:, 0] + math.sin(feature["angle"]) * axes[:, 1]
    local = xyz - feature.vector(("x", "y", "z"))
    local = local - np.outer(local @ axes[:, 2], axes[:, 2])
    half = (feature["length"] - feature["width"]) / 2
    return _unit(local - np.clip(local @ along, -half, half)[:, None] * along)


def choose_side(feature: Feature, normals: FloatArray, direction: FloatArray, side: str | None) -> float:
    """+1 where the tip was on the side that `normals` (N, 3) point to, −1 on the other.

    i j k decide by their majority; without them `side` does: 'in' or 'out' of a round feature, and for a plane 'out'
    is the side of the arm's base (the list's origin).

    Raises InputError where neither tells.
    """
    dots = np.einsum("ij,ij->i", normals, direction)
    told = np.isfinite(dots)
    if told.any():
        return 1.0 if np.median(dots[told]) >= 0 else -1.0
    if side in ("in", "out"):
        sign = 1.0 if side == "out" else -1.0
        if feature.kind in _ROUND:
            return sign
        if feature.kind == "plane":
            towards_base = -float(feature.vector(("x", "y", "z")) @ normals[0])
            return sign if towards_base >= 0 else -sign
    asked = f"--side '{feature.name}=in' or =out" if feature.kind in (*_ROUND, "plane") else "columns i j k"
    message = (
        f"'{feature.name}': the list has no i j k, so the side of the {feature.kind} where the tip was is not known; "
        f"add {asked}, or give surface points with --points surface."
    )
    raise InputError(message)


def unlike_side(normals: FloatArray, direction: FloatArray, sign: float) -> NDArray[np.bool_]:
    """Mask (N,) of points whose own i j k say the other side than the rest."""
    dots = sign * np.einsum("ij,ij->i", normals, direction)
    return np.asarray(np.isfinite(dots) & (dots < 0))


def qualify(touches: Points, ball_diameter: float, ball_u: float = 0.001) -> Tip:
    """Tip diameter from touches (tip centres) all round a ball of known diameter, mm.

    The centres lie on a sphere of ball + tip diameter; u joins the fit's and the ball's (JCGM 100:2008, 5.1.2).

    Raises CannotDetermine where the touches do not make a sphere, InputError where the tip would not be positive.
    """
    from fit.shapes import fit_sphere

    found = fit_sphere(touches).value("diameter")
    if found.value <= ball_diameter:
        message = (
            f"The ball must be smaller than the sphere of tip centres, {found.value:.3f} mm; got {ball_diameter} mm. "
            "Are the points tip centres, and is the ball's diameter right?"
        )
        raise InputError(message)
    return Tip(found.value - ball_diameter, math.hypot(found.u95 / 1.96, ball_u))
