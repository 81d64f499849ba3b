"""How errors that many points share, and a fitted hinge, move the two parts against each other."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.clearance.motion import Motion, rotation_about
from fit.points import FloatArray, align_shared

if TYPE_CHECKING:
    from fit.clearance.sweep import Scene

__all__ = ["Moves", "pair_moves"]

IntArray = NDArray[np.int64]
Moves = Callable[[IntArray, IntArray], FloatArray]
"""Fixed and moving points (n,) in tree order -> moves (K, n, 3) mm of the one against the other, in the fixed part's
frame, for one standard uncertainty of each source."""


def pair_moves(scene: Scene, motion: Motion, i: int, pair: tuple[int, int]) -> Moves:
    """Moves of any pairs at position i. Errors of both parts by one name are one error where both come from one capture;
    else nobody knows, and the reading is taken that is worse for the closest pair (JCGM 100:2008, 5.2)."""
    fixed, moving, turn = scene.fixed, scene.moving, motion.turn[i]
    on_fixed, on_moving = scene.fixed_tree.order, scene.moving_tree.order
    names = tuple(dict.fromkeys((*fixed.shared_names, *moving.shared_names)))

    def of_fixed(places: IntArray) -> FloatArray:
        return -align_shared(names, fixed.shared_names, fixed.shared[:, on_fixed[places]])

    def of_moving(places: IntArray) -> FloatArray:
        return align_shared(names, moving.shared_names, moving.shared[:, on_moving[places]]) @ turn.T

    f, m = (np.array([place]) for place in pair)
    apart = turn @ scene.moving_tree.xyz[pair[1]] + motion.shift[i] - scene.fixed_tree.xyz[pair[0]]
    a, b = of_fixed(f)[:, 0] @ apart, of_moving(m)[:, 0] @ apart
    one = np.full(len(names), True) if fixed.captures & moving.captures else a * b >= 0

    def moves(fixed_places: IntArray, moving_places: IntArray) -> FloatArray:
        a, b = of_fixed(fixed_places), of_moving(moving_places)
        hinge = _hinge_moves(motion, i, scene.moving_tree.xyz[moving_places])
        return np.concatenate([a + np.where(one[:, None, None], b, 0.0), b[~one], hinge])

    return moves


def _hinge_moves(motion: Motion, i: int, places: FloatArray) -> FloatArray:
    """Moves (6, n, 3) mm of moving points (n, 3) by what is not known of a fitted hinge's point and direction."""
    if motion.axis is None or motion.axis_cov is None:
        return np.zeros((0, *places.shape))
    angle, axis, h = np.radians(motion.positions[i]), np.concatenate(motion.axis), 1e-6

    def moved(changed: FloatArray) -> FloatArray:
        turn = rotation_about(changed[3:] / np.linalg.norm(changed[3:]), angle)
        return np.asarray(changed[:3] + (places - changed[:3]) @ turn.T)

    slope = np.array([(moved(axis + h * step) - moved(axis - h * step)) / (2 * h) for step in np.eye(6)])
    size, ways = np.linalg.eigh(motion.axis_cov)
    return np.tensordot((ways * np.sqrt(np.maximum(size, 0.0))).T, slope, 1)
