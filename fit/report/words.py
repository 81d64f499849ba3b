"""Words for people: which values of a kind are sizes, what a budget word means, what to do about a warning."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from fit.feature import ANGLES, Feature
from fit.report.advice import Advice
from fit.report.advice_measuring import MEASURING
from fit.report.advice_workshop import WORKSHOP
from fit.units import format_angle, format_length

__all__ = [
    "ADVICE",
    "BUDGET",
    "CAUTIONS",
    "QUIET",
    "SIZES",
    "VALUE_WORDS",
    "Advice",
    "budget_entry",
    "feature_sizes",
    "size_text",
]

SIZES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "line": ("length",),
        "circle": ("x", "y", "diameter"),
        "arc": ("x", "y", "radius", "span"),
        "slot": ("x", "y", "length", "width"),
        "plane": (),
        "cylinder": ("diameter",),
        "cone": ("half_angle",),
        "sphere": ("x", "y", "z", "diameter"),
        "path": ("length", "smallest_radius"),
    }
)
"""Values worth showing, by kind; the last is the one whose budget is drawn."""

VALUE_WORDS = MappingProxyType({"smallest_radius": "smallest radius", "half_angle": "half angle", "span": "arc angle"})
"""Words of values whose key does not speak for itself."""
_EXACT = 1e-6

MAIN = MappingProxyType({"path": "length", "arc": "radius", "slot": "width"})
"""Value whose budget stands for a feature, where it is not the last of SIZES."""


def feature_sizes(feature: Feature) -> tuple[str, ...]:
    """Names of the values of a feature that people want to see."""
    return tuple(key for key in SIZES[feature.kind] if key in feature.order)


def size_text(feature: Feature, key: str, unit_out: str) -> str:
    """One value of a feature with its U95 in the reader's unit; what makes the datum stands at 0 by definition."""
    value = feature.value(key)
    if key in ("x", "y", "z") and value.u < _EXACT and abs(value.value) < _EXACT:
        return "0 (datum)"
    if key in ANGLES:
        return format_angle(value.value, value.u95)
    return format_length(value.value, value.u95, unit_out)


BUDGET: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "own": ("scatter of the points", "Take more points, a sharper photo or a cleaner edge."),
        "caliper": ("print scale", "Read the printed pattern's sides again with a better caliper, both ways."),
        "print": ("print scale", "Read the printed pattern's sides with a caliper and give --print-x and --print-y."),
        "height": (
            "height of the face",
            "Measure how high the face lies above the target and give --height with --height-u.",
        ),
        "thickness": ("thickness of the sheet", "Measure the sheet with a micrometer and give --thickness."),
        "focal": ("focal length", "Learn the lens once with `edgewright camera` and give --camera."),
        "lens": ("lens", "Learn the lens once with `edgewright camera` and give --camera."),
        "corners": ("corners of the target", "Use a sharper, closer photo with more of the target in it."),
        "target": ("flatness of the target", "Fix the print to something flat, such as glass or a straight board."),
        "edge": ("which rim is seen", "Shoot squarer to the face, deburr, and light it without a shadow at the edge."),
        "tip": ("tip of the arm", "Qualify the tip again and give its diameter with --tip and --tip-u."),
        "datum": ("datum features", "Take more points on the datum features, and spread them wider."),
        "rod": ("diameter of the rod", "Measure the rod with a micrometer and give --rod-diameter."),
        "noise": ("scatter of the points", "Take more points."),
        "tie": ("tie between stations", "Tie the stations by more balls, further apart and not in one line."),
        "cloud": ("cloud", "State the cloud's own uncertainty with --cloud-u."),
        "plane": ("plane it lies in", "Take more points on that plane, and spread them wider."),
        "wave": ("light along the edge", "Use softer light without glare or shadow along the edge."),
        "bend": ("bend radius", "Measure the die, or give the radius of each bend with --radius."),
        "feature": ("fit of the measured shape", "Take more points on that shape, or better spread ones."),
        "K": ("K of the bend", "Bend a coupon of the same sheet on the same tool and give --k coupon:NAME."),
        "leg": ("legs", "Measure the legs with a caliper and give their ±."),
        "angle": ("bend angles", "Measure the angles with a protractor and give their ±."),
        "radius": ("inside radius", "Measure the inside radius with a gauge and give its ±."),
    }
)
"""Budget word -> what it is, and what makes it smaller."""


def budget_entry(word: str) -> tuple[str, str]:
    """What a budget word is and what makes it smaller; ``tie 2`` or ``plane top_face`` keep their own name."""
    if word in BUDGET:
        return BUDGET[word]
    first, _, rest = word.partition(" ")
    known = BUDGET.get(first)
    return (f"{known[0]} ({rest})", known[1]) if known else (word, "")


ADVICE: Mapping[str, Advice] = MappingProxyType({**MEASURING, **WORKSHOP})
"""What to do about a warning, by its code."""

QUIET = frozenset(
    {
        "base-steady",
        "check-agrees",
        "corner-rounded",
        "kind-chosen",
        "names-alike",
        "plane-assumed",
        "print-corrected",
        "repeated-rows",
        "rested",
        "tip-qualified",
    }
)
"""Codes of notices that need no action where they say what was expected; pages show them last."""

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "always": "This is a measurement, not an approval. Brakes, steering, seat and belt anchorages, towing, "
        "battery mounting and body cutting need a qualified person and your local vehicle rules.",
        "cut": "Before drilling or cutting: what is behind it? Fuel, brake lines, cables, airbags, cells. "
        "Fresh-cut edges cut: deburr, wear gloves.",
        "bend": "Try the bend on a coupon of the same sheet first; edges and coupons are sharp. Spring steel, hardened "
        "and safety parts are not to be bent cold by these tables.",
        "rod": "Spring steel, hardened and safety parts are not to be bent cold by these figures.",
    }
)
"""Cautions at the page's end; seals and clearances bring theirs where they matter. Local codes and licensed practice go
before all of them."""
