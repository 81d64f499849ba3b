"""A jog's short line between its two bends, and bends that meet without one."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString

from capture.edges.straights import with_straights
from fit.paths import PathFit, Pieces, fit_path
from fit.points import Points

TURN = np.pi / 2


def laid(pieces: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Places 0.05 mm apart along pieces of (length, radius), radius 0 a line and above zero to the left; and the joints."""
    place, heading, out, joints = np.zeros(2), 0.0, [], []
    for length, radius in pieces:
        joints.append(place)
        s = np.arange(0, length, 0.05)[:, None]
        turned = heading + (s / radius if radius else 0 * s)
        half = heading + (s / radius / 2 if radius else 0 * s)
        chord = s * np.sinc((turned - heading) / 2 / np.pi)
        out.append(place + chord * np.hstack([np.cos(half), np.sin(half)]))
        end = length / radius if radius else 0.0
        place = place + length * np.sinc(end / 2 / np.pi) * np.array(
            [np.cos(heading + end / 2), np.sin(heading + end / 2)]
        )
        heading += end
    return np.vstack(out), np.array(joints)


def jogged(between: float, radius: float, seed: int) -> PathFit:
    """A plate of which one side jogs out by two bends and a line between them, read without the line."""
    bend = TURN * radius
    up = 2 * radius + between
    jog = [(30.0, 0.0), (bend, radius), (between, 0.0), (bend, -radius), (30.0, 0.0)]
    rest = [
        (8 * TURN, 8.0),
        (20.0, 0.0),
        (8 * TURN, 8.0),
        (60.0 + 2 * radius, 0.0),
        (8 * TURN, 8.0),
        (20.0 + up, 0.0),
        (8 * TURN, 8.0),
    ]
    xy, joints = laid(jog + rest)
    line = LineString(np.vstack([xy, xy[:1]]))
    rng = np.random.default_rng(seed)
    xy = np.array([line.interpolate(s).coords[0] for s in np.arange(0, line.length, 0.4)])
    xy += rng.normal(0, 0.02, xy.shape)
    curvatures = np.array([1 / r if r else 0.0 for _, r in jog + rest])
    keep = np.arange(len(joints)) != 2
    joints[3] -= [0.0, between / 2]
    points = Points(np.column_stack([xy, np.zeros(len(xy))]), noise=np.full(len(xy), 0.05))
    return fit_path(points, closed=True, pieces=Pieces(joints[keep], curvatures[keep]))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("radius, between", [(5.6, 2.8), (7.0, 3.6), (12.0, 6.0)])
def test_a_jogs_line_is_found_and_its_bends_are_right(radius, between, seed):
    path = jogged(between, radius, seed)
    before = [s for s in path.feature.segments if s.kind == "arc"][:2]
    assert all(arc["radius"] > radius + 0.1 for arc in before)
    told = with_straights(path)
    assert len(told.feature.segments) == len(path.feature.segments) + 1
    first, line, last = told.feature.segments[1:4]
    assert line.kind == "line" and line["length"] == pytest.approx(between, abs=line.value("length").u95)
    for arc in (first, last):
        assert arc["radius"] == pytest.approx(radius, abs=max(arc.value("radius").u95, 0.1))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("radius", [5.6, 12.0])
def test_bends_that_meet_get_no_line(radius, seed):
    path = jogged(1e-6, radius, seed)
    assert with_straights(path) is path
