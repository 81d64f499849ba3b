"""What a measured rod tells its user in words."""

from __future__ import annotations

import numpy as np

from fit.results import Notice
from fit.rod.axes import Axes
from fit.rod.touches import END_A, END_B, RUN, Touches

__all__ = ["explain_excess", "touch_notices"]


def explain_excess(excess: float, diameter: float, tip: float, points: str) -> str:
    """What touches that lie further out than they should look like, and what to do; mm."""
    seen = diameter + 2 * excess
    said = f"The touches lie on a rod of {seen:.2f} mm, not {diameter:g} mm"
    if points == "surface" and excess > 0:
        return f"{said}: they look like tip centres; give --points centre --tip {2 * excess:.2f}, or check the rod."
    if points == "centre" and abs(excess + tip / 2) < 0.1 * tip:
        return f"{said}: they look like surface points; give --points surface."
    return f"{said}; check --rod-diameter, --tip and the unit."


def touch_notices(axes: Axes, touches: Touches) -> list[Notice]:
    """Stray touches, ends not touched or touched once, names that say nothing."""
    notices = []
    relevant = axes.kept | ~np.isin(touches.what, (RUN, END_A, END_B))
    for row in np.flatnonzero(~relevant).tolist():
        text = f"Touch {row + 1} lies {axes.residuals[row]:+.2f} mm off {touches.name(row)}; it was left out."
        notices.append(Notice("stray-touch", text, touches.name(row)))
    for end, has in (("end_a", touches.has_a), ("end_b", touches.has_b)):
        if has and np.sum(touches.what == (END_A if end == "end_a" else END_B)) == 1:
            text = f"{end} was touched once, so nothing would show a stray touch there; touch it four times."
            notices.append(Notice("end-single", text, end))
        if not has:
            text = f"{end} was not touched, so the straight to it and the cut length are left out; touch the end face."
            notices.append(Notice("end-missing", text, end))
    if touches.left_out:
        text = f"Points named {', '.join(touches.left_out)} belong to no run, bend or end and were not used."
        notices.append(Notice("name-unknown", text))
    return notices
