"""Chains of lines and arcs with known truth, by plain circle geometry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from fit.points import Points

Pieces = list[tuple[float, float]]


def on_chain(
    pieces: Pieces, at: np.ndarray, heading: float = 0.3, start: tuple[float, float] = (40.0, -30.0)
) -> np.ndarray:
    """Places (N, 2) at lengths along pieces of (length, radius); radius 0 is a line, positive turns left."""
    x, y = start
    out, begin = np.zeros((len(at), 2)), 0.0
    for length, radius in pieces:
        here = (at >= begin) & (at <= begin + length + 1e-9)
        s = at[here] - begin
        if radius == 0:
            out[here] = np.column_stack([x + s * np.cos(heading), y + s * np.sin(heading)])
            x, y = x + length * np.cos(heading), y + length * np.sin(heading)
        else:
            cx, cy = x - radius * np.sin(heading), y + radius * np.cos(heading)
            angle = heading + s / radius
            out[here] = np.column_stack([cx + radius * np.sin(angle), cy - radius * np.cos(angle)])
            heading += length / radius
            x, y = cx + radius * np.sin(heading), cy - radius * np.cos(heading)
        begin += length
    return out


@pytest.fixture
def walk() -> Callable[..., Points]:
    """Evenly walked points on a chain with noise, mm; keyword arguments go to Points."""

    def make(pieces: Pieces, count: int, noise: float, seed: int = 1, **given: object) -> Points:
        total = sum(length for length, _ in pieces)
        at = (np.arange(count) + 0.5) * total / count
        flat = on_chain(pieces, at) + np.random.default_rng(seed).normal(0, noise, (count, 2))
        return Points(np.column_stack([flat, np.full(count, 7.0)]), **given)  # type: ignore[arg-type]

    return make


@pytest.fixture
def along_chain() -> Callable[..., np.ndarray]:
    return on_chain
