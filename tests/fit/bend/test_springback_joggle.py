"""Springback, joggles, minimum radii, gauges and reliefs against published figures."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest

from fit.bend import elastic_ratio, joggle, springback_factor, tool_angle
from fit.bend.checks import curved_flange, relief_of
from fit.bend.tables import gauge_thickness, k_choices, least_radii

REFERENCES = Path(__file__).parents[2] / "references"
CHECKS = {item["name"]: item for item in json.loads((REFERENCES / "sheet_metal_checks.json").read_text())["items"]}


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize(
    "example", CHECKS["springback, elastic-perfectly plastic"]["examples"], ids=lambda e: f"R{e['Ri']}"
)
def test_elastic_plastic_springback(example: dict) -> None:
    """Gardiner 1957; first example printed in Kalpakjian & Schmid (from memory): 0.529 in."""
    ratio = elastic_ratio(example["Ri"], example["T"], example["Y"], example["E"])
    assert ratio == pytest.approx(example["ratio"], abs=1e-9)
    assert example["Ri"] / ratio == pytest.approx(example["Rf"], abs=1e-7)
    if "printed_Rf" in example:
        assert round(example["Ri"] / ratio, 3) == example["printed_Rf"]


@pytest.mark.parametrize("row", rows_of("springback_factor_kR.csv"), ids=lambda r: r["material"])
def test_springback_table(row: dict[str, str]) -> None:
    """Tabellenbuch Metall, every printed cell (values confirmed, heads from memory)."""
    for head, value in row.items():
        if head != "material" and value:
            ratio = float(head.removeprefix("r2_over_s_"))
            assert springback_factor(row["material"], ratio * 1.5, 1.5)[0] == pytest.approx(float(value), abs=1e-9)


def test_over_bend() -> None:
    assert math.degrees(tool_angle(math.radians(90), 0.9)) == pytest.approx(100.0)


@pytest.mark.parametrize(
    "example", CHECKS["joggle (offset) developed length"]["examples"], ids=lambda e: f"D{e['offset']}"
)
def test_joggles(example: dict) -> None:
    """Geometry of two equal and opposite bends (recomputed)."""
    sheet = (example["inside_radius"], example["T"], example["K"])
    made = joggle(example["offset"], *sheet, angle=math.radians(example["angle_deg"]))
    assert made.straight == pytest.approx(example["slope_straight"], abs=1e-9)
    assert made.run == pytest.approx(example["run"], abs=1e-9)
    assert made.developed == pytest.approx(example["developed"], abs=1e-9)
    again = joggle(example["offset"], *sheet, run=example["run"])
    assert math.degrees(again.angle) == pytest.approx(example["angle_deg"], abs=1e-5)


def test_shortest_joggle() -> None:
    example = CHECKS["joggle (offset) developed length"]["examples"][0]
    made = joggle(2.0, 3.0, 1.0, 0.45)
    assert math.degrees(made.angle) == pytest.approx(example["angle_deg"], abs=1e-9)


@pytest.mark.parametrize("row", rows_of("aluminium_min_bend_radius.csv"), ids=lambda r: f"{r['alloy']}-{r['temper']}")
def test_aluminium_minimum_radii(row: dict[str, str]) -> None:
    """Aluminum Association, Aluminum Design Manual, January 2005, table 3-1: every cell at its own thickness."""
    for head, value in row.items():
        if head.startswith("t_"):
            top, bottom = head.removeprefix("t_").removesuffix("in").split("_")
            thickness = 25.4 * float(top) / float(bottom)
            radii = [r for r in least_radii(f"{row['alloy']}-{row['temper']}", thickness) if "Aluminum" in r.source]
            assert radii[0].radius == pytest.approx(float(value) * thickness)


@pytest.mark.parametrize("row", rows_of("din6935_min_radius_steel.csv"), ids=lambda r: f"s{r['s_to_mm']}")
def test_steel_minimum_radii(row: dict[str, str]) -> None:
    """DIN 6935:1975-10 table: all rows and columns."""
    for tensile, column in (("340", "Rm_to_390"), ("450", "Rm_390_490"), ("600", "Rm_490_640")):
        radii = [r for r in least_radii(f"steel {tensile}", float(row["s_to_mm"])) if "DIN" in r.source]
        assert radii[0].radius == float(row[column])


def test_sources_that_disagree_are_all_given() -> None:
    """6061-T6 at 1.6 mm: 1.5 T in one table, another figure in the inch page; neither is a default."""
    radii = least_radii("6061-T6", 1.6)
    assert len(radii) == 2
    assert radii[0].radius == pytest.approx(2.4)
    assert radii[1].radius == pytest.approx(0.188 * 25.4)


def test_stainless_not_recommended_when_thick() -> None:
    """Inch page: 304 at 0.125 in is marked as not recommended."""
    assert next(r.radius for r in least_radii("304", 3.175)) is None


@pytest.mark.parametrize("row", rows_of("sheet_gauges.csv"), ids=lambda r: r["gauge"])
def test_gauges(row: dict[str, str]) -> None:
    """Gauge tables: each metal has its own (stored tables, recomputed by rule)."""
    columns = {"steel": "steel_msg_in", "aluminium": "aluminium_bs_in", "stainless": "stainless_uss_in"}
    for metal, column in columns.items():
        assert gauge_thickness(row["gauge"], metal) == pytest.approx(float(row[column]) * 25.4)
    by_rule = 0.005 * 92 ** ((36 - int(row["gauge"])) / 39)  # Brown & Sharpe
    assert gauge_thickness(row["gauge"], "aluminium") == pytest.approx(by_rule * 25.4, abs=0.0013)


def test_reliefs() -> None:
    """FAA-H-8083-31A chapter 4: corner hole twice the radius, at least 1/8 in up to 0.064 in sheet, else 3/16 in."""
    assert relief_of(3.0, 1.5).corner_hole == 6.0
    assert relief_of(0.5, 1.5).corner_hole == pytest.approx(25.4 / 8)
    assert relief_of(0.5, 2.5).corner_hole == pytest.approx(25.4 * 3 / 16)
    assert relief_of(2.0, 1.5).depth == 3.5  # T + R


def test_k_choices_differ_for_one_metal() -> None:
    """Machinery's Handbook as tabulated 0.45, shop rule 0.43, handbook form 0.452 for cold-rolled steel at 1.5 mm."""
    assert sorted(choice.k for choice in k_choices("cold-rolled steel", 1.5)) == [0.43, 0.45, 0.452]


def test_curved_flanges_state_strain() -> None:
    """Rings that keep their width: 10 mm on a 100 mm hole stretches 1/9, on a 100 mm outer edge shrinks 1/11."""
    assert curved_flange(100, 10, False, "steel", 1.0).strain == pytest.approx(1 / 9)
    assert curved_flange(100, 10, True, "steel", 1.0).strain == pytest.approx(-1 / 11)
    assert "beyond hand" in curved_flange(60, 10, True, "steel", 1.0).words
    assert "within hand" in curved_flange(100, 10, True, "steel", 1.0).words
