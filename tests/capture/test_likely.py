"""The likeliest move of a whole rim, against rims that shapely draws."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString, Point

from capture.edges.lengths import NEAR, Lengths
from capture.edges.likely import likely_chain_move, likely_circle_move, likely_slot_move, slot_values
from capture.edges.round_holes import circle_contour
from capture.edges.slot_holes import Stadium
from capture.edges.strip import Contour

SPACING = 0.2
SLOT = Stadium(np.array([20.0, 30.0]), np.array([34.0, 41.0]), 4.2)


def lengths_of(contour: Contour) -> Lengths:
    """Lengths of ten rows each."""
    many = len(contour.xy) // 10
    first = np.linspace(0, len(contour.xy), many + 1).astype(int)[:-1]
    count = np.diff(np.r_[first, len(contour.xy)])
    middle, facing = (np.add.reduceat(v, first) / count[:, None] for v in (contour.xy, contour.outward))
    none = np.zeros(many)
    row = np.repeat(np.arange(many), count)
    facing = facing / np.hypot(*facing.T)[:, None]
    return Lengths(middle, facing, none, none, np.zeros((many, 2)), np.zeros((many, 2), bool), none[:, None], row)


def costs_of_rim(contour: Contour, lengths: Lengths, rim) -> np.ndarray:
    """Least where each length's rows lie on a rim drawn elsewhere; one length in seven is led astray."""
    inward = np.array([rim.exterior.distance(p) * (1 if rim.contains(p) else -1) for p in map(Point, contour.xy)])
    off = np.bincount(lengths.row, inward) / np.bincount(lengths.row)  # outward of the metal is into the hole
    costs = 3 * np.log1p(((NEAR.shifts[None] + off[:, None]) / 0.1) ** 2)
    costs[::7] = 3 * np.log1p(((NEAR.shifts[None] - 0.3) / 0.1) ** 2)
    return costs


@pytest.mark.parametrize("move", [(0.1, 0.05, -0.08, 0.12, 0.07), (0.0, -0.2, 0.15, 0.1, -0.1), (0.0,) * 5])
def test_a_slot_is_moved_onto_the_rim_that_shows(move):
    moved = SLOT.moved(np.array(move))
    rim = LineString([moved.first, moved.last]).buffer(moved.radius, quad_segs=90)
    told = SLOT
    for _ in range(2):  # what was found before holds it back by a part
        contour = told.contour(2.0, SPACING)
        lengths = lengths_of(contour)
        step, cov = likely_slot_move(costs_of_rim(contour, lengths, rim), lengths, told, SPACING)
        told = told.moved(step)
    assert told.first == pytest.approx(moved.first, abs=0.03)
    assert told.last == pytest.approx(moved.last, abs=0.03)
    assert told.radius == pytest.approx(moved.radius, abs=0.02)
    assert (np.linalg.eigvalsh(cov) > 0).all()


def test_a_hole_is_moved_onto_the_rim_that_shows():
    contour = circle_contour(10.0, 12.0, 5.0, 2.0, SPACING)
    lengths = lengths_of(contour)
    told, _ = likely_circle_move(costs_of_rim(contour, lengths, Point(10.12, 11.9).buffer(5.1, quad_segs=90)), lengths)
    assert told == pytest.approx((0.12, -0.1, 0.1), abs=0.02)


def test_an_outline_is_moved_as_one_onto_what_shows():
    """Sixty lengths of which one in seven shows something else, four moves of which two are right: all lengths follow these."""
    at = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    slopes = np.column_stack([np.ones(60), np.cos(at), np.sin(at), np.cos(4 * at)])
    true = slopes @ [0.06, 0.0, -0.1, 0.0]
    costs = 3 * np.log1p(((NEAR.shifts - true[:, None]) / 0.08) ** 2)
    costs[::7] = 3 * np.log1p(((NEAR.shifts + 0.4) / 0.08) ** 2)
    assert slopes @ likely_chain_move(costs, slopes) == pytest.approx(true, abs=0.025)
    assert likely_chain_move(0 * costs, slopes) == pytest.approx(np.zeros(4), abs=1e-9)
    dull = np.column_stack([slopes, 1e-12 * at, slopes[:, 2]])  # one moves nothing, one does what another does
    assert dull @ likely_chain_move(costs, dull) == pytest.approx(true, abs=0.025)


def test_a_slots_sizes_turn_with_its_move():
    """Against differences of a thousandth of a millimetre."""
    values, turn = slot_values(SLOT)
    for k, step in enumerate(1e-3 * np.eye(5)):
        after, before = (np.array(list(slot_values(SLOT.moved(s))[0].values())) for s in (step, -step))
        assert turn[:, k] == pytest.approx((after - before) / 2e-3, abs=1e-6)
    assert values["length"] == pytest.approx(np.hypot(14, 11) + 8.4)
