"""A bent rod's schedule from touches, with the U95 of every figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray, Points
from fit.results import Notice
from fit.rod.axes import Axes, residuals_of
from fit.rod.inputs import RodInputs
from fit.rod.schedule import Schedule, schedule_of_axes
from fit.rod.settle import settle_axes, settle_points, skew_of
from fit.rod.told import touch_notices
from fit.rod.touches import Touches, sort_touches
from fit.uncertain import Value, coverage_factor

__all__ = ["MeasuredRod", "measure_rod"]


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
    inputs, free, doubts = settle_points(touches, inputs)
    axes, skew_notices = settle_axes(touches, inputs, free)
    skew = skew_of(free) if not axes.setting.joint else np.zeros(touches.runs - 1)
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
