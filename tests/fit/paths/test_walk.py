"""Walks as hands make them: rests, ways back, strays, hooks, gaps."""

from __future__ import annotations

import numpy as np
import pytest

from fit.errors import CannotDetermine, InputError
from fit.paths import fit_path
from fit.points import Points

PIECES = [(60.0, 0.0), (30.0, 20.0), (70.0, 0.0)]


def walked(along_chain, at, seed=4):
    flat = along_chain(PIECES, np.asarray(at, float)) + np.random.default_rng(seed).normal(0, 0.03, (len(at), 2))
    return np.column_stack([flat, np.zeros(len(at))])


def codes(path):
    return {notice.code for notice in path.notices}


def kinds(path):
    return "".join("A" if arc else "L" for arc in path.chain.arcs)


def test_back_tracking_is_put_in_order(along_chain):
    at = np.concatenate(
        [
            np.arange(0, 50, 0.8),
            np.arange(50, 40, -0.8),
            np.arange(40, 100, 0.8),
            np.arange(100, 90, -0.8),
            np.arange(90, 160, 0.8),
        ]
    )
    path = fit_path(Points(walked(along_chain, at)))
    assert "back-tracked" in codes(path)
    assert kinds(path) == "LAL"
    assert path.feature["length"] == pytest.approx(at[-1], abs=0.15)


def test_rests_are_thinned(along_chain):
    at = np.concatenate([np.arange(0, 50, 0.8), np.full(40, 50.0) + 1e-3 * np.arange(40), np.arange(50.5, 160, 0.8)])
    xyz = walked(along_chain, at)
    xyz[63:103] = xyz[63] + np.random.default_rng(0).normal(0, 0.003, (40, 3)) * [1, 1, 0]
    path = fit_path(Points(xyz))
    assert "rested" in codes(path)
    assert kinds(path) == "LAL"


def test_stray_touches_are_named_and_left_out(along_chain):
    at = np.arange(0, 160, 0.8)
    xyz = walked(along_chain, at)
    stray = [20, 75, 130]
    clean = fit_path(Points(xyz))
    spoilt = xyz.copy()
    spoilt[stray, :2] += [[0.6, 0.9], [-1.4, 0.3], [0.9, 0.2]]
    path = fit_path(Points(spoilt))
    assert list(path.rejected) == stray
    assert list(path.feature.rejected) == stray
    (notice,) = [n for n in path.notices if n.code == "stray-touch"]
    assert "21, 76, 131" in notice.text
    assert path.feature["length"] == pytest.approx(clean.feature["length"], abs=0.05)


def test_hooks_at_the_ends_are_left_out(along_chain):
    at = np.arange(0, 160, 0.8)
    xyz = walked(along_chain, at)
    way = (xyz[-1] - xyz[-6]) / np.linalg.norm(xyz[-1] - xyz[-6])
    aside = np.array([-way[1], way[0], 0.0])
    hook = xyz[-1] + aside * np.arange(1, 6)[:, None] * 0.8
    path = fit_path(Points(np.concatenate([xyz, hook])))
    assert "hook" in codes(path)
    assert kinds(path) == "LAL"


def test_gaps_are_told_with_their_width(along_chain):
    at = np.concatenate([np.arange(0, 30, 0.8), np.arange(42, 160, 0.8)])
    path = fit_path(Points(walked(along_chain, at)))
    (notice,) = [n for n in path.notices if n.code == "gap"]
    assert "12." in notice.text
    assert kinds(path) == "LAL"


def test_uneven_spacing(along_chain):
    at = np.sort(np.random.default_rng(6).uniform(0, 160, 250) ** 1.0)
    at = np.unique(np.round(np.sort(np.concatenate([at, np.linspace(60, 90, 120)])), 3))
    path = fit_path(Points(walked(along_chain, at)))
    assert kinds(path) == "LAL"
    arc = path.feature.segments[1]
    assert arc["radius"] == pytest.approx(20.0, abs=1.5 * arc.value("radius").u95)


def test_a_clean_walk_says_nothing(along_chain):
    assert codes(fit_path(Points(walked(along_chain, np.arange(0, 160, 0.8))))) <= {"undecided"}


def test_strays_in_a_row_are_left_out_too(along_chain):
    at = np.arange(0, 160, 0.8)
    xyz = walked(along_chain, at)
    stray = [30, 31, 140, 141, 142]
    xyz[stray, :2] += np.array([[-0.3, 0.9], [-0.2, 0.8], [-0.9, -0.2], [-1.0, -0.3], [-0.8, -0.2]])
    path = fit_path(Points(xyz))
    assert list(path.rejected) == stray
    assert kinds(path) == "LAL"


@pytest.mark.parametrize("step", [3.0, 4.0, 5.0])
def test_a_bend_of_few_touches_is_never_taken_for_strays(along_chain, step):
    """Bends of R 16 to 31 mm walked in coarse steps: read right, or refused, but not cut out and called sure."""
    bends = [(91.0, 61.0), (21.8, -31.4), (14.3, 23.8), (84.0, 197.0), (20.0, 16.1)]
    lines = [(length, 0.0) for length in (133.0, 130.0, 50.0, 127.0, 71.0)]
    pieces = [piece for pair in zip(lines, bends, strict=True) for piece in pair] + [(64.0, 0.0)]
    at = np.arange(0.0, sum(length for length, _ in pieces), step)
    flat = along_chain(pieces, at) + np.random.default_rng(1).normal(0, 0.03, (len(at), 2))
    try:
        path = fit_path(Points(np.column_stack([flat, np.zeros(len(at))])))
    except CannotDetermine as refusal:
        assert step > 3.0
        assert "closer together in tight bends" in str(refusal)
        return
    length = path.feature.value("length")
    assert abs(length.value - (at[-1] - at[0])) < 2 * length.u95


def test_a_cloud_without_order_is_refused():
    points = np.column_stack([np.random.default_rng(1).uniform(0, 100, (120, 2)), np.zeros(120)])
    with pytest.raises(CannotDetermine, match="in order along one edge"):
        fit_path(Points(points))


def test_noise_must_be_positive(along_chain):
    with pytest.raises(InputError, match="positive"):
        fit_path(Points(walked(along_chain, np.arange(0, 160, 0.8))), noise=-0.1)
