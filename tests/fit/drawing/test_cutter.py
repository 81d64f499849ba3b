"""What a drawing tells the cutter."""

from __future__ import annotations

import math

import pytest

from fit.drawing.cutter import cutter_notes, inside_corners
from fit.drawing.model import Circle, Line, Polyline


def ring(*corners: tuple[float, float]) -> Polyline:
    return Polyline(tuple((x, y, 0.0) for x, y in corners), True)


ELL = ring((0, 0), (100, 0), (100, 40), (50, 40), (50, 80), (0, 80))


@pytest.mark.parametrize("outline", [ELL, Polyline(ELL.vertices[::-1], True)])
def test_one_sharp_inside_corner_of_an_l_whichever_way_it_runs(outline: Polyline) -> None:
    """An L has one; a square hole in it adds four."""
    assert inside_corners([outline]) == (1, math.inf)
    assert inside_corners([outline, ring((10, 10), (20, 10), (20, 20), (10, 20))])[0] == 5
    assert inside_corners([outline, ring((10, 10), (10, 20), (20, 20), (20, 10))])[0] == 5


def test_inside_radius_limits_the_router_bit() -> None:
    """A notch rounded by R 3 takes a 6 mm bit; outside radii do not count."""
    quarter = math.tan(math.pi / 8)
    notched = Polyline(
        (
            (0, 0, 0),
            (100, 0, 0),
            (100, 40, 0),
            (53, 40, -quarter),
            (50, 43, 0),
            (50, 80, 0),
            (5, 80, quarter),
            (0, 75, 0),
        ),
        True,
    )
    sharp, least = inside_corners([notched])
    assert sharp == 0 and least == pytest.approx(3.0)
    assert any("largest router bit is 6.00 mm" in note for note in cutter_notes([notched]))


def test_smallest_hole_against_sheet_thickness() -> None:
    """Laser: hole at least the thickness; plasma: at least 1.5 times (published cutting rules)."""
    notes = " ".join(cutter_notes([ELL, Circle(20, 20, 1.5), Circle(70, 20, 10)]))
    assert "Smallest hole or slot 3.00 mm: for laser up to 3.00 mm sheet, for plasma up to 2.00 mm sheet" in notes
    assert "do not plasma-cut" in notes


def test_slots_count_by_their_width() -> None:
    """A slot is as narrow as its ends."""
    slot = Polyline(((10, 10, 0), (30, 10, 1), (30, 15, 0), (10, 15, 1)), True)
    assert "slot 5.00 mm" in " ".join(cutter_notes([ELL, slot]))


def test_nothing_to_cut_nothing_said() -> None:
    """Reference shapes concern no cutter."""
    assert cutter_notes([Line(0, 0, 1, 1, "reference")]) == []
