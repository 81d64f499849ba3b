"""A bent rod's schedule from touches, with the U95 of every figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.rod.axes import Axes, Setting, fit_axes, residuals_of
from fit.rod.schedule import Schedule, schedule_of_axes
from fit.rod.told import explain_excess, touch_notices
from fit.rod.touches import Touches, sort_touches
from fit.uncertain import Value, coverage_factor

__all__ = ["MeasuredRod", "RodInputs", "measure_rod"]


@dataclass(frozen=True, slots=True)
class RodInputs:
    """What is typed about the rod and the tip.

    Attributes
    ----------
    diameter : mm, of the rod; diameter_u its standard uncertainty.
    radius : mm, centre-line radius of each bend, or one for all; () where touches on the bends must give it.
    radius_u : its standard uncertainty, the same error in all bends.
    tip : mm, tip diameter, 0 where surface points are given; tip_u its standard uncertainty.
    points : 'centre', 'surface', or None to let the touches tell by the known rod diameter.
    """

    diameter: float
    diameter_u: float = 0.0
    radius: tuple[float, ...] = ()
    radius_u: float = 0.0
    tip: float = 0.0
    tip_u: float = 0.003
    points: str | None = None

    def __post_init__(self) -> None:
        for what, value in (("rod diameter", self.diameter), *(("radius", r) for r in self.radius)):
            if not 0 < value < 1e5:
                message = f"The {what} must be above 0 mm and below 100 m; got {value:g}."
                raise InputError(message)
        if not (0 <= self.tip < 100 and 0 <= self.tip_u < (self.tip or 100)):
            message = (
                f"The tip diameter must be between 0 and 100 mm and its uncertainty smaller than it; "
                f"got {self.tip:g} with u {self.tip_u:g}."
            )
            raise InputError(message)
        if self.points == "centre" and self.tip == 0:
            message = "Tip centres need the tip's diameter; give --tip MM."
            raise InputError(message)


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredRod:
    """A measured bent rod.

    Attributes
    ----------
    schedule : the figures alone. straight, rotation, bend, radius : the same as Values; straights that nothing ends
    are None, as is cut_length then; rotation[0] is None.
    corners : (n + 2, 3) mm, mean of the two feet where axes pass each other.
    skew : (n,) mm by which neighbouring axes pass each other; zeros where they were solved as crossing.
    axes, touches, inputs : the solution and what went in. modes : (K, P + 1) answer to the shared errors mode_names.
    """

    schedule: Schedule
    straight: tuple[Value | None, ...]
    rotation: tuple[Value | None, ...]
    bend: tuple[Value, ...]
    radius: tuple[Value, ...]
    cut_length: Value | None
    corners: FloatArray
    skew: FloatArray
    axes: Axes
    touches: Touches
    inputs: RodInputs
    modes: FloatArray
    mode_names: tuple[str, ...]
    notices: tuple[Notice, ...] = field(default=())

    def corner_u95(self) -> FloatArray:
        """(n + 2, 3) mm, U95 of the corners' coordinates."""
        at, steps = self.axes.params, np.eye(len(self.axes.params)) * 1e-4
        gradient = np.stack([(self._corners(at + s) - self._corners(at - s)) / 2e-4 for s in steps], axis=1)
        variance = np.einsum("ij,jk,ik->i", gradient, self.axes.cov, gradient)
        variance += np.sum((self.modes[:, :-1] @ gradient.T) ** 2, axis=0)
        skew = np.concatenate([[0.0], self.skew, [0.0]])
        variance += np.repeat(skew**2 / 12, 3)
        return np.asarray(coverage_factor(self.axes.dof) * np.sqrt(variance)).reshape(-1, 3)

    def _corners(self, params: FloatArray) -> FloatArray:
        first, last = self.axes.ends_of_runs(params)
        return np.concatenate([first[:1], (last[:-1] + first[1:]) / 2, last[-1:]]).ravel()


