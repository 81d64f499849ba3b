"""Shapes fitted to points by orthogonal distance."""

from fit.shapes.arc import fit_arc
from fit.shapes.circle import fit_circle
from fit.shapes.cone import fit_cone
from fit.shapes.curvature import radius_range, short_arc
from fit.shapes.cylinder import fit_cylinder
from fit.shapes.line import fit_line
from fit.shapes.plane import fit_plane
from fit.shapes.slot import fit_slot
from fit.shapes.sphere import fit_sphere

__all__ = [
    "fit_arc",
    "fit_circle",
    "fit_cone",
    "fit_cylinder",
    "fit_line",
    "fit_plane",
    "fit_slot",
    "fit_sphere",
    "radius_range",
    "short_arc",
]
