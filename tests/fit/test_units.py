"""Sizes as people type and read them."""

from __future__ import annotations

import math

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import InputError
from fit.units import (
    ANGLE,
    LENGTH,
    LENGTH_WITH_LIMIT,
    format_angle,
    format_fraction,
    format_length,
    in_unit,
    parse_angle,
    parse_length,
)

# 1 in = 25.4 mm exactly (international yard and pound agreement, 1959); products worked out by hand.
TYPED = [
    ("1 3/8", 34.925),
    ('1-3/8"', 34.925),
    ("13/16", 20.6375),
    ("4' 2 1/2\"", 1282.7),
    ("34.9 mm", 34.9),
    ("34,9", 34.9),
    ("-3.2", -3.2),
    ("5 ft 3", 1600.2),
    ("2.5 cm", 25.0),
    ("1½".replace("½", " 1/2"), 38.1),
    ("1 3/8”", 34.925),
]


@pytest.mark.parametrize(("text", "mm"), TYPED)
def test_typed_lengths_in_mm(text: str, mm: float) -> None:
    """Every way of writing that a shop uses comes out in mm."""
    assert parse_length(text).value == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize("text", ["1.5±2", "1.5+-2", "1.5 +/- 2 mm", "1.5 ± 2"])
def test_a_typed_limit_is_a_rectangle(text: str) -> None:
    """A ± that is typed is a limit: u = a / √3 (JCGM 100:2008, 4.3.7)."""
    length = parse_length(text)
    assert (length.value, length.limit) == (1.5, 2.0)
    assert length.u == pytest.approx(1.1547005383792515)


def test_the_unit_behind_the_limit_holds_for_both() -> None:
    """1.5 ± 0.01 in is all inches."""
    length = parse_length("1.5 ± 0.01 in")
    assert length.value == pytest.approx(38.1) and length.limit == pytest.approx(0.254)


@pytest.mark.parametrize("text", ["", "abc", "1 2", "3/0", "1±2±3", "nan", "inf", "1e5", '5"3', "--3", "3 4 5/8"])
def test_what_is_not_a_length_is_refused(text: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(InputError, match="is not a length"):
        parse_length(text)


def test_a_comma_before_three_figures_is_ambiguous() -> None:
    """1,234 may be 1.234 or 1234."""
    with pytest.raises(InputError, match="two ways"):
        parse_length("1,234")


def test_a_negative_limit_is_refused() -> None:
    """A limit is a distance."""
    with pytest.raises(InputError, match="must not be negative"):
        parse_length("1 ± -2")


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (34.925, '1 3/8"'),
        (25.4, '1"'),
        (120.04, '4 23/32" +0.007"'),
        (0.1, '0" +0.004"'),
        (-34.925, '-1 3/8"'),
        (6.35, '1/4"'),
    ],
)
def test_fractions_show_the_rest(mm: float, text: str) -> None:
    """The nearest 64th, reduced, and what is left in thousandths of an inch (worked by hand)."""
    assert format_fraction(mm) == text


@given(st.floats(-5000, 5000), st.sampled_from([16, 32, 64]))
def test_a_fraction_and_its_rest_are_the_length(mm: float, denominator: int) -> None:
    """Fraction plus rest gives the inches back to the rest's last figure."""
    text = format_fraction(mm, denominator)
    first, *rest = text.split('" ')
    inches = parse_length(first + ('"' if rest else "")).value / 25.4
    if rest:
        inches += math.copysign(1, mm) * float(rest[0].rstrip('"'))
    assert inches == pytest.approx(mm / 25.4, abs=0.00051)


@pytest.mark.parametrize(
    ("mm", "u95", "unit", "text"),
    [
        (8.0123, 0.0211, "mm", "8.012 ±0.022"),
        (120.0, 0.0004, "mm", "120.000 ±0.001"),
        (60.0, 0.0, "mm", "60.00"),
        (1234.56, 23.4, "mm", "1235 ±24"),
        (-0.001, 0.3, "mm", "0.00 ±0.30"),
        (120.04, 0.051, "inch", "4.7260 ±0.0021"),
        (48.05, None, "inch", "1.892"),
        (48.05, None, "mm", "48.05"),
    ],
)
def test_figures_follow_the_uncertainty(mm: float, u95: float | None, unit: str, text: str) -> None:
    """Two figures of U95, rounded up, never more decimals than it supports (JCGM 100:2008, 7.2.6)."""
    assert format_length(mm, u95, unit) == text


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("92.5", 92.5), ("92,5°", 92.5), ("45°30'", 45.5), ("-10 deg", -10.0), ("1.2 rad", 68.75493541569878)],
)
def test_typed_angles(text: str, degrees: float) -> None:
    """Degrees unless radians are named."""
    assert math.degrees(parse_angle(text)) == pytest.approx(degrees)


def test_what_is_not_an_angle_is_refused() -> None:
    """An angle needs a number."""
    with pytest.raises(InputError, match="is not an angle"):
        parse_angle("steep")


def test_fractions_on_a_drawing_are_short() -> None:
    """No noughts before the point and one inch sign: there is little room on a dimension line."""
    assert format_length(120.04, 0.051, "fraction", short=True) == '4 23/32" +.007 ±.003'
    assert format_length(34.925, 0.051, "fraction") == '1 3/8" ±0.003"'


def test_angles_for_people() -> None:
    """Degrees at the figures that U95 supports."""
    assert format_angle(math.pi / 2, math.radians(0.057)) == "90.000° ±0.057°"


@pytest.mark.parametrize(
    ("text", "inch", "fraction"),
    [
        ("up to 2.54 mm off (line 13)", "up to 0.100 in off (line 13)", 'up to 3/32" +0.006" off (line 13)'),
        ("12.700 ±0.127 mm", "12.700 / 25.4", '1/2" ±0.0050"'),
        ("5.08 to 25.40 mm", "0.200 in to 1.000 in", '13/64" -0.003" to 1"'),
        ("+0.0254 mm from it", "+0.0010 in from it", '+0.0010" from it'),
        ("'12 mm bolt' and 3 mm² or 4 mm/m", "same", "'12 mm bolt' and 3 mm² or 4 mm/m"),
        ("the seal's 25.4 mm", "the seal's 1.000 in", "the seal's 1\""),
    ],
)
def test_sentences_follow_the_unit(text: str, inch: str, fraction: str) -> None:
    """1 in = 25.4 mm exactly; what stands in quotes is a name and stays."""
    figures = {"12.700 / 25.4": "0.5000 ±0.0050 in", "0.200 in to 1.000 in": "0.200 to 1.000 in", "same": text}
    assert in_unit(text, "mm") == text
    assert in_unit(text, "inch") == figures.get(inch, inch)
    assert in_unit(text, "fraction") == fraction


def test_option_types() -> None:
    """The click types take what people type, and fail as options do."""
    assert LENGTH.convert('1/2"', None, None) == pytest.approx(12.7)
    assert LENGTH_WITH_LIMIT.convert("3±1", None, None).limit == 1.0
    assert ANGLE.convert("180", None, None) == pytest.approx(math.pi)
    with pytest.raises(click.BadParameter, match="only a size"):
        LENGTH.convert("3±1", None, None)
    with pytest.raises(click.BadParameter, match="not a length"):
        LENGTH.convert("three", None, None)
