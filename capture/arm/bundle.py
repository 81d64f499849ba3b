"""All stations, ties and touches in one least-squares solution, so that the tie's error is known touch by touch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from capture.arm.rigid import Registration, lever, rotation_of
from capture.arm.ties import Tie
from fit.errors import CannotDetermine
from fit.points import FloatArray

__all__ = ["Bundle", "solve_bundle"]

_ROUNDS = 60


@dataclass(frozen=True, eq=False, slots=True)
class Bundle:
    """Poses of the stations after the first, with the directions in which the ties' noise moves them.

    Attributes
    ----------
    rotations (S, 3, 3), translations (S, 3) : station to first; the first is the identity.
    pivot : (3,) about which the pose steps turn, mm.
    steps : (M, S, 6) pose step of each station for a unit of each mode; M = 6 (S − 1).
    touch_parts : per station, tie name -> (M, n, 3): what the same unit is in the tie's own touches.
    square, dof : sum of squared residuals, mm², and its degrees of freedom.
    """

    rotations: FloatArray
    translations: FloatArray
    pivot: FloatArray
    steps: FloatArray
    touch_parts: tuple[Mapping[str, FloatArray], ...]
    square: float
    dof: int


@dataclass(frozen=True, eq=False, slots=True)
class _State:
    rotations: FloatArray
    translations: FloatArray
    centres: FloatArray
    radii: FloatArray


def solve_bundle(stations: Sequence[Mapping[str, Tie]], starts: Sequence[Registration | None]) -> Bundle:
    """Solve poses, tie centres and ball radii together from every tie touch.

    starts: pose of each station (None for the first). A ball has one radius in all stations. The modes are the
    orthonormal directions of the touches' noise that move a pose at all; the rest of the noise leaves the poses alone.
    """
    names = list(dict.fromkeys(name for ties in stations for name in ties))
    state = _start(stations, starts, names)
    pivot = state.centres.mean(axis=0)
    for _ in range(_ROUNDS):
        residuals, jacobian = _system(stations, state, names, pivot)
        step = np.asarray(-np.linalg.lstsq(jacobian, residuals, rcond=None)[0], float)
        state = _moved(state, step, pivot)
        if np.abs(step).max() < 1e-11 * (1 + np.abs(pivot).max()):
            break
    residuals, jacobian = _system(stations, state, names, pivot)
    dof = len(residuals) - jacobian.shape[1]
    if dof < 1:
        message = "The ties leave nothing over to check the stations with; touch one more tie in both stations."
        raise CannotDetermine(message)
    steps, directions = _modes(jacobian, len(stations))
    parts = _touch_parts(stations, state, directions)
    square = float(residuals @ residuals)
    return Bundle(state.rotations, state.translations, pivot, steps, parts, square, dof)


def _start(stations: Sequence[Mapping[str, Tie]], starts: Sequence[Registration | None], names: list[str]) -> _State:
    rotations = np.array([np.eye(3) if pose is None else pose.rotation for pose in starts])
    translations = np.array([np.zeros(3) if pose is None else pose.translation for pose in starts])
    centres, radii = [], []
    for name in names:
        seen = [(s, ties[name]) for s, ties in enumerate(stations) if name in ties]
        centres.append(np.mean([rotations[s] @ tie.centre + translations[s] for s, tie in seen], axis=0))
        radii.append(np.mean([tie.radius for _, tie in seen]))
    return _State(rotations, translations, np.array(centres), np.array(radii))


def _balls(stations: Sequence[Mapping[str, Tie]], names: list[str]) -> list[str]:
    return [name for name in names if any(ties[name].ball for ties in stations if name in ties)]


def _system(
    stations: Sequence[Mapping[str, Tie]], state: _State, names: list[str], pivot: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residuals (n,) and Jacobian (n, p); p: 6 per further station, 3 per centre, 1 per ball."""
    balls = _balls(stations, names)
    poses = 6 * (len(stations) - 1)
    width = poses + 3 * len(names) + len(balls)
    residuals, rows = [], []
    for s, ties in enumerate(stations):
        for name, tie in ties.items():
            k = names.index(name)
            placed = tie.touches @ state.rotations[s].T + state.translations[s]
            ray = placed - state.centres[k]
            unit, gap = _rays(tie, ray, state.radii[k])
            block = np.zeros((*unit.shape[:2], width))
            if s:
                block[:, :, 6 * (s - 1) : 6 * s] = unit @ lever(placed, pivot)
            block[:, :, poses + 3 * k : poses + 3 * k + 3] = -unit
            if tie.ball:
                block[:, :, poses + 3 * len(names) + balls.index(name)] = -1.0
            residuals.append(gap.ravel())
            rows.append(block.reshape(-1, width))
    return np.concatenate(residuals), np.concatenate(rows)


def _rays(tie: Tie, ray: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
    """Directions (n, r, 3) in which a touch is judged and its residuals (n, r): one for a ball, three for a point."""
    if not tie.ball:
        return np.broadcast_to(np.eye(3), (len(ray), 3, 3)), ray
    length = np.linalg.norm(ray, axis=1, keepdims=True)
    return (ray / length)[:, None, :], length - radius


def _moved(state: _State, step: FloatArray, pivot: FloatArray) -> _State:
    rotations, translations = state.rotations.copy(), state.translations.copy()
    poses = 6 * (len(rotations) - 1)
    for s in range(1, len(rotations)):
        shift, turn = step[6 * (s - 1) : 6 * s - 3], rotation_of(step[6 * s - 3 : 6 * s])
        rotations[s] = turn @ rotations[s]
        translations[s] = turn @ (translations[s] - pivot) + pivot + shift
    count = len(state.centres)
    centres = state.centres + step[poses : poses + 3 * count].reshape(count, 3)
    radii = state.radii.copy()
    radii[radii > 0] += step[poses + 3 * count :]
    return _State(rotations, translations, centres, radii)


def _modes(jacobian: FloatArray, stations: int) -> tuple[FloatArray, FloatArray]:
    """Pose steps (M, S, 6) and noise directions (M, n), orthonormal, from H = −(JᵀJ)⁻¹Jᵀ's pose rows."""
    count = 6 * (stations - 1)
    answer = -np.linalg.pinv(jacobian)[:count]
    directions, triangle = np.linalg.qr(answer.T)
    steps = np.zeros((count, stations, 6))
    steps[:, 1:] = triangle.reshape(count, stations - 1, 6)
    return steps, directions.T


def _touch_parts(
    stations: Sequence[Mapping[str, Tie]], state: _State, directions: FloatArray
) -> tuple[dict[str, FloatArray], ...]:
    """Each mode's share in the touches themselves, as moves in the first station's frame."""
    names = list(dict.fromkeys(name for ties in stations for name in ties))
    parts: list[dict[str, FloatArray]] = []
    place = 0
    for s, ties in enumerate(stations):
        parts.append({})
        for name, tie in ties.items():
            placed = tie.touches @ state.rotations[s].T + state.translations[s]
            unit, _ = _rays(tie, placed - state.centres[names.index(name)], 0.0)
            size = unit.shape[0] * unit.shape[1]
            share = directions[:, place : place + size].reshape(len(directions), *unit.shape[:2])
            parts[s][name] = np.einsum("mnr,nrc->mnc", share, unit)
            place += size
    return tuple(parts)
