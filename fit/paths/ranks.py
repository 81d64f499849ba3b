"""Many short chains side by side: their numbers in common arrays, laid out, moved and assigned to points together."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fit.paths.chain import wrap
from fit.paths.sums import Sums
from fit.points import FloatArray

__all__ = ["SQUEEZED", "Bools", "Ints", "Ranks", "misfit", "moved", "seen"]

SQUEEZED = 1e-4
"""mm; a piece this short has been squeezed out."""
_LOOK = 6
"""Points to either side of its guessed place in which a joint is sought in one step."""

Bools = NDArray[np.bool_]
Ints = NDArray[np.int_]


@dataclass(eq=False, slots=True)
class Ranks:
    """R chains of up to K pieces; what stands beyond a chain's own pieces has no meaning.

    Attributes
    ----------
    count : (R,) pieces. real, arcs, corners : (R, K). closed : (R,).
    unknowns : (R, 3 + 3K) x, y, heading of the start, then length, curvature and turn of each piece.
    bounds : (R, K + 1) places among the points of the sums. joints : (R, K + 1, 2) mm.
    chi2 : (R,). good : (R,) whether a fit was found.
    """

    count: Ints
    real: Bools
    arcs: Bools
    corners: Bools
    closed: Bools
    unknowns: FloatArray
    bounds: Ints
    joints: FloatArray
    before: FloatArray
    after: FloatArray
    circle: FloatArray
    moments: FloatArray
    chi2: FloatArray
    good: Bools

    def rows(self, which: Ints | Bools) -> Ranks:
        """Some of the chains."""
        return Ranks(*(getattr(self, field.name)[which] for field in fields(self)))

    def put(self, which: Ints, other: Ranks) -> None:
        """Some of the chains given way to others."""
        for field in fields(self):
            getattr(self, field.name)[which] = getattr(other, field.name)


def seen(sums: Sums, now: Ranks) -> Ranks:
    """The chains laid out: joints, headings, circles, and the misfit of the points between their joints."""
    u = now.unknowns
    lengths, kappa, turns = u[:, 3::3], u[:, 4::3], u[:, 5::3]
    bend = lengths * kappa
    after = u[:, 2:3] + np.cumsum(bend + turns, axis=1)
    before = after - bend
    mid, chord = before + bend / 2, lengths * np.sinc(bend / (2 * np.pi))
    joints = np.empty((len(u), lengths.shape[1] + 1, 2))
    joints[:, 0] = u[:, :2]
    joints[:, 1:, 0] = u[:, :1] + np.cumsum(chord * np.cos(mid), axis=1)
    joints[:, 1:, 1] = u[:, 1:2] + np.cumsum(chord * np.sin(mid), axis=1)
    now.joints, now.before, now.after = joints, before, after
    _assign(sums, now)
    px, py = joints[:, :-1, 0], joints[:, :-1, 1]
    c, s = np.cos(before), np.sin(before)
    power = px * s - py * c - kappa * (px * px + py * py) / 2
    circle = np.stack([power, kappa * px - s, kappa * py + c, -kappa / 2], axis=2)
    now.circle = circle
    now.moments = sums.moments(now.bounds[:, :-1], now.bounds[:, 1:])
    now.chi2 = (circle * (now.moments @ circle[..., None])[..., 0]).sum(axis=(1, 2))
    return now


def _assign(sums: Sums, now: Ranks) -> None:
    """Move each joint's place among the points to where they pass it; chains that squeeze a piece out are not good."""
    k = now.bounds.shape[1] - 1
    if k < 2:
        return
    inner = now.real[:, 1:]
    middle = (now.bounds[:, :-1] + now.bounds[:, 1:]) // 2
    low, high = middle[:, :-1], np.where(inner, middle[:, 1:], middle[:, :-1] + 1)
    now.good &= (high > low).all(axis=1)
    high = np.maximum(high, low)
    across = now.after[:, :-1] + wrap(now.before[:, 1:] - now.after[:, :-1]) / 2
    ux, uy = np.cos(across), np.sin(across)
    jx, jy = now.joints[:, 1:-1, 0], now.joints[:, 1:-1, 1]
    at = now.bounds[:, 1:-1]
    here = sums.xy[np.minimum(at, len(sums.xy) - 1)]
    ahead = ((jx - here[..., 0]) * ux + (jy - here[..., 1]) * uy) / sums.spacing
    guess = np.clip(at + np.clip(np.nan_to_num(ahead), -1e6, 1e6).astype(int), low, high)
    left = np.clip(guess - _LOOK, low, high)
    places = left[..., None] + np.arange(2 * _LOOK)
    xy = sums.xy[np.minimum(places, len(sums.xy) - 1)]
    behind = (xy[..., 0] - jx[..., None]) * ux[..., None] + (xy[..., 1] - jy[..., None]) * uy[..., None] < 0
    found = left + (behind & (places < high[..., None])).sum(axis=2)
    now.bounds = now.bounds.copy()
    now.bounds[:, 1:-1] = np.where(inner, found, at)
    now.good &= ((np.diff(now.bounds, axis=1) >= 1) | ~now.real).all(axis=1)


def moved(sums: Sums, now: Ranks, step: FloatArray) -> Ranks:
    """The chains a step on; no length loses more than four fifths and no arc turns by more than 340°."""
    trial = Ranks(*(getattr(now, field.name) for field in fields(now)))
    trial.good = now.good.copy()
    loss = np.where(now.real, -step[:, 3::3] / now.unknowns[:, 3::3], 0.0).max(axis=1)
    share = np.minimum(1.0, 0.8 / np.maximum(loss, 1e-12))
    there = _applied(now.unknowns, step * share[:, None])
    whirl = ~(np.abs(there[:, 3::3] * there[:, 4::3]) < 5.9).all(axis=1)
    if whirl.any():
        share = share * np.where(whirl, 0.3, 1.0)
        there = _applied(now.unknowns, step * share[:, None])
    trial.unknowns = there
    trial.good &= ((there[:, 3::3] > SQUEEZED) | ~now.real).all(axis=1)
    return seen(sums, trial)


def _applied(u: FloatArray, step: FloatArray) -> FloatArray:
    """Headings move by exactly their linear part: see `refine`."""
    moved = u + step
    moved[:, 4::3] = (u[:, 4::3] * moved[:, 3::3] + u[:, 3::3] * step[:, 4::3]) / moved[:, 3::3]
    return moved


def misfit(now: Ranks) -> FloatArray:
    """How far (R, 3) closed chains are from meeting their start, in x, y and, but for a corner there, heading."""
    off = np.zeros((len(now.count), 3))
    which = np.flatnonzero(now.closed)
    if len(which):
        u, last = now.unknowns[which], now.count[which]
        off[which, :2] = now.joints[which, last] - u[:, :2]
        turn = wrap(now.after[which, last - 1] - u[:, 2])
        off[which, 2] = np.where(now.corners[which, 0], 0.0, turn)
    return off
