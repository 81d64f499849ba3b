"""A fast part of the comparison with an independent solver; the 200 problems per kind run in tests/bench."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from fit.points import Points
from fit.shapes import fit_circle, fit_cone, fit_cylinder, fit_line, fit_plane, fit_sphere

_spec = importlib.util.spec_from_file_location("worlds", Path(__file__).with_name("worlds.py"))
assert _spec is not None and _spec.loader is not None
worlds = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(worlds)
FITS = {
    "line": fit_line, "plane": fit_plane, "circle": fit_circle, "sphere": fit_sphere, "cylinder": fit_cylinder,
    "cone": fit_cone,
}  # fmt: skip


@pytest.mark.parametrize("kind", worlds.KINDS)
@pytest.mark.parametrize("seed", range(6))
def test_same_minimum_as_an_independent_solver(kind: str, seed: int) -> None:
    """Both reach one minimum; 1e-8 of the radius is what differences for slopes leave in the other solver."""
    rng = np.random.default_rng(seed)
    shape = worlds.truth(kind, rng)
    points = worlds.sample(shape, 40, rng) + rng.normal(0, 1e-3 * shape["radius"], (40, 3))
    feature = FITS[kind](Points(points), robust=False)
    assert np.abs(worlds.differences(shape, feature.values, worlds.independent(shape, points))).max() < 1e-8
