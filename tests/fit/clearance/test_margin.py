"""What is left of a gap: play, rock, U95, and never movement twice."""

from __future__ import annotations

import numpy as np
import pytest

from fit.clearance import SITUATIONS, Demand, Tolerance, body_of, clear, clear_table, slide_motion
from fit.errors import InputError


@pytest.fixture
def sides(clouds):
    return body_of(clouds.grid(30, 1.0), 0.01), body_of(clouds.grid(20, 1.0, 21.0), 0.01)


STAY = slide_motion([0, 0, 1], [0.0, 5.0])


def test_swinging_lid_scenario_counts_movement_once(sides):
    # closed gap 21, unit moves 12: 21 - 12 - U95 >= 5 left, and the parked 15 is not asked for as well
    found = clear(*sides, STAY, Tolerance(rock=(0, 0, 12)), Demand(situation="rubber-mounts"))
    assert found.margin.wanted == 5
    assert found.margin.rock == pytest.approx(12)
    assert found.margin.left == pytest.approx(21 - 12 - found.margin.u95)
    assert found.margin.verdict == "inside"
    assert "not asked for as well" in found.margin.why
    assert "21.00 gap - 0.00 play - 12.00 rock" in found.margin.sum_words()


def test_without_movement_the_parked_figure_is_asked_for(sides):
    found = clear(*sides, STAY, None, Demand(situation="rubber-mounts-forward-medium"))
    assert (found.margin.wanted, found.margin.verdict) == (30, "outside")


@pytest.mark.parametrize(
    ("wanted", "verdict"), [(20.9, "inside"), (21.0, "not proven"), (21.1, "outside"), (None, None)]
)
def test_verdict_follows_the_interval(sides, wanted, verdict):
    assert clear(*sides, STAY, None, Demand(wanted)).margin.verdict == verdict


@pytest.mark.parametrize(
    ("wanted", "unit", "words"),
    [
        (18.5, "mm", "fits, 2.4"),
        (30.0, "mm", "does not fit, 9.0"),
        (21.0, "mm", "not proven, 0.0"),
        (18.5, "inch", "in in hand beyond the 0.728 in asked for"),
    ],
)
def test_verdict_says_how_much_is_in_hand_or_short(sides, wanted, unit, words):
    assert words in clear(*sides, STAY, None, Demand(wanted)).margin.verdict_words(unit)


def test_sum_is_told_in_the_readers_unit_and_promises_no_more_than_is_left(sides):
    margin = clear(*sides, STAY, Tolerance(play=2.54)).margin
    assert margin.sum_words("inch").startswith("0.827 gap - 0.100 play - 0.000 rock - ")
    told_u95, told_left = (float(margin.sum_words().split(mark)[0].split()[-1]) for mark in (" U95", " mm left"))
    assert margin.u95 <= told_u95 < margin.u95 + 0.01
    assert margin.left - 0.01 < told_left <= margin.left


def test_unknown_u95_never_proves(clouds):
    found = clear(body_of(clouds.grid(30, 1.0)), body_of(clouds.grid(20, 1.0, 21.0)), STAY, None, Demand(5.0))
    assert found.margin.verdict == "not proven"
    assert [notice.code for notice in found.notices] == ["cloud-u-unknown"]


def test_play_takes_itself_off(sides):
    assert clear(*sides, STAY, Tolerance(play=0.7)).margin.left == pytest.approx(20.3, abs=0.06)


def test_rock_finds_the_way_that_hurts():
    # a wall 3 mm beside and a floor 4 mm below: rock of 2 along x and 3.5 along z leaves 0.5 at the floor
    wall = np.array([[0.0, y, z] for y in range(5) for z in range(8)])
    floor = np.array([[3.0, y, -4.0] for y in range(5)])
    block = np.array([[3.0, y, z] for y in range(5) for z in range(4)])
    found = clear(
        body_of(np.concatenate([wall, floor])),
        body_of(block),
        slide_motion([1, 0, 0], [0.0]),
        Tolerance(rock=(2, 0, 3.5)),
    )
    assert found.margin.left == pytest.approx(0.5)


def test_every_situation_has_a_source():
    assert all(known.source and known.wanted > 0 for known in SITUATIONS.values())


@pytest.mark.parametrize("figures", [{"play": -1.0}, {"rock": (0, -1, 0)}, {"play": float("nan")}])
def test_movement_that_makes_no_sense(figures):
    with pytest.raises(InputError, match="Play and rock"):
        Tolerance(**figures)


@pytest.mark.parametrize("demand", [Demand(-1.0), Demand(5.0, "hose"), Demand(situation="nothing")])
def test_demand_that_makes_no_sense(sides, demand):
    with pytest.raises(InputError):
        clear(*sides, STAY, None, demand)


def test_table_keeps_its_shape(sides):
    table = clear_table(clear(*sides, STAY))
    assert len(table["positions"]) == len(table["gap"]) == 2
    assert set(table["smallest"]) >= {"gap", "at", "fixed_point", "moving_point"}
    assert set(table["gap"][0]) == {"value", "u95"}
