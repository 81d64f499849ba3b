"""Light on paper beside a sheet, and edges in it: against rays counted one by one and profiles in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erf

from capture.edges.lengths import FARTHER, NEAR, WIDE, Across, Lengths
from capture.edges.paper_light import PaperLight, light_in_holes
from capture.edges.profiles import edge_costs
from capture.edges.rims import Sheet
from capture.edges.rounding import ROUNDINGS, USUAL_MM, rounding_by_costs
from capture.edges.shade import Beside, Shade, fitted_shade
from capture.edges.shifts import astray

THICK = 2.0
RAYS = 40_000
EVEN = Shade(np.zeros((0, 6)), np.zeros(3), THICK, 0.0)


def blocked(reaches: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Share of rays, each with its shadow's reach square to a wall, that the wall keeps from places so far from its foot."""
    return np.array([(reaches > d).mean() for d in away])


def reaches_of_lamp(facing: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Reaches of rays from all over a square lamp of 240 mm, 900 mm up, over a wall that faces so."""
    lamp = np.array([-450.0, -200.0]) + rng.uniform(-120, 120, (RAYS, 2))
    return -lamp @ facing * THICK / 900.0


def reaches_of_sky(facing: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Reaches of rays from an even sky, drawn by what they give to level paper (Malley's method)."""
    radius, turn = np.sqrt(rng.uniform(size=RAYS)), rng.uniform(0, 2 * np.pi, RAYS)
    ray = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    return -(ray @ facing) / np.sqrt(1 - radius**2) * THICK


def test_an_even_sky_is_kept_off_as_rays_say():
    away = np.array([0.0, 0.3, 1.0, 2.0, 4.0])
    facing = np.array([[0.6, 0.8]])
    rays = 1 - blocked(reaches_of_sky(facing[0], np.random.default_rng(3)), away)
    room = replace(EVEN, room=np.array([1.0, 0.0, 0.0]))
    assert room.at(away[None], facing, np.zeros((1, 2)))[0] == pytest.approx(rays, abs=0.01)


def test_a_lamp_and_a_room_are_told_from_what_shows_all_round():
    """Rays from a square lamp (0.5 of the light) and an even sky, seen 0.4 mm and more from the foot; then nearer too."""
    rng = np.random.default_rng(5)
    turns = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    facings = np.column_stack([np.cos(turns), np.sin(turns)])
    away = np.arange(0.05, 4.0, 0.1)
    light = np.array(
        [
            1 - 0.5 * blocked(reaches_of_lamp(n, rng), away) - 0.5 * blocked(reaches_of_sky(n, rng), away)
            for n in facings
        ]
    )
    far = away > 0.4
    count = len(turns) * far.sum()
    samples = Beside(
        light[:, far].ravel(),
        np.tile(away[far], len(turns)),
        np.repeat(facings, far.sum(), axis=0),
        np.zeros((count, 2)),
    )
    told = fitted_shade(samples, THICK, 0.0).at(np.tile(away, (len(turns), 1)), facings, np.zeros((len(turns), 2)))
    assert np.abs(told - light).max() < 0.06
    assert np.sqrt(np.mean((told - light) ** 2)) < 0.015


def edge_seen(steps: list[tuple[float, float]], blur: float, level: float, over: Across = NEAR) -> Lengths:
    """Five lengths of a straight edge, wall just hidden, whose tone starts at a level and steps (place, size), blurred."""
    tone = level + sum(size * (1 + erf((over.offsets - at) / blur / np.sqrt(2))) / 2 for at, size in steps)
    facing, tones, none = np.tile([1.0, 0.0], (5, 1)), np.tile(tone, (5, 1)), np.zeros(5)
    burnt = np.zeros(tones.shape, bool)
    return Lengths(np.zeros((5, 2)), facing, none, np.full(5, blur), tones, burnt, np.ones((5, 16)), none.astype(int))


def lit_by(shade: Shade) -> PaperLight:
    return PaperLight(shade, np.array([1.0, 0, 0, 0, 0, 0]), np.zeros(2))


@pytest.mark.parametrize("at", [-0.12, 0.0, 0.2])
@pytest.mark.parametrize("reach", [0.2, 0.3])
def test_a_narrow_shadow_does_not_move_the_edge(at, reach):
    """Face 0.3, shadow 0.55, paper 1, blur 0.12: the steepest place lies at the shadow's edge, the metal's does not."""
    shadow = Shade(np.array([[0.45, reach, 0.0, 0.0, 0.0, 0.0]]), np.zeros(3), THICK, 0.0)
    seen = edge_seen([(at, 0.25), (at + reach, 0.45)], 0.12, 0.3)
    steepest = NEAR.offsets[np.gradient(seen.tone[0]).argmax()]
    assert steepest > at + 0.1
    (costs,) = edge_costs([seen], Sheet(THICK, THICK), lit_by(shadow), quick=True)
    assert NEAR.shifts[costs.argmin(axis=1)] == pytest.approx(np.full(5, at), abs=0.041)


@pytest.mark.parametrize("reach", [0.8, 1.3, 1.9])
def test_a_run_on_a_hard_shadows_end_is_brought_back_to_the_edge(reach):
    """Face 0.5, shadow 0.3, paper 1; ten lengths of thirty follow the shadow's end, and the rest the metal's edge."""
    shadow = Shade(np.array([[0.7, reach, 0.0, 0.0, 0.0, 0.0]]), np.zeros(3), THICK, 0.0)
    right = edge_seen([(0.0, -0.2), (reach, 0.7)], 0.1, 0.5, WIDE)
    wrong = edge_seen([(-reach, -0.2), (0.0, 0.7)], 0.1, 0.5, WIDE)
    right_costs, wrong_costs = edge_costs([right, wrong], Sheet(THICK, THICK), lit_by(shadow), quick=True, over=WIDE)
    rows = np.repeat(np.arange(30), 4)
    costs = np.concatenate([right_costs, right_costs, wrong_costs, wrong_costs, right_costs, right_costs])
    back = astray(costs, replace(right, row=rows))
    assert back[(rows > 11) & (rows < 18)] == pytest.approx(-reach, abs=0.1)
    assert not back[(rows < 7) | (rows > 22)].any()
    assert not astray(np.repeat(right_costs, 6, axis=0), replace(right, row=rows)).any()


def ring_lit_by(shade: Shade, radius: float) -> Lengths:
    """The rim of a round hole, dark metal round paper in so much light."""
    turns = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    facing, none = -np.column_stack([np.cos(turns), np.sin(turns)]), np.zeros(40)
    rim = -radius * facing

    def tone(offsets: np.ndarray) -> np.ndarray:
        away = np.tile(np.maximum(offsets, 0.0), (40, 1))
        return np.where(offsets > 0, shade.at(away, facing, rim), 0.3)

    near = tone(NEAR.offsets)
    return Lengths(
        rim, facing, none, np.full(40, 0.1), near, np.zeros(near.shape, bool), tone(FARTHER), none.astype(int)
    )


def test_a_hole_tells_a_light_that_an_outline_on_its_shadows_end_taught_otherwise():
    """A shadow 1.8 mm long, which an outline that ran along its end had taken for one of 0.3 mm."""
    true = Shade(np.array([[0.6, 0.2, -1.8, 0.3, 0.0, 0.3]]), np.array([0.1, 0.0, 0.0]), THICK, 0.0)
    taught = replace(true, lights=np.array([[0.6, 0.2, -0.3, 0.3, 0.0, 0.3]]))
    hole = (ring_lit_by(true, 5.0), 5.0)
    told = light_in_holes(lit_by(taught), [hole])
    assert told is not None
    away, facing, place = np.arange(0.4, 4.0, 0.1)[None], np.array([[0.0, -1.0]]), np.zeros((1, 2))
    assert told.shade.at(away, facing, place) == pytest.approx(true.at(away, facing, place), abs=0.05)
    assert light_in_holes(lit_by(true), [hole]) is None
    assert light_in_holes(lit_by(taught), []) is None


def test_light_that_is_not_as_known_counts_little():
    """A plain step is taken where it is, though a shadow was expected there that would put it elsewhere."""
    expected = Shade(np.array([[0.7, 0.35, 0.0, 0.0, 0.0, 0.0]]), np.zeros(3), THICK, 0.0)
    (costs,) = edge_costs([edge_seen([(0.0, 0.2)], 0.1, 0.8)], Sheet(THICK, THICK), lit_by(expected))
    assert NEAR.shifts[costs.argmin(axis=1)] == pytest.approx(np.zeros(5), abs=0.041)


@pytest.mark.parametrize("band", [0.2, 0.95])
def test_a_band_tells_a_rounded_edge(band):
    seen = edge_seen([(-0.2, band - 0.4), (0.0, 1 - band)], 0.08, 0.4)

    def cost(radius: float) -> float:
        return float(edge_costs([seen], Sheet(THICK, THICK, radius), lit_by(EVEN))[0].min(axis=1).mean())

    assert min(ROUNDINGS, key=cost) == USUAL_MM
    assert ROUNDINGS[rounding_by_costs(cost, 0.5).which] == USUAL_MM
    sharp = edge_seen([(0.0, 0.6)], 0.08, 0.4)
    seen = sharp
    assert ROUNDINGS[rounding_by_costs(cost, 0.05).which] == 0.0
