"""The joint least-squares adjustment of lens, print scales, camera poses and places of the printed pieces.

Corners, lens prior and print scale are observations alike, so the solved covariance says at once how every input moves
every parameter (Gauss-Markov model; Triggs et al., Bundle adjustment: a modern synthesis, 2000).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.camera.lens import LensPrior
from capture.camera.views import LENS, SCALE, State, View, view_model
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["FLAT_U", "Adjustment", "Observed", "adjust"]

_STEPS = 40
_OUTLIER_SIGMAS, _MAX_OUTLIERS = 5.0, 0.25
_NOISE_SCALE_MIN = 0.7
FLAT_U = 0.05
"""How flat a taped-down print and a bench are: u of bow, lift and tilt in mm (judgement, no source)."""


@dataclass(frozen=True, eq=False, slots=True)
class Observed:
    """Inputs known beforehand: rows @ shared parameters = values ± u. Lens, then print scales, then flatness."""

    names: tuple[str, ...]
    rows: FloatArray
    values: FloatArray
    u: FloatArray

    @classmethod
    def of(cls, lens: LensPrior, scale: Sequence[tuple[str, Sequence[float], float, float]]) -> Observed:
        """Join a lens prior with print scale rows (name, (x, y), value, u)."""
        rows = np.zeros((len(lens.names) + len(scale), 11))
        rows[: len(lens.names), LENS] = lens.rows
        for i, (_, row, _, _) in enumerate(scale):
            rows[len(lens.names) + i, SCALE] = row
        return cls(
            (*lens.names, *(name for name, *_ in scale)),
            rows,
            np.concatenate([lens.values, [value for *_, value, _ in scale]]),
            np.concatenate([lens.u, [u for *_, u in scale]]),
        )

    def with_flatness(self, names: tuple[str, ...], flat_u: float) -> Observed:
        """Add that every flatness parameter is zero to flat_u mm."""
        count = len(names)
        rows = np.block([[self.rows, np.zeros((len(self.names), count))], [np.zeros((count, 11)), np.eye(count)]])
        values, u = np.append(self.values, np.zeros(count)), np.append(self.u, np.full(count, flat_u))
        return Observed((*self.names, *names), rows, values, u)


@dataclass(frozen=True, eq=False, slots=True)
class Adjustment:
    """The solution.

    Attributes
    ----------
    state : parameter values. cov : (P, P).
    names (K,), responses (K, P) : move of the solution for one standard uncertainty of each observed input.
    corner_cov : (P, P), the part that comes from corner noise; cov = corner_cov + Σ response responseᵀ.
    residuals : per view (N, 2) px. kept : per view (N,), False where a corner was left out as false.
    noise_scale : factor put on the corners' own standard uncertainties.
    """

    state: State
    cov: FloatArray
    names: tuple[str, ...]
    responses: FloatArray
    corner_cov: FloatArray
    residuals: tuple[FloatArray, ...]
    kept: tuple[NDArray[np.bool_], ...]
    noise_scale: float


def adjust(views: Sequence[View], observed: Observed, start: State, flat_u: float = FLAT_U) -> Adjustment:
    """Solve all parameters together, leave out single false corners, and scale corner noise by the residuals.

    Raises CannotDetermine where the corners do not fit one flat target.
    """
    try:
        return _adjusted(views, observed.with_flatness(views[0].flat_names, flat_u), start)
    except np.linalg.LinAlgError as error:
        message = (
            "The corners found fit no camera over one flat target; lay every piece flat, uncover it, and shoot again."
        )
        raise CannotDetermine(message) from error


def _adjusted(views: Sequence[View], observed: Observed, start: State) -> Adjustment:
    kept = tuple(np.ones(len(view.px), dtype=bool) for view in views)
    state, scale = start, 1.0
    for _ in range(8):
        state = _descend(views, observed, state, kept, scale)
        misfits = _whitened(views, state)
        new_kept = _without_outliers(misfits, kept)
        used = _parameters_used(views, observed, state, new_kept, scale)
        new_scale = _noise_scale([m[k] for m, k in zip(misfits, new_kept, strict=True)], used)
        if not np.isfinite(new_scale):
            raise np.linalg.LinAlgError
        same = all((a == b).all() for a, b in zip(kept, new_kept, strict=True))
        settled = same and abs(new_scale / scale - 1) < 0.02
        kept, scale = new_kept, new_scale
        if settled:
            break
    _refuse_misfit(kept)
    return _finish(views, observed, state, kept, scale)


def _whitened(views: Sequence[View], state: State) -> list[FloatArray]:
    """Residuals (N, 2) per view in standard uncertainties of each corner."""
    result = []
    for v, view in enumerate(views):
        miss = view.px - view_model(view, state, v)[0]
        root = np.linalg.cholesky(view.cov)
        result.append(np.linalg.solve(root, miss[..., None])[..., 0])
    return result


def _without_outliers(
    misfits: Sequence[FloatArray], kept: Sequence[NDArray[np.bool_]]
) -> tuple[NDArray[np.bool_], ...]:
    """Drop corners beyond 5 robust standard deviations; 1.1774 is the median length of a 2-D normal vector."""
    lengths = [np.linalg.norm(m, axis=1) for m in misfits]
    pooled = np.concatenate([length[k] for length, k in zip(lengths, kept, strict=True)])
    limit = _OUTLIER_SIGMAS * max(float(np.median(pooled)) / 1.1774, _NOISE_SCALE_MIN)
    return tuple(length < limit for length in lengths)


def _parameters_used(
    views: Sequence[View], observed: Observed, state: State, kept: Sequence[NDArray[np.bool_]], scale: float
) -> float:
    """How many parameters the corners, not the inputs, pay for: the trace of the corners' share in the solution."""
    normal, _, _ = _equations(views, observed, state, kept, scale)
    full = _with_inputs(normal, observed)
    size = np.sqrt(np.diag(full))
    if not (size > 0).all():
        raise np.linalg.LinAlgError
    return float(np.trace(np.linalg.solve(full / np.outer(size, size), normal / np.outer(size, size))))


