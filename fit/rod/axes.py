"""All axes of a bent rod at once: one weighted least-squares solution from every touch on runs, bends and ends.

A rod's neighbouring axes cross, so its corners are the unknowns: each run is the axis between two corners at the known
distance from its touches (rod radius, plus tip radius for tip centres). That is the joint form of 'fit each cylinder,
cross the axes, weight by their covariance'. Where the touches say that axes pass each other, each run gets an axis of
its own instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.errors import CannotDetermine
from fit.points import FloatArray
from fit.rod.arcs import off_arc
from fit.rod.corners import crossing, feet
from fit.rod.touches import BEND, END_A, END_B, RUN, Touches

__all__ = ["Axes", "Setting", "fit_axes", "residuals_of"]


@dataclass(frozen=True, eq=False, slots=True)
class Setting:
    """What is known beforehand.

    Attributes
    ----------
    reach : mm from a run's axis to a touch: rod radius, plus tip radius for tip centres.
    cap : mm from an end face to a touch along the run: tip radius for tip centres, else 0.
    joint : whether neighbouring axes cross. free_radius : solve a centre-line radius for each touched bend.
    """

    reach: float
    cap: float
    joint: bool = True
    free_radius: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Axes:
    """A solution.

    Attributes
    ----------
    params : (P,) unknowns. full : (N, P) derivatives of all residuals. jacobian : (N + g, P) the same, zero for touches
    left out, and the g rows that hold what no touch can fix.
    residuals : (N,) mm, of all touches. kept : (N,) touches used. sigma : mm, noise of one touch.
    cov : (P, P). dof : its degrees of freedom. runs : number of runs. setting : as it was solved.
    """

    params: FloatArray
    full: FloatArray
    jacobian: FloatArray
    residuals: FloatArray
    kept: NDArray[np.bool_]
    sigma: float
    cov: FloatArray
    dof: float
    runs: int
    setting: Setting

    def ends_of_runs(self, params: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """First and last point (n, 3) of each run's axis."""
        first, last, _ = _split(self.params if params is None else params, self.runs, self.setting)
        return (first, last) if self.setting.joint else feet(first, last)

    def radii(self, params: FloatArray | None = None) -> FloatArray:
        """Centre-line radii (k,) of the touched bends, mm; empty where they were not asked for."""
        return _split(self.params if params is None else params, self.runs, self.setting)[2]

    @property
    def square_sum(self) -> float:
        return float(np.sum(self.residuals[self.kept] ** 2))


def fit_axes(touches: Touches, setting: Setting, start: Axes | None = None) -> Axes:
    """Solve for the axes.

    Stray touches are those further off than one good touch in a hundred such lists would be; they are left out. From
    a `start` the same touches are used, so that two solutions can be compared.
    Raises CannotDetermine where touches do not fix an axis.
    """
    kept = np.ones(len(touches.points), bool) if start is None else start.kept | (touches.what == BEND)
    first = _start(touches, setting) if start is None else _restart(start, touches, setting)
    gauge = _gauge(touches, setting, first)
    if start is None:
        kept = _near(residuals_of(first, touches, setting), touches, len(first) - len(gauge))
    axes = _finished(_solve(first, touches, setting, gauge, kept), touches, setting, gauge, kept)
    for _ in range(10 if start is None or setting.free_radius else 0):
        kept = _belong(axes)
        if (kept == axes.kept).all():
            break
        axes = _finished(_solve(axes.params, touches, setting, gauge, kept), touches, setting, gauge, kept)
    return axes


def residuals_of(params: FloatArray, touches: Touches, setting: Setting) -> FloatArray:
    """Distance (N,) of each touch from where the rod's surface puts it, mm."""
    first, last, radii = _split(params, touches.runs, setting)
    unit = (last - first) / np.linalg.norm(last - first, axis=1)[:, None]
    xyz, what, place = touches.points.xyz, touches.what, touches.place
    result = np.zeros(len(xyz))
    on_run = what == RUN
    run = place[on_run]
    off = np.cross(xyz[on_run] - first[run], unit[run])
    result[on_run] = np.linalg.norm(off, axis=1) - setting.reach
    result[what == END_A] = (xyz[what == END_A] - first[0]) @ unit[0] + setting.cap
    result[what == END_B] = (xyz[what == END_B] - last[-1]) @ unit[-1] - setting.cap
    if setting.free_radius:
        for bend, radius in zip(touches.bends_touched, radii, strict=True):
            rows = touches.rows(BEND, bend)
            corner = (last[bend] + first[bend + 1]) / 2
            result[rows] = off_arc(xyz[rows] - corner, unit[bend], unit[bend + 1], radius) - setting.reach
    return result


