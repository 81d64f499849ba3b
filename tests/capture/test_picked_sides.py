"""On which side of an edge metal lies: towards a hole nearby, else where it looks like the sheet's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.edges import leading, picked, picked_hole
from capture.edges.candidates import Candidate, Lead, Pick
from capture.edges.follow import contour_along
from capture.edges.rim_fit import FaceKnowledge
from capture.edges.rims import Sheet
from capture.edges.round_holes import Circle
from capture.edges.siding import of_this_metal
from fit.errors import CannotDetermine
from fit.points import Points
from fit.shapes import fit_circle

TURN = np.linspace(0, 2 * np.pi, 60, endpoint=False)
KNOWN = FaceKnowledge(Sheet(2.0, 2.0, on_paper=False), 0.02, 0.05)


def edge(y: float, scores: tuple[float, float], tones: tuple[float, float] = (0.0, 0.0)) -> Lead:
    """An edge along x at a height y: metal above it (left of its way) or below it, with such scores and tones."""
    xy = np.column_stack([np.arange(0.0, 60.0, 0.25), np.full(240, y)])
    told = [
        Candidate(
            line=contour_along(xy, 2.0, material_inside=above, closed=False),
            score=score,
            metal=above,
            tone=np.full(3, tone),
        )
        for above, score, tone in zip((True, False), scores, tones, strict=True)
    ]
    told.sort(key=lambda candidate: -candidate.score)
    return Lead(Pick(f"edge at {y:g}", "line", xy[[10, -10]], KNOWN), told[0], None, tuple(told))


def hole(x: float, y: float) -> Lead:
    found = Candidate(circles=(Circle(x, y, 4.0, 0.9),), height=2.0, score=0.9)
    return Lead(Pick(f"hole at {x:g}, {y:g}", "circle", np.array([[x, y]]), KNOWN), found, None, (found,))


def sides(one: Lead, leads: list[Lead]) -> set[bool]:
    """Which sides may be metal: True above."""
    return {candidate.metal for candidate in of_this_metal(one, [], leads)}


def test_metal_reaches_from_an_edge_to_the_hole_abreast_of_it():
    doubtful = edge(0.0, (0.6, 0.9))
    assert sides(doubtful, [doubtful, hole(30, 20)]) == {True}
    assert sides(doubtful, [doubtful, hole(30, -20)]) == {False}


def test_a_hole_past_the_ends_far_off_behind_another_edge_or_of_this_rim_tells_nothing():
    doubtful = edge(0.0, (0.6, 0.9))
    for others in ([hole(90, 20)], [hole(30, 290)], [hole(30, 4)], [hole(30, 20), edge(10.0, (0.9, 0.2))]):
        assert sides(doubtful, [doubtful, *others]) == {True, False}


def test_a_hole_does_not_outweigh_an_edge_that_shows_no_metal_on_its_side():
    clear = edge(0.0, (0.2, 0.9))
    assert sides(clear, [clear, hole(30, 20)]) == {True, False}


def test_hue_tells_metal_where_its_tone_changes_from_place_to_place():
    one = edge(0.0, (0.6, 0.9))
    red, grey = np.log([0.10, 0.05, 0.05]), np.log([0.07, 0.07, 0.07])
    told = tuple(replace(c, tone=red + 0.2 if c.metal else grey) for c in one.candidates)
    one = replace(one, candidates=told, taken=told[0])
    metal = [replace(hole(500, 500).taken, tone=red)]
    assert {candidate.metal for candidate in of_this_metal(one, metal, [one])} == {True}


def test_a_line_of_texture_is_no_candidate_beside_a_bold_edge():
    one = edge(0.0, (0.6, 0.9))
    weak, bold = (replace(c, step=step) for c, step in zip(one.candidates, (0.02, 0.3), strict=True))
    assert leading._bold([weak, bold]) == [bold]


def test_black_metal_beside_its_shadow_may_step_as_faintly_as_its_texture():
    one = edge(0.0, (0.6, 0.9))
    weak, bold = (replace(c, step=step) for c, step in zip(one.candidates, (0.02, 0.3), strict=True))
    black = replace(weak, tone=np.full(3, np.log(0.04)))
    assert leading._bold([black, bold]) == [black, bold]


def test_of_two_edges_on_the_side_of_a_hole_the_one_that_looks_like_its_metal_is_meant():
    one = edge(0.0, (0.6, 0.5))
    black, shadow = np.log([0.045, 0.045, 0.045]), np.log([0.062, 0.058, 0.053])
    true, other_side = (replace(c, tone=black) for c in one.candidates)
    end = replace(true, score=0.9, tone=shadow)
    metal = [replace(hole(x, 20).taken, tone=black) for x in (20, 30, 40)]
    one = replace(one, candidates=(end, true, other_side), taken=end)
    assert of_this_metal(one, metal, [one, hole(30, 20)]) == [true]


def test_of_two_circles_a_hole_may_be_its_centre_is_in_doubt_by_half_their_distance():
    hole = fit_circle(
        Points(np.column_stack([10 * np.cos(TURN), 10 * np.sin(TURN), 0 * TURN]), noise=np.full(60, 0.01))
    )
    told = picked_hole._with_doubt(hole, Circle(0.0, 0.0, 10.0), Circle(0.6, 0.0, 10.0))
    assert 0.6 < told.value("x").u95 < 0.7 and told.value("y").u95 == pytest.approx(hole.value("y").u95)


def test_brushed_metal_that_differs_from_hole_to_hole_does_not_outweigh_a_clear_edge():
    one = edge(0.0, (0.97, 0.52), tones=(-1.4, -1.8))
    metal = [replace(hole(500, 500).taken, tone=np.full(3, tone)) for tone in (-0.3, -1.9, -0.2, -1.95)]
    assert {candidate.metal for candidate in of_this_metal(one, metal, [one])} == {True, False}
    painted = [replace(candidate, tone=np.full(3, -1.8)) for candidate in metal]
    assert {candidate.metal for candidate in of_this_metal(one, painted, [one])} == {False}


def test_where_the_ground_has_its_own_hue_just_inside_a_shadow_ends():
    one = edge(0.0, (0.9, 0.6))
    true, other_side = one.candidates
    shadow = replace(true, score=1.0, hue=0.1)
    assert leading._not_shadows([shadow, true, other_side]) == [true, other_side]
    assert leading._not_shadows([shadow, other_side]) == [shadow, other_side]


def test_an_edge_well_inside_the_clearest_one_throws_its_shadow():
    """Metal lies above, so that the edge 1.5 mm higher is the inner one."""
    outer, inner, near = (edge(y, (score, 0.1)).candidates[0] for y, score in ((0.0, 0.9), (1.5, 0.6), (0.5, 0.6)))
    for pair, taken, other in (
        ((outer, inner), inner, outer),
        ((inner, outer), inner, outer),
        ((outer, near), outer, None),
    ):
        one = leading.chosen(edge(0.0, (0.9, 0.1)).pick, pair)
        assert one.taken.line is taken.line and (one.other.line if one.other else None) is (
            other.line if other else None
        )
    bold_inside = [replace(outer, score=0.6), replace(inner, score=0.9)]
    assert leading.chosen(edge(0.0, (0.9, 0.1)).pick, bold_inside).other is None


def test_an_edge_that_cannot_be_seen_gives_way_to_the_one_beside_it_but_a_hole_does_not(monkeypatch):
    def measured(lit, bench, one, rounding):
        if one.taken.score > 0.8:
            raise CannotDetermine("Only 0% of the edge can be seen.")
        return one

    monkeypatch.setattr(picked, "_measured", measured)
    line = edge(0.0, (0.9, 0.6))
    line = replace(line, other=line.candidates[1])
    assert picked._measured_either(None, None, line, None).taken is line.other
    ring = hole(0, 0)
    for refused in (replace(ring, other=ring.taken), replace(line, pick=replace(line.pick, edge="metal"))):
        with pytest.raises(CannotDetermine):
            picked._measured_either(None, None, refused, None)