def _noise_scale(misfits: Sequence[FloatArray], used: float) -> float:
    pooled = np.concatenate(misfits)
    dof = max(pooled.size - used, 1.0)
    return max(float(np.sqrt((pooled**2).sum() / dof)), _NOISE_SCALE_MIN)


def _refuse_misfit(kept: Sequence[NDArray[np.bool_]]) -> None:
    total, left = sum(len(k) for k in kept), sum(int(k.sum()) for k in kept)
    if left < (1 - _MAX_OUTLIERS) * total:
        message = (
            f"{total - left} of {total} corners do not fit a flat print; lay every piece flat, "
            "uncover it, and shoot again."
        )
        raise CannotDetermine(message)


def _equations(
    views: Sequence[View], observed: Observed, state: State, kept: Sequence[NDArray[np.bool_]], scale: float
) -> tuple[FloatArray, FloatArray, float]:
    """Normal matrix of the corners alone (P, P), gradient (P,) and cost of corners and inputs."""
    normal, gradient, cost = np.zeros((state.size, state.size)), np.zeros(state.size), 0.0
    for v, (view, columns) in enumerate(zip(views, state.columns(), strict=True)):
        px, jacobian = view_model(view, state, v)
        root = np.linalg.cholesky(view.cov[kept[v]]) * scale
        slope = np.linalg.solve(root, jacobian[kept[v]]).reshape(-1, jacobian.shape[2])
        miss = np.linalg.solve(root, (view.px - px)[kept[v]][..., None]).ravel()
        index = np.r_[0 : state.shared, columns]
        normal[np.ix_(index, index)] += slope.T @ slope
        gradient[index] += slope.T @ miss
        cost += float(miss @ miss)
    short = _input_misfit(observed, state)
    gradient[: state.shared] += (observed.rows / observed.u[:, None]).T @ short
    return normal, gradient, cost + float(short @ short)


def _input_misfit(observed: Observed, state: State) -> FloatArray:
    return (observed.values - observed.rows @ np.concatenate([state.lens, state.scale, state.flats])) / observed.u


def _with_inputs(normal: FloatArray, observed: Observed) -> FloatArray:
    result = normal.copy()
    weighted = observed.rows / observed.u[:, None]
    shared = weighted.shape[1]
    result[:shared, :shared] += weighted.T @ weighted
    return result


def _descend(
    views: Sequence[View], observed: Observed, state: State, kept: Sequence[NDArray[np.bool_]], scale: float
) -> State:
    """Levenberg-Marquardt, columns scaled to like size."""
    damping = 1e-6
    normal, gradient, cost = _equations(views, observed, state, kept, scale)
    for _ in range(_STEPS):
        full = _with_inputs(normal, observed)
        size = np.sqrt(np.diag(full))
        scaled = full / np.outer(size, size) + damping * np.eye(len(size))
        step = np.linalg.solve(scaled, gradient / size) / size
        try:
            trial = state.moved(step)
            new = _equations(views, observed, trial, kept, scale)
        except CannotDetermine:
            damping = max(damping, 1e-6) * 100
            continue
        gained = cost - new[2]
        if gained >= -1e-9 * cost:
            state, (normal, gradient, cost) = trial, new
            damping = max(damping / 10, 1e-12)
            if gained < 1e-9 * max(cost, 1.0):
                break
        else:
            damping = max(damping, 1e-9) * 30
        if damping > 1e8:
            break
    return state


def _finish(
    views: Sequence[View], observed: Observed, state: State, kept: tuple[NDArray[np.bool_], ...], scale: float
) -> Adjustment:
    normal, _, _ = _equations(views, observed, state, kept, scale)
    full = _with_inputs(normal, observed)
    size = np.sqrt(np.diag(full))
    cov = np.linalg.inv(full / np.outer(size, size)) / np.outer(size, size)
    cov = (cov + cov.T) / 2
    responses = (observed.rows / observed.u[:, None]) @ cov[: state.shared]
    corner_cov = cov - responses.T @ responses
    residuals = tuple(view.px - view_model(view, state, v)[0] for v, view in enumerate(views))
    return Adjustment(state, cov, observed.names, responses, corner_cov, residuals, kept, scale)
