"""A base that moved mid-list is found by closing points; what came after is not joined."""

from __future__ import annotations

import numpy as np
import pytest

from capture.arm.closing import closing_errors, told_of_moves, until_moved
from fit.errors import InputError
from fit.lists import PointList

NOISE = 0.02
PLACES = {"close_1": [0, 0, 0], "close_2": [300, 0, 20], "close_3": [40, 250, 0]}


def _list(move: float, visits: int = 2, moved_from: int = 1, touches: int = 3, seed: int = 1) -> PointList:
    """Closing places, features, closing places again …; the base shifts by `move` mm before visit `moved_from`."""
    rng = np.random.default_rng(seed)
    names, xyz = [], []
    for visit in range(visits):
        shift = np.array([move, 0, 0]) * (visit >= moved_from)
        for name, place in PLACES.items():
            names += [name] * touches
            xyz += [np.array(place) + shift + rng.normal(0, NOISE, 3) for _ in range(touches)]
        if visit < visits - 1:
            names += ["face"] * 10
            xyz += [np.array([*rng.uniform(0, 200, 2), 0]) for _ in range(10)]
    count = len(names)
    return PointList(
        "arm.csv", np.array(xyz), np.full((count, 3), np.nan), np.array(names), np.arange(2, count + 2), "mm", "file"
    )


def test_a_steady_base_is_told_with_its_closing_error() -> None:
    listed, notices = until_moved(_list(0.0), ["close_*"])
    assert len(listed) == 28
    assert [notice.code for notice in notices] == ["base-steady"]


@pytest.mark.parametrize("move", [0.2, 1.0, 30.0])
def test_a_moved_base_ends_the_list_after_the_first_closing_points(move: float) -> None:
    whole = _list(move)
    listed, notices = until_moved(whole, ["CLOSE_*"])
    assert listed.names.tolist() == ["close_1"] * 3 + ["close_2"] * 3 + ["close_3"] * 3
    assert notices[0].code == "base-moved"
    assert "not joined" in notices[0].text
    assert "'close_1' closes" in notices[0].text


def test_only_what_follows_the_last_good_closing_is_lost() -> None:
    listed, notices = until_moved(_list(0.5, visits=3, moved_from=2), ["close_*"])
    assert len(listed) == 9 + 10 + 9
    assert "after line 29" in notices[0].text


def test_false_alarms_are_rare() -> None:
    """Three spreads on three parts each: about 1 in 100,000 for normal noise, so none in 100 lists."""
    codes = [until_moved(_list(0.0, seed=seed, touches=1), ["close_*"])[1][0].code for seed in range(100)]
    assert codes.count("base-moved") == 0


def test_balls_close_as_well() -> None:
    rng = np.random.default_rng(3)
    out = rng.normal(size=(24, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    xyz = 9.35 * out + rng.normal(0, NOISE, (24, 3))
    xyz[12:] += [0, 0, 0.4]
    names = np.array(["close_ball"] * 24)
    names[12] = "other"
    listed = PointList("arm.csv", xyz, np.full((24, 3), np.nan), names, np.arange(24), "mm", "file")
    (_, size, ratio), *_ = closing_errors(listed, ["close_*"])
    assert size == pytest.approx(0.4, abs=0.1)
    assert ratio > 3


def test_closing_points_must_be_touched_twice() -> None:
    once = _list(0.0, visits=1)
    with pytest.raises(InputError, match="finds no place touched twice"):
        until_moved(once, ["close_*"])


@pytest.mark.parametrize("touches", [1, 3])
def test_places_touched_again_are_looked_at_unasked(touches: int) -> None:
    (notice,) = told_of_moves(_list(0.6, touches=touches))
    assert notice.code == "base-moved"
    assert f"'close_1' was touched again in line {3 * touches + 12}, 0." in notice.text
    assert all(told_of_moves(_list(0.0, touches=touches, seed=seed)) == () for seed in range(100))


def _balls(move: float, seed: int = 1) -> PointList:
    """Three balls, a face, the balls again, by an arm that scatters more than one assumes."""
    rng = np.random.default_rng(seed)
    names, xyz = [], []
    for shift in (0.0, move):
        for k in range(3):
            out = rng.normal([0, 0, 0.7], 1.0, (8, 3))
            names += [f"ball_{k}"] * 8
            xyz += [*([200 * k + shift, 100 * k**2, 0] + 12 * out / np.linalg.norm(out, axis=1, keepdims=True))]
        names += ["face"] * 10
        xyz += [*np.column_stack([rng.uniform(0, 200, (10, 2)), np.zeros(10)])]
    places = np.array(xyz) + rng.normal(0, 0.06, (len(xyz), 3))
    return PointList(
        "arm.csv", places, np.full(places.shape, np.nan), np.array(names), np.arange(52 + 16), "mm", "file"
    )


def test_balls_touched_again_are_looked_at_by_their_own_scatter() -> None:
    assert [notice.code for notice in told_of_moves(_balls(0.8))] == ["base-moved"]
    assert all(told_of_moves(_balls(0.0, seed)) == () for seed in range(60))


def test_features_touched_in_turns_are_no_places() -> None:
    """A hole and a pin of the tip's own size, touched one after the other all round."""
    angle = np.repeat(np.linspace(0, 5, 6), 2)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(12)])
    names = np.tile(["left", "right"], 6)
    spots = 0.3 * out + np.where(names == "left", 0, 40)[:, None] * [1, 0, 0]
    for direction in (out, np.full(out.shape, np.nan)):
        assert told_of_moves(PointList("arm.csv", spots, direction, names, np.arange(12), "mm", "file")) == ()