def measure_rod(points: Points, inputs: RodInputs) -> MeasuredRod:
    """Schedule of a bent rod from touches on its runs and ends.

    Parameters
    ----------
    points : touches with labels ``run_1`` … in feed order, ``end_a``, ``end_b``, and ``bend_1`` … to measure radii.

    Raises
    ------
    InputError : names or typed values amiss. CannotDetermine : touches that cannot carry the schedule.
    """
    touches = sort_touches(points)
    if not inputs.radius and not touches.bends_touched:
        message = (
            "The bend radius is not known; give --radius MM (to the centre line), or touch the bends' "
            "outsides as bend_1, bend_2 …"
        )
        raise CannotDetermine(message)
    inputs, free, doubts = _settle_points(touches, inputs)
    axes, skew_notices = _settle_axes(touches, inputs, free)
    skew = _skew(free) if not axes.setting.joint else np.zeros(touches.runs - 1)
    modes, names = _modes(axes, touches, inputs)
    values = _values(axes, touches, inputs, modes, names)
    values = values if axes.setting.joint else _with_skew(values, axes, skew)
    straight, rotation, bend, radius, cut = _named(values, touches)
    first, last = axes.ends_of_runs()
    corners = np.concatenate([first[:1], (last[:-1] + first[1:]) / 2, last[-1:]])
    schedule = schedule_of_axes(first, last, _radii(axes, touches, inputs, axes.params))
    notices = (*doubts, *skew_notices, *touch_notices(axes, touches))
    return MeasuredRod(
        schedule, straight, rotation, bend, radius, cut, corners, skew, axes, touches, inputs, modes, names, notices
    )


def _setting(inputs: RodInputs, **more: bool) -> Setting:
    tip = inputs.tip / 2 if inputs.points == "centre" else 0.0
    return Setting(inputs.diameter / 2 + tip, tip, **more)


def _settle_points(touches: Touches, inputs: RodInputs) -> tuple[RodInputs, Axes, list[Notice]]:
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


def _settle_axes(touches: Touches, inputs: RodInputs, free: Axes) -> tuple[Axes, list[Notice]]:
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
    worst = int(np.argmax(_skew(free)))
    text = (
        f"The axes of run_{worst + 1} and run_{worst + 2} pass by {_skew(free)[worst]:.2f} mm, more than the "
        "touches' noise explains; a run is bowed or twisted, or a touch sits on a bend. The ± was widened for it."
    )
    return best, [Notice("axes-skew", text, f"run_{worst + 1}")]


def _skew(free: Axes) -> FloatArray:
    first, last = free.ends_of_runs()
    return np.asarray(np.linalg.norm(first[1:] - last[:-1], axis=1))


def _modes(axes: Axes, touches: Touches, inputs: RodInputs) -> tuple[FloatArray, tuple[str, ...]]:
    """Answer (K, P + 1) of the unknowns and of the typed radius to each shared error."""
    points, setting = touches.points, axes.setting
    moves = [
        residuals_of(axes.params, replace(touches, points=replace(points, xyz=points.xyz + mode)), setting)
        - residuals_of(axes.params, touches, setting)
        for mode in points.shared
    ]
    names = list(points.shared_names)
    for name, reach, cap in _typed_errors(inputs):
        shifted = replace(setting, reach=setting.reach + reach, cap=setting.cap + cap)
        moves.append(residuals_of(axes.params, touches, shifted) - residuals_of(axes.params, touches, setting))
        names.append(name)
    rows = axes.jacobian[: len(axes.kept)]
    inverse = np.linalg.inv(axes.jacobian.T @ axes.jacobian)
    answers = [np.append(-inverse @ (rows.T @ move), 0.0) for move in moves]
    if inputs.radius and inputs.radius_u:
        answers.append(np.append(np.zeros(len(axes.params)), inputs.radius_u))
        names.append("bend:radius")
    return np.array(answers).reshape(len(names), len(axes.params) + 1), tuple(names)


def _typed_errors(inputs: RodInputs) -> list[tuple[str, float, float]]:
    """Name, move of the reach and of the cap for one standard uncertainty of what was typed."""
    errors = []
    if inputs.points == "centre" and inputs.tip_u:
        errors.append(("tip:radius", inputs.tip_u / 2, inputs.tip_u / 2))
    if inputs.diameter_u:
        errors.append(("rod:diameter", inputs.diameter_u / 2, 0.0))
    return errors


