"""A reading does not hang on digits that no arm or photo sees."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from fit.paths import PathFit, fit_path
from fit.points import Points

OUTLINES, POINTS = 20, 350
JITTER_MM = 1e-4
"""A tenth of what the finest lists are written to."""


def reading(path: PathFit) -> str:
    """Kinds in order, with corners."""
    return "".join(
        ("c" if c else "") + ("A" if a else "L") for a, c in zip(path.chain.arcs, path.chain.corners, strict=True)
    )


def drawn_outline(rng: np.random.Generator, along_chain: Callable[..., np.ndarray]) -> Points:
    """A plate with four corners of its own radii, one of them sharp or hardly rounded; light sways its edge by waves."""
    width, height = rng.uniform(80, 140, 2)
    radii = np.append(rng.uniform(6, 25, 3), rng.choice([0.01, 1.0, 2.0]))
    sides = np.array([width, height, width, height]) - radii - np.roll(radii, 1)
    pieces = [piece for side, r in zip(sides, radii, strict=True) for piece in ((side, 0.0), (np.pi / 2 * r, r))]
    total = sum(length for length, _ in pieces)
    at = (np.arange(POINTS) + 0.5) * total / POINTS
    sway = 0.03 * np.sin(2 * np.pi * at / rng.uniform(15, 60) + rng.uniform(0, 6))
    xy = along_chain(pieces, at) + sway[:, None] * rng.normal(0, 1, 2) + rng.normal(0, 0.02, (POINTS, 2))
    return Points(np.column_stack([xy, np.zeros(POINTS)]), noise=np.full(POINTS, 0.05))


def test_a_reading_survives_a_tenth_of_a_thousandth(along_chain):
    """The same pieces in at least 95 of 100 outlines whose points move by less than any list tells."""
    same = 0
    for seed in range(OUTLINES):
        points = drawn_outline(np.random.default_rng(seed), along_chain)
        moved = np.random.default_rng(1000 + seed).normal(0, JITTER_MM, points.xyz.shape) * [1, 1, 0]
        shaken = Points(points.xyz + moved, noise=points.noise)
        first, second = (reading(fit_path(p, closed=True)) for p in (points, shaken))
        same += first == second
    assert same >= 0.95 * OUTLINES


def test_a_closed_reading_starts_at_the_same_joint_however_it_was_found(along_chain):
    """The joint nearest the middle of the list: pieces keep their numbers from one photo of a part to the next."""
    for seed in range(6):
        points = drawn_outline(np.random.default_rng(seed), along_chain)
        path = fit_path(points, closed=True)
        start = path.chain.start
        places = np.cumsum(path.chain.lengths) - path.chain.lengths
        nearest = path.index[np.searchsorted(path.along, places).clip(max=len(path.index) - 1)]
        assert np.argmin(np.abs(nearest - POINTS / 2)) == 0
        assert np.hypot(*(path.frame.flat(points.xyz)[POINTS // 2, :2] - start)) < path.feature["length"] / 2


def kinked(on_chain: Callable[..., np.ndarray], turn_deg: float, seed: int) -> Points:
    """A line of 50 mm and an arc of R 60 that do not quite meet tangent; noise 0.05 mm."""
    at = (np.arange(125) + 0.5) * 0.4
    line = on_chain([(50, 0)], at, 0.3, (0.0, 0.0))
    end = 50 * np.array([np.cos(0.3), np.sin(0.3)])
    arc = on_chain([(50, 60.0)], at, 0.3 + np.radians(turn_deg), (float(end[0]), float(end[1])))
    xy = np.vstack([line, arc]) + np.random.default_rng(seed).normal(0, 0.05, (250, 2))
    return Points(np.column_stack([xy, np.zeros(250)]), noise=np.full(250, 0.05))


def test_a_slight_kink_must_be_worth_its_price(along_chain):
    """A kink that the noise just tells is smoothed where edges are made tangent; one of 12° stays what it is."""
    assert fit_path(kinked(along_chain, 3.2, 5)).chain.corners.any()
    assert not fit_path(kinked(along_chain, 3.2, 5), kink_price=8.0).chain.corners.any()
    plain, dear = (fit_path(kinked(along_chain, 12.0, 5), kink_price=price) for price in (0.0, 8.0))
    np.testing.assert_allclose(dear.chain.turns, plain.chain.turns)
    assert np.degrees(np.abs(dear.chain.turns)).max() == pytest.approx(12.0, abs=1.0)
