"""The joint least-squares adjustment of lens, print scales, camera poses and places of the printed pieces.

One view is one photo: its pieces lie on one plane (the bench) at places of their own; the first is the reference. All
views share the lens and both print scales. Corners, lens prior and print scale are observations alike, so the solved
covariance says at once how every input moves every parameter (Gauss-Markov model; Triggs et al., Bundle adjustment, 2000).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.detect import FoundPiece
from capture.lens import LensPrior, see
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["Adjustment", "Observed", "State", "View", "adjust", "bench_corners", "rotation_of", "view_model"]

_LENS, _SCALE, _SHARED = slice(0, 9), slice(9, 11), 11
_STEPS = 40
_OUTLIER_SIGMAS, _MAX_OUTLIERS = 5.0, 0.25
_NOISE_SCALE_MIN = 0.7


@dataclass(frozen=True, eq=False, slots=True)
class Observed:
    """Inputs known beforehand: rows @ parameters[0:11] = values ± u. Lens first, then print scales x and y."""

    names: tuple[str, ...]
    rows: FloatArray
    values: FloatArray
    u: FloatArray

    @classmethod
    def of(cls, lens: LensPrior, scale: Sequence[tuple[str, Sequence[float], float, float]]) -> Observed:
        """Join a lens prior with print scale rows (name, (x, y), value, u)."""
        rows = np.zeros((len(lens.names) + len(scale), _SHARED))
        rows[: len(lens.names), _LENS] = lens.rows
        for i, (_, row, _, _) in enumerate(scale):
            rows[len(lens.names) + i, _SCALE] = row
        return cls(
            (*lens.names, *(name for name, *_ in scale)),
            rows,
            np.concatenate([lens.values, [value for *_, value, _ in scale]]),
            np.concatenate([lens.u, [u for *_, u in scale]]),
        )


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """The corners of one photo: pieces in order, the first being the reference."""

    pieces: tuple[FoundPiece, ...]

    @property
    def which(self) -> NDArray[np.int_]:
        """(N,) piece of each corner."""
        return np.repeat(np.arange(len(self.pieces)), [len(p.ids) for p in self.pieces])

    @property
    def xy(self) -> FloatArray:
        return np.concatenate([p.xy for p in self.pieces])

    @property
    def px(self) -> FloatArray:
        return np.concatenate([p.px for p in self.pieces])

    @property
    def cov(self) -> FloatArray:
        return np.concatenate([p.cov for p in self.pieces])


@dataclass(frozen=True, eq=False, slots=True)
class State:
    """Values of all parameters. lens (9,), scale (2,), per view rotation (3, 3), translation (3,), places (n, 3).

    A camera sees bench point X at ``rotation @ X + translation``; a place is (angle, x, y) of a piece on the bench.
    """

    lens: FloatArray
    scale: FloatArray
    rotations: tuple[FloatArray, ...]
    translations: tuple[FloatArray, ...]
    places: tuple[FloatArray, ...]

    def moved(self, step: FloatArray) -> State:
        """The state after a step in the adjustment's parameters."""
        rotations, translations, places = [], [], []
        for v, columns in enumerate(self.columns()):
            own = step[columns]
            rotations.append(rotation_of(own[:3]) @ self.rotations[v])
            translations.append(self.translations[v] + own[3:6])
            places.append(self.places[v] + np.vstack([np.zeros((1, 3)), own[6:].reshape(-1, 3)]))
        return State(
            self.lens + step[_LENS], self.scale + step[_SCALE], tuple(rotations), tuple(translations), tuple(places)
        )

    def columns(self) -> Iterator[slice]:
        """Where each view's own parameters stand: turn (3), translation (3), place (3) of each piece but the first."""
        start = _SHARED
        for places in self.places:
            end = start + 6 + 3 * (len(places) - 1)
            yield slice(start, end)
            start = end

    @property
    def size(self) -> int:
        """Number of parameters."""
        return _SHARED + sum(6 + 3 * (len(places) - 1) for places in self.places)


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
    information : (P, P), the inverse of cov.
    """

    state: State
    cov: FloatArray
    names: tuple[str, ...]
    responses: FloatArray
    corner_cov: FloatArray
    residuals: tuple[FloatArray, ...]
    kept: tuple[NDArray[np.bool_], ...]
    noise_scale: float
    information: FloatArray


def rotation_of(turn: FloatArray) -> FloatArray:
    """Rotation matrix of a rotation vector (Rodrigues' formula), also right for the smallest angles."""
    angle = float(np.linalg.norm(turn))
    x, y, z = turn
    skew = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = np.sinc(angle / np.pi)
    b = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.eye(3) + a * skew + b * (skew @ skew)


def view_model(view: View, state: State, v: int) -> tuple[FloatArray, FloatArray]:
    """Predicted px (N, 2) and Jacobian (N, 2, p) by lens, print scales and the view's own parameters."""
    which = view.which
    along_x, along_y = _axes_on_bench(view, state, v)
    arm = along_x * state.scale[0] + along_y * state.scale[1]
    bench = np.column_stack([arm + state.places[v][which, 1:], np.zeros(len(arm))])
    px, by_camera, by_bench = see(state.lens, state.rotations[v], state.translations[v], bench)
    jacobian = np.zeros((len(arm), 2, _SHARED + 6 + 3 * (len(view.pieces) - 1)))
    jacobian[:, :, _LENS], jacobian[:, :, 11:17] = by_camera[:, :, :9], by_camera[:, :, 9:]
    moves = np.stack([along_x, along_y, np.column_stack([-arm[:, 1], arm[:, 0]])], axis=2)
    by_scale_and_angle = by_bench[:, :, :2] @ moves
    jacobian[:, :, _SCALE] = by_scale_and_angle[:, :, :2]
    for j in range(1, len(view.pieces)):
        own, column = which == j, 14 + 3 * j
        jacobian[own, :, column] = by_scale_and_angle[own, :, 2]
        jacobian[own, :, column + 1 : column + 3] = by_bench[own, :, :2]
    return px, jacobian


def _axes_on_bench(view: View, state: State, v: int) -> tuple[FloatArray, FloatArray]:
    """How each corner's bench place (N, 2) grows with the print scale in x and in y."""
    angle = state.places[v][view.which, 0]
    c, s = np.cos(angle), np.sin(angle)
    return np.column_stack([c, s]) * view.xy[:, :1], np.column_stack([-s, c]) * view.xy[:, 1:]


def bench_corners(view: View, state: State, v: int) -> FloatArray:
    """Places (N, 2) of a view's corners on the bench, mm."""
    along_x, along_y = _axes_on_bench(view, state, v)
    return np.asarray(along_x * state.scale[0] + along_y * state.scale[1] + state.places[v][view.which, 1:])


def adjust(views: Sequence[View], observed: Observed, start: State) -> Adjustment:
    """Solve all parameters together, leave out single false corners, and scale corner noise by the residuals.

    Raises CannotDetermine where the corners do not fit one flat target.
    """
    kept = tuple(np.ones(len(view.px), dtype=bool) for view in views)
    state, scale = start, 1.0
    for _ in range(8):
        state = _descend(views, observed, state, kept, scale)
        misfits = _whitened(views, state)
        new_kept = _without_outliers(misfits, kept)
        new_scale = _noise_scale(
            [m[k] for m, k in zip(misfits, new_kept, strict=True)], state.size - len(observed.names)
        )
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


def _noise_scale(misfits: Sequence[FloatArray], free: int) -> float:
    pooled = np.concatenate(misfits)
    dof = max(pooled.size - free, 1)
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
        index = np.r_[0:_SHARED, columns]
        normal[np.ix_(index, index)] += slope.T @ slope
        gradient[index] += slope.T @ miss
        cost += float(miss @ miss)
    short = _input_misfit(observed, state)
    gradient[:_SHARED] += (observed.rows / observed.u[:, None]).T @ short
    return normal, gradient, cost + float(short @ short)


def _input_misfit(observed: Observed, state: State) -> FloatArray:
    return (observed.values - observed.rows @ np.concatenate([state.lens, state.scale])) / observed.u


def _with_inputs(normal: FloatArray, observed: Observed) -> FloatArray:
    result = normal.copy()
    weighted = observed.rows / observed.u[:, None]
    result[:_SHARED, :_SHARED] += weighted.T @ weighted
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
            if gained < 1e-7 * max(cost, 1.0):
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
    responses = (observed.rows / observed.u[:, None]) @ cov[:_SHARED]
    corner_cov = cov - responses.T @ responses
    residuals = tuple(view.px - view_model(view, state, v)[0] for v, view in enumerate(views))
    return Adjustment(state, cov, observed.names, responses, corner_cov, residuals, kept, scale, full)
