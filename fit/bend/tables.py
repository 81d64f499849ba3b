"""The shipped values, each row with its source; nothing is chosen silently where rows disagree."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = [
    "KChoice",
    "LeastRadius",
    "gauge_thickness",
    "k_choices",
    "least_radii",
    "limit",
    "materials",
    "springback_row",
]

MM = 25.4


@cache
def _rows(name: str) -> tuple[Mapping[str, str], ...]:
    text = files("fit.bend").joinpath("data", name).read_text(encoding="utf-8").splitlines()
    return tuple(csv.DictReader(line for line in text if not line.startswith("#")))


@dataclass(frozen=True, slots=True)
class KChoice:
    """One published K-factor: value, limits, the rule's word for --k, source and status."""

    rule: str
    k: float
    low: float
    high: float
    source: str


def materials() -> list[str]:
    """Names that have a K-factor."""
    return sorted({row["material"] for row in _rows("k_factors.csv")})


def k_choices(material: str, thickness: float) -> list[KChoice]:
    """Published K-factors of a material at a thickness in mm; empty where none covers it."""
    rows = [row for row in _rows("k_factors.csv") if row["material"] == material]
    if not rows:
        message = f"No K-factor is known for '{material}'; known: {', '.join(materials())}. Or bend a coupon."
        raise InputError(message)
    return [
        KChoice(
            row["rule"],
            float(row["k"]),
            float(row["k_low"]),
            float(row["k_high"]),
            f"{row['source']} ({row['status']})",
        )
        for row in rows
        if float(row["thickness_low_mm"]) - 1e-9 <= thickness <= float(row["thickness_high_mm"]) + 1e-9
    ]


@dataclass(frozen=True, slots=True)
class LeastRadius:
    """A published minimum inside radius in mm (None: not recommended) and its source."""

    radius: float | None
    source: str


def least_radii(material: str, thickness: float) -> list[LeastRadius]:
    """Every published minimum radius for a material such as ``5052-H32``, ``steel 340`` (tensile, N/mm²) or ``304``.

    thickness mm; tables are read at the next thicker column. Empty where no table covers it.
    """
    found = [_aluminium(material, thickness), _inch_page(material, thickness), _din_steel(material, thickness)]
    found.append(_shop_rule(material, thickness))
    return [item for item in found if item]


def _aluminium(material: str, thickness: float) -> LeastRadius | None:
    alloy, _, temper = material.partition("-")
    heads = {"t_1_64in": 1, "t_1_32in": 2, "t_1_16in": 4, "t_1_8in": 8, "t_3_16in": 12, "t_1_4in": 16}
    heads |= {"t_3_8in": 24, "t_1_2in": 32}
    for row in _rows("aluminium_min_bend_radius.csv"):
        if (row["alloy"], row["temper"]) == (alloy, temper):
            # Sheet is sold by rounded metric sizes: 1.6 mm is the 1/16 in column, 0.8 mm the 1/32 in one.
            column = next((head for head, n in heads.items() if thickness <= n * MM / 64 * 1.02), None)
            if column:
                return LeastRadius(float(row[column]) * thickness, "Aluminum Association, table 3-1, January 2005")
    return None


_INCH_NAMES = {
    "6061-T6": "AL6061_T6",
    "5052-H32": "AL5052_H32",
    "5052-H34": "AL5052_H34_6061_T4_2024_O",
    "6061-T4": "AL5052_H34_6061_T4_2024_O",
    "2024-O": "AL5052_H34_6061_T4_2024_O",
    "3003-O": "AL3003_O_1100_O_6061_O_5052_O",
    "2024-T3": "AL2024_T3",
    "mild steel": "steel_1020_1025_4130_annealed",
    "4130 annealed": "steel_1020_1025_4130_annealed",
    "4130 normalised": "steel_4130_normalised",
    "304": "stainless_304",
    "302": "stainless_302",
}


def _inch_page(material: str, thickness: float) -> LeastRadius | None:
    column = _INCH_NAMES.get(material)
    rows = _rows("min_bend_radius_inch.csv")
    row = next((row for row in rows if thickness <= float(row["thickness_in"]) * MM * 1.02), None)
    if not column or not row:
        return None
    text = row[column]
    source = "public sheet-metal design-book page after the American Iron and Steel Institute (one copy)"
    return LeastRadius(None if text == "NR" else float(text) * MM, source)


def _din_steel(material: str, thickness: float) -> LeastRadius | None:
    name, _, strength = material.partition(" ")
    if name != "steel" or not strength.isdigit():
        return None
    tensile = int(strength)
    if tensile > 640:
        message = f"'{material}': the table of DIN 6935 ends at a tensile strength of 640 N/mm²; bend a coupon."
        raise CannotDetermine(message)
    column = "Rm_to_390" if tensile <= 390 else "Rm_390_490" if tensile <= 490 else "Rm_490_640"
    for row in _rows("din6935_min_radius_steel.csv"):
        if float(row["s_over_mm"]) < thickness <= float(row["s_to_mm"]):
            source = "DIN 6935:1975-10 table, across the rolling direction, bends up to 120°"
            return LeastRadius(float(row[column]), source)
    return None


def _shop_rule(material: str, thickness: float) -> LeastRadius | None:
    rules = {"mild steel": (1.0, "laser-shop page: 1 T"), "304": (1.25, "laser-shop page: 1.25 T, coupon required")}
    if material not in rules:
        return None
    times, source = rules[material]
    return LeastRadius(times * thickness, source)


def springback_row(material: str) -> tuple[FloatArray, FloatArray]:
    """R/T columns and factors kR of one material."""
    rows = {row["material"]: row for row in _rows("springback_factor_kR.csv")}
    if material not in rows:
        message = f"No springback factor is known for '{material}'; known: {', '.join(rows)}. Or bend a coupon."
        raise InputError(message)
    pairs = [
        (float(head[len("r2_over_s_") :]), float(v)) for head, v in rows[material].items() if head != "material" and v
    ]
    ratios, factors = zip(*pairs, strict=True)
    return np.array(ratios), np.array(factors)


def gauge_thickness(gauge: str, metal: str) -> float:
    """Thickness in mm of a sheet gauge; metal is steel, galvanized, aluminium or stainless (they differ)."""
    columns = {
        "steel": "steel_msg_in",
        "galvanized": "galvanized_in",
        "aluminium": "aluminium_bs_in",
        "stainless": "stainless_uss_in",
    }
    if metal not in columns:
        message = f"A gauge means another thickness for each metal; give one of {', '.join(columns)}, not '{metal}'."
        raise InputError(message)
    for row in _rows("sheet_gauges.csv"):
        if row["gauge"] == gauge and row[columns[metal]]:
            return float(row[columns[metal]]) * MM
    message = f"Gauge '{gauge}' is not in the table for {metal}; it holds 3 to 30."
    raise InputError(message)


def limit(name: str) -> tuple[float, str]:
    """A rule of thumb's figure and its source."""
    row = next(row for row in _rows("limits.csv") if row["name"] == name)
    return float(row["value"]), row["source"]