def _split(params: FloatArray, runs: int, setting: Setting) -> tuple[FloatArray, FloatArray, FloatArray]:
    """First points, last points (n, 3) and radii out of the unknowns."""
    if setting.joint:
        corners = params[: 3 * (runs + 1)].reshape(-1, 3)
        return corners[:-1], corners[1:], params[3 * (runs + 1) :]
    both = params[: 6 * runs].reshape(runs, 2, 3)
    return both[:, 0], both[:, 1], params[6 * runs :]


def _gauge(touches: Touches, setting: Setting, start: FloatArray) -> list[tuple[int, FloatArray, float]]:
    """Rows that only hold what no touch can fix: where along its axis a point sits that nothing ends."""
    first, last, _ = _split(start, touches.runs, setting)
    unit = (last - first) / np.linalg.norm(last - first, axis=1)[:, None]
    rows = []
    for run in range(touches.runs):
        is_first, is_last = run == 0, run == touches.runs - 1
        if (is_first and not touches.has_a) or (not is_first and not setting.joint):
            rows.append((3 * run * (1 if setting.joint else 2), unit[run], float(first[run] @ unit[run])))
        if (is_last and not touches.has_b) or (not is_last and not setting.joint):
            at = 3 * (run + 1) if setting.joint else 6 * run + 3
            rows.append((at, unit[run], float(last[run] @ unit[run])))
    return rows


def _solve(
    start: FloatArray,
    touches: Touches,
    setting: Setting,
    gauge: list[tuple[int, FloatArray, float]],
    kept: NDArray[np.bool_],
) -> FloatArray:
    from scipy.optimize import least_squares

    used = kept & ((touches.what != BEND) | setting.free_radius)

    def fn(params: FloatArray) -> FloatArray:
        held = [params[at : at + 3] @ unit - where for at, unit, where in gauge]
        return np.concatenate([residuals_of(params, touches, setting)[used], held])

    found = least_squares(fn, start, x_scale=10.0, xtol=1e-12, ftol=1e-12, gtol=1e-12, jac="3-point")
    return np.asarray(found.x)