def _radii(axes: Axes, touches: Touches, inputs: RodInputs, params: FloatArray) -> FloatArray:
    """Radius of each bend; bends not touched take the mean of those touched."""
    count = touches.runs - 1
    if inputs.radius:
        if len(inputs.radius) not in (1, count):
            message = f"Give one radius, or one for each of the {count} bends; got {len(inputs.radius)}."
            raise InputError(message)
        return np.array(np.broadcast_to(np.array(inputs.radius), (count,)), float)
    found = axes.radii(params)
    radii = np.full(count, found.mean())
    radii[list(touches.bends_touched)] = found
    return radii


def _figures(axes: Axes, touches: Touches, inputs: RodInputs, extended: FloatArray) -> FloatArray:
    """Straights, rotations, bends, radii, cut length in one row; extended = unknowns and the typed radius' move."""
    params = extended[:-1]
    first, last = axes.ends_of_runs(params)
    radii = _radii(axes, touches, inputs, params) + extended[-1]
    schedule = schedule_of_axes(first, last, radii, check=False)
    return np.concatenate([schedule.straight, schedule.rotation, schedule.bend, radii, [schedule.cut_length]])


def _values(axes: Axes, touches: Touches, inputs: RodInputs, modes: FloatArray, names: tuple[str, ...]) -> list[Value]:
    at = np.append(axes.params, 0.0)
    centre = _figures(axes, touches, inputs, at)
    turns = np.zeros(len(centre), bool)
    turns[touches.runs : 2 * touches.runs - 1] = True
    gradient = np.zeros((len(centre), len(at)))
    for i in range(len(at)):
        step = np.zeros(len(at))
        step[i] = 1e-4
        change = _figures(axes, touches, inputs, at + step) - _figures(axes, touches, inputs, at - step)
        # A rotation near 180° jumps to −180°; its change does not.
        change[turns] = (change[turns] + np.pi) % (2 * np.pi) - np.pi
        gradient[:, i] = change / 2e-4
    own = np.einsum("ij,jk,ik->i", gradient[:, :-1], axes.cov, gradient[:, :-1])
    shared = modes @ gradient.T
    return [
        Value(float(value), float(max(var, 0.0)), shared[:, i], names, axes.dof)
        for i, (value, var) in enumerate(zip(centre, own, strict=True))
    ]


def _with_skew(values: list[Value], axes: Axes, skew: FloatArray) -> list[Value]:
    """Widen for axes that pass each other: each corner may lie anywhere between its two feet (rectangular, 1/√12)."""
    first, last = axes.ends_of_runs()
    length = np.linalg.norm(last - first, axis=1)
    square = skew**2 / 12
    beside = np.concatenate([square, [0.0]]) + np.concatenate([[0.0], square])
    turn = np.concatenate([[0.0], (square[:-1] + square[1:]) / length[1:-1] ** 2])
    bend = square * (1 / length[:-1] ** 2 + 1 / length[1:] ** 2)
    extra = np.concatenate([beside, turn, bend, np.zeros(len(skew)), [beside.sum()]])
    return [replace(value, own=value.own + float(more)) for value, more in zip(values, extra, strict=True)]


def _named(
    values: Sequence[Value], touches: Touches
) -> tuple[tuple[Value | None, ...], tuple[Value | None, ...], tuple[Value, ...], tuple[Value, ...], Value | None]:
    runs, bends = touches.runs, touches.runs - 1
    straight: list[Value | None] = list(values[:runs])
    straight[0] = straight[0] if touches.has_a else None
    straight[-1] = straight[-1] if touches.has_b else None
    rotation = (None, *values[runs + 1 : runs + bends])
    bend, radius = values[runs + bends : runs + 2 * bends], values[runs + 2 * bends : runs + 3 * bends]
    cut = values[-1] if touches.has_a and touches.has_b else None
    return tuple(straight), rotation, tuple(bend), tuple(radius), cut
