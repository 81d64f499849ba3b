"""Lines and arcs in space as they show in the part's own axes."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fit.drawing.datum import PartAxes
from fit.drawing.model import Arc, Line
from fit.drawing.view import arc_point
from fit.feature import Feature

__all__ = ["flat_pieces"]


def flat_pieces(features: Sequence[Feature], axes: PartAxes, layer: str = "mark") -> list[Line | Arc]:
    """Lines and arcs as seen in the part's axes; an arc seen slanted becomes its chord."""
    pieces: list[Line | Arc] = []
    for feature in features:
        if feature.kind == "line":
            ends = (
                axes.place(axes.view.flat(feature.vector(keys))) for keys in (("x1", "y1", "z1"), ("x2", "y2", "z2"))
            )
            (x1, y1), (x2, y2) = ends
            pieces.append(Line(x1, y1, x2, y2, layer))
        else:
            pieces.append(_flat_arc(feature, axes, layer))
    return pieces


def _flat_arc(feature: Feature, axes: PartAxes, layer: str) -> Line | Arc:
    start, end = (arc_point(feature, feature.values, part) for part in (0.0, 1.0))
    (x1, y1), (x2, y2) = (axes.place(axes.view.flat(point)) for point in (start, end))
    if not axes.view.is_square(feature):
        return Line(x1, y1, x2, y2, "reference")
    x, y = axes.place(axes.view.flat(feature.values[:3]))
    side = math.copysign(1.0, float(feature.vector(("nx", "ny", "nz")) @ axes.view.towards))
    return Arc(x, y, feature["radius"], math.atan2(y1 - y, x1 - x), side * feature["span"], layer)