def _near(residuals: FloatArray, touches: Touches, unknowns: int) -> NDArray[np.bool_]:
    """Touches within four times the spread that their middle shows, and at least two thirds of each run and end."""
    told = touches.what != BEND
    count = int(told.sum())
    spread = float(np.median(np.abs(residuals[told]))) / 0.6745 * np.sqrt(count / max(count - unknowns, 1))
    near = np.abs(residuals) <= 4 * spread
    group = touches.what * 1000 + touches.place
    for number in np.unique(group):
        rows = np.flatnonzero(group == number)
        nearest = rows[np.argsort(np.abs(residuals[rows]), kind="stable")]
        near[nearest[: -(-2 * len(rows) // 3)]] = True
    return np.asarray(near)


def _belong(axes: Axes) -> NDArray[np.bool_]:
    """Touches that pass the t test at 1 % for the whole list, each judged by the spread found without it."""
    from scipy.stats import t

    count = len(axes.residuals)
    rows = axes.full[:count]
    leverage = np.clip(np.einsum("ij,jk,ik->i", rows, axes.cov, rows) / axes.sigma**2, 0.0, 0.95)
    free = int(axes.kept.sum()) + len(axes.jacobian) - count - len(axes.params)
    total = axes.square_sum
    inside = axes.residuals**2 / (1 - leverage)
    spread = np.where(axes.kept, (total - inside) / max(free - 1, 1), total / free)
    scale = np.where(axes.kept, 1 - leverage, 1 + leverage)
    limit = float(t.isf(0.005 / count, max(free - 1, 1)))
    return np.asarray(axes.residuals**2 <= np.maximum(limit**2 * spread * scale, 1e-12))


def _finished(
    params: FloatArray,
    touches: Touches,
    setting: Setting,
    gauge: list[tuple[int, FloatArray, float]],
    kept: NDArray[np.bool_],
) -> Axes:
    used = kept & ((touches.what != BEND) | setting.free_radius)
    jacobian = _jacobian(params, touches, setting)
    held = np.zeros((len(gauge), len(params)))
    for row, (at, unit, _) in zip(held, gauge, strict=True):
        row[at : at + 3] = unit
    rows = np.concatenate([jacobian[used], held])
    residuals = residuals_of(params, touches, setting)
    _check_ends(touches, used, residuals)
    dof = int(used.sum()) + len(gauge) - len(params)
    if dof < 1:
        message = "The touches leave nothing to tell the uncertainty from; touch each run more often."
        raise CannotDetermine(message)
    values, vectors = np.linalg.eigh(rows.T @ rows)
    if values[0] < 1e-9 * values[-1]:
        message = "The touches do not fix every run's axis; spread them along and around each run."
        raise CannotDetermine(message)
    sigma, dof_used = _noise(residuals[used], touches.points.noise[used], dof)
    cov = (vectors / values) @ vectors.T * sigma**2
    padded = np.concatenate([np.where(used[:, None], jacobian, 0.0), held])
    return Axes(params, jacobian, padded, residuals, used, sigma, cov, dof_used, touches.runs, setting)


def _check_ends(touches: Touches, used: NDArray[np.bool_], residuals: FloatArray) -> None:
    for what, name in ((END_A, "end_a"), (END_B, "end_b")):
        rows = touches.rows(what)
        if len(rows) and not used[rows].any():
            message = (
                f"{name}: its touches disagree by {np.ptp(residuals[rows]):.2f} mm and nothing tells which is right; "
                "touch the end face again, four times."
            )
            raise CannotDetermine(message)


def _noise(residuals: FloatArray, known: FloatArray, dof: int) -> tuple[float, float]:
    """Noise of one touch and its degrees of freedom: as known, unless the residuals say more."""
    seen = float(np.sqrt(np.sum(residuals**2) / dof))
    if not np.isfinite(known).all() or not (known > 0).all():
        return seen, float(dof)
    from scipy.stats import chi2

    typical = float(np.sqrt(np.mean(known**2)))
    agrees = (seen / typical) ** 2 * dof <= chi2.ppf(0.95, dof)
    return (typical, np.inf) if agrees else (seen, float(dof))


def _jacobian(params: FloatArray, touches: Touches, setting: Setting) -> FloatArray:
    """Derivatives (N, P) of the residuals by central differences; they are smooth on a scale of mm."""
    step = 1e-5
    columns = []
    for i in range(len(params)):
        up, down = params.copy(), params.copy()
        up[i] += step
        down[i] -= step
        columns.append((residuals_of(up, touches, setting) - residuals_of(down, touches, setting)) / (2 * step))
    return np.stack(columns, axis=1)


def _start(touches: Touches, setting: Setting) -> FloatArray:
    """First guess: an axis for each run alone; joint solutions start from where those pass nearest."""
    from fit.rod.start import first_axes

    first, last = first_axes(touches, setting.reach, setting.cap)
    if not setting.joint:
        return np.stack([first, last], axis=1).ravel()
    inner = [sum(crossing(first[i], last[i], first[i + 1], last[i + 1])) / 2 for i in range(touches.runs - 1)]
    return np.concatenate([first[0], *inner, last[-1]])


def _restart(axes: Axes, touches: Touches, setting: Setting) -> FloatArray:
    """Unknowns of another setting from a solution at hand."""
    first, last = axes.ends_of_runs()
    if setting.joint:
        between = (last[:-1] + first[1:]) / 2
        params = np.concatenate([first[0], between.ravel(), last[-1]])
    else:
        params = np.stack([first, last], axis=1).ravel()
    if not setting.free_radius:
        return params
    return np.concatenate([params, [_guess_radius(axes, touches, bend) for bend in touches.bends_touched]])


def _guess_radius(axes: Axes, touches: Touches, bend: int) -> float:
    """The radius, out of a row of them, whose arc the middle touch of a bend lies nearest to."""
    first, last = axes.ends_of_runs()
    length = np.linalg.norm(last - first, axis=1)
    before, after = ((last[i] - first[i]) / length[i] for i in (bend, bend + 1))
    half = np.arctan2(np.linalg.norm(np.cross(before, after)), before @ after) / 2
    most = min(length[bend], length[bend + 1]) / np.tan(half)
    from_corner = touches.points.xyz[touches.rows(BEND, bend)] - (last[bend] + first[bend + 1]) / 2
    row = np.geomspace(most / 200, most, 100)
    misses = [np.median(np.abs(off_arc(from_corner, before, after, r) - axes.setting.reach)) for r in row]
    return float(row[int(np.argmin(misses))])
