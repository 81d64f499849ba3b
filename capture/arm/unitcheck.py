"""Does the list's unit fit its own touches? Balls come in few sizes, and no tip runs outside of less than itself.

Where neither tells, nothing is said: a small part in mm and a large one in inches are the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from capture.arm.tip import Tip
from capture.arm.tipcheck import usual_ball
from capture.arm.touched import Touched
from capture.arm.touches import Touches
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import Points
from fit.results import Notice
from fit.shapes.frame import axes_about
from fit.shapes.taubin import taubin
from fit.uncertain import Value
from fit.units import MM_PER_INCH

__all__ = ["check_unit"]

_CHECK = "The list looks to be in another unit: check --unit, or the unit that the file states."
_SMALL = 0.5
"""Touches from outside span at least the tip; half of it spares a tip whose radius was typed for its diameter."""


def check_unit(touches: Touches, touched: Mapping[str, Touched], tip: Tip | None) -> list[Notice]:
    """Notice `unit-doubt` where the touches make sense in another unit only; tip is None for surface points.

    Looks at the touches as recorded, since with a wrong unit the tip's radius spoils the features.
    """
    diameter = tip.diameter if tip else 0.0
    features = [one.feature for one in touched.values()]
    recorded = {feature.name: touches.points.select(touches.rows(feature.name)) for feature in features}
    text = _balls([recorded[feature.name] for feature in features if feature.kind == "sphere"], diameter)
    if text is None and tip:
        found = (_outside(feature, recorded[feature.name], diameter) for feature in features)
        text = next((said for said in found if said), None)
    return [Notice("unit-doubt", text)] if text else []


def _balls(balls: list[Points], tip: float) -> str | None:
    """Where all balls are of usual sizes in the other unit, and none of them as read."""
    try:
        spans = [_sphere(ball) for ball in balls]
    except CannotDetermine:
        return None
    if not spans or any(usual_ball(span.value - tip, span.u95) for span in spans):
        return None
    for factor, other in ((MM_PER_INCH, "inches"), (1 / MM_PER_INCH, "mm")):
        found = [usual_ball(span.value * factor - tip, span.u95 * factor) for span in spans]
        if all(found):
            return (
                f"{balls[0].label[0]}: its touches span {spans[0].value:.3g} mm as read, which makes no usual ball; "
                f"read in {other} they make one of {found[0]:g} mm. {_CHECK}"
            )
    return None


def _sphere(ball: Points) -> Value:
    from fit.shapes import fit_sphere

    return fit_sphere(ball, form="none").value("diameter")


def _outside(feature: Feature, recorded: Points, tip: float) -> str | None:
    """Where i j k say that the tip ran outside, but its centres span too little for that as read."""
    if feature.kind not in ("sphere", "circle", "cylinder"):
        return None
    across = np.eye(3) if feature.kind == "sphere" else axes_about(feature.vector(("nx", "ny", "nz")))[:, :2]
    local = recorded.xyz @ across
    try:
        *centre, radius = taubin(local.T)
    except CannotDetermine:
        return None
    along = np.einsum("ij,ij->i", local - centre, recorded.normal @ across)
    told, span = along[np.isfinite(along)], 2 * float(radius)
    if not len(told) or np.median(told) <= 0 or not span < _SMALL * tip < _SMALL * MM_PER_INCH * span:
        return None
    return (
        f"{feature.name}: a tip of {tip:g} mm ran outside it, but the tip's centres span only {span:.2g} mm as read; "
        f"read in inches it is {span * MM_PER_INCH - tip:.3g} mm wide. {_CHECK}"
    )
