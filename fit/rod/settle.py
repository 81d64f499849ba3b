"""What the touches on a rod decide for themselves: which side of the tip they give, and whether its axes cross."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.results import Notice
from fit.rod.axes import Axes, Setting, fit_axes, residuals_of
from fit.rod.inputs import RodInputs
from fit.rod.told import explain_excess
from fit.rod.touches import Touches

__all__ = ["settle_axes", "settle_points", "skew_of"]


def _setting(inputs: RodInputs, **more: bool) -> Setting:
    tip = inputs.tip / 2 if inputs.points == "centre" else 0.0
    return Setting(inputs.diameter / 2 + tip, tip, **more)


def settle_points(touches: Touches, inputs: RodInputs) -> tuple[RodInputs, Axes, list[Notice]]:
    """Tell tip centres from surface points by the known rod diameter; refuse what fits neither."""
    tried = replace(inputs, points=inputs.points or "surface")
    free = fit_axes(touches, _setting(tried, joint=False))
    excess, u = _excess(free, touches)
    if inputs.points is None and inputs.tip and abs(excess - inputs.tip / 2) < abs(excess):
        tried = replace(inputs, points="centre")
        free = fit_axes(touches, _setting(tried, joint=False))
        excess, u = _excess(free, touches)
    significant = abs(excess) > 4 * u
    if significant and abs(excess) > 0.1 + 0.05 * inputs.diameter:
        raise CannotDetermine(explain_excess(excess, tried.diameter, tried.tip, tried.points or "surface"))
    notices = []
    if significant and abs(excess) > 0.01 * inputs.diameter:
        text = (
            f"The touches lie on a rod of {inputs.diameter + 2 * excess:.2f} mm, not {inputs.diameter:.2f} mm; "
            "check the rod's and the tip's diameter with a caliper."
        )
        notices.append(Notice("rod-diameter", text))
    if inputs.points is None and inputs.tip:
        text = f"The rod's diameter says that the list holds {tried.points} points; read so."
        notices.append(Notice("tip-side", text))
    return tried, free, notices


def _excess(axes: Axes, touches: Touches) -> tuple[float, float]:
    """How much further than expected the touches lie from the axes, mm, and its standard uncertainty."""
    from scipy.optimize import least_squares

    def fn(params: FloatArray) -> FloatArray:
        setting = replace(axes.setting, reach=axes.setting.reach + params[-1])
        held = axes.jacobian[len(axes.kept) :] @ (params[:-1] - axes.params)
        return np.concatenate([residuals_of(params[:-1], touches, setting)[axes.kept], held])

    found = least_squares(fn, np.append(axes.params, 0.0), x_scale=1.0)
    dof = max(int(axes.kept.sum()) - len(axes.params), 1)
    inverse = np.linalg.pinv(found.jac.T @ found.jac)
    return float(found.x[-1]), float(np.sqrt(inverse[-1, -1] * 2 * found.cost / dof))


def settle_axes(touches: Touches, inputs: RodInputs, free: Axes) -> tuple[Axes, list[Notice]]:
    """Crossing axes where the touches allow it (F test at 99.9 %), else each run's own."""
    from scipy.stats import f

    joint = fit_axes(touches, _setting(inputs, joint=True), free)
    dof = free.kept.sum() - (len(free.params) - (len(free.jacobian) - len(free.kept)))
    extra = touches.runs - 1
    ratio = (joint.square_sum - free.square_sum) / extra / (free.square_sum / dof)
    crossing = ratio < f.isf(0.001, extra, dof)
    best = joint if crossing else free
    free_radius = not inputs.radius
    if free_radius:
        best = fit_axes(touches, _setting(inputs, joint=bool(crossing), free_radius=True), best)
    if crossing:
        return best, []
    worst = int(np.argmax(skew_of(free)))
    text = (
        f"The axes of run_{worst + 1} and run_{worst + 2} pass by {skew_of(free)[worst]:.2f} mm, more than the "
        "touches' noise explains; a run is bowed or twisted, or a touch sits on a bend. The ± was widened for it."
    )
    return best, [Notice("axes-skew", text, f"run_{worst + 1}")]


def skew_of(free: Axes) -> FloatArray:
    """(n,) mm by which neighbouring axes pass each other."""
    first, last = free.ends_of_runs()
    return np.asarray(np.linalg.norm(first[1:] - last[:-1], axis=1))
