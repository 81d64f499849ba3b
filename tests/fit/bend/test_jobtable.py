"""Job tables give the same as the command line."""

from __future__ import annotations

import pytest

from fit.bend.command import BendOptions, finish
from fit.bend.jobtable import options_of_table
from fit.errors import InputError
from fit.rod.command import RodOptions
from fit.rod.command import finish as finish_rod

BEND = {"legs": [50, "30±0.1"], "angles": [90], "radius": 3, "thickness": 2.0, "k": "din", "width": 40}


def test_bend_table() -> None:
    options = options_of_table(BendOptions, BEND, "[bend]")
    assert (options.legs, options.angles, options.radius, options.width) == ("50,30±0.1", "90", "3", 40.0)
    typed = finish(BendOptions(legs="50,30±0.1", angles="90", radius="3", thickness="2", k="din", width=40))
    assert finish(options).results.tables == typed.results.tables


def test_rod_table() -> None:
    table = {"rod_diameter": 8, "radius": 24, "schedule": "76:0:90; 32:90:90; 36", "coupon": "90:86.5"}
    done = finish_rod(options_of_table(RodOptions, table, "[rod]"))
    assert done.results.tables["rod"]["cut_length"]["value"] == pytest.approx(76 + 32 + 36 + 2 * 24 * 3.14159265 / 2)


BAD = {
    "unknown key": ({**BEND, "thicknes": 2}, "thickness"),
    "far key": ({**BEND, "zzz": 2}, "known are"),
    "text for a number": ({**BEND, "width": "wide"}, "width"),
    "true for a length": ({**BEND, "radius": True}, "radius"),
    "table in a list": ({**BEND, "legs": [{"a": 1}]}, "legs"),
    "number for a flag": ({**BEND, "outline": 1}, "outline"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_tables(case: str) -> None:
    table, told = BAD[case]
    with pytest.raises(InputError, match=told):
        options_of_table(BendOptions, table, "[bend]")


def test_missing_key() -> None:
    with pytest.raises(InputError, match="rod_diameter"):
        options_of_table(RodOptions, {"radius": 3}, "[rod]")
