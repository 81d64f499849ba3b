"""Words for people: which values of a kind are sizes, what a budget word means, what to do about a warning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from fit.feature import ANGLES, Feature
from fit.units import format_angle, format_length

__all__ = ["ADVICE", "BUDGET", "CAUTIONS", "SIZES", "Advice", "feature_sizes", "size_text"]

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

MAIN = MappingProxyType({"path": "length", "arc": "radius", "slot": "width"})
"""Value whose budget stands for a feature, where it is not the last of SIZES."""


def feature_sizes(feature: Feature) -> tuple[str, ...]:
    """Names of the values of a feature that people want to see."""
    return tuple(key for key in SIZES[feature.kind] if key in feature.order)


def size_text(feature: Feature, key: str, unit_out: str) -> str:
    """One value of a feature with its U95 in the reader's unit."""
    value = feature.value(key)
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
    }
)
"""Budget word -> what it is, and what makes it smaller."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What lies behind a warning, how to see whether it is so, and what to do."""

    cause: str
    see: str
    do: str


ADVICE: Mapping[str, Advice] = MappingProxyType(
    {
        "outside-target": Advice(
            "The feature lies outside the area that the printed target covers, where small errors grow fast.",
            "Look at the marked photo: the feature is beyond the outermost printed corners.",
            "Move the target or add strips so that they surround the feature, and shoot again.",
        ),
        "height-unknown": Advice(
            "How high the face lies above the target was not given: at 800 mm, 3 mm nearer looks 0.4 % larger.",
            "Lay a straight edge on the face and measure down to the print.",
            "Give --height (and --height-u), or bring the target up to the face.",
        ),
        "thickness-unknown": Advice(
            "How thick the sheet is was not given, so the rim seen in a hole may be the lower one.",
            "In the marked photo a hole shows two rims when seen from the side.",
            "Give --thickness, or shoot square from above.",
        ),
        "gap": Advice(
            "Part of the edge was not seen or touched, and was bridged.",
            "The marked photo or the picture of the points shows the gap.",
            "If the edge bends or steps there, measure it again with that part in view.",
        ),
        "short-arc": Advice(
            "Only a small part of the circle is seen, so many radii fit nearly as well.",
            "The ± of the radius is large, and the arc spans only a few tens of degrees.",
            "Mark or touch more of the curve, or check it with a radius gauge.",
        ),
        "two-edges": Advice(
            "Two edges run close together here: metal and its shadow, wall or far rim, a glare line or a paint step.",
            "Look at the enlarged edge in the marked photo.",
            "Change the light, shoot squarer, or say which edge is meant; then measure again.",
        ),
        "low-contrast": Advice(
            "The part and what lies behind it are nearly equally bright at this edge.",
            "In the marked photo the edge can hardly be told from its ground.",
            "Put white or black paper behind the part, dust the edge with chalk, or light it from the side.",
        ),
        "print-unknown": Advice(
            "No caliper reading of the printed pattern was given; printers are off by some tenths of a percent.",
            "Hold a caliper over the pattern's outer sides and compare with what the sheet says.",
            "Give --print-x and --print-y; the ± of every size shrinks at once.",
        ),
        "print-corrected": Advice(
            "The print is not at 100 %. All sizes were corrected with the caliper readings.",
            "The readings differ from the nominal sides printed on the sheet.",
            "Nothing needs doing if the readings are right; else print at 100 % and read both sides again.",
        ),
        "target-bent": Advice(
            "The printed target does not lie flat.",
            "Lay a straight edge over the sheet, or look along it.",
            "Fix it to something flat, such as glass or a straight board, and shoot again.",
        ),
        "stray-touch": Advice(
            "One or more touches lie far from the shape that all others agree on, and were left out.",
            "The residual plot shows them as crosses.",
            "Check whether the tip slipped or the wrong place was touched; touch again if the rest is few.",
        ),
        "tip-side": Advice(
            "It is not certain on which side of the surface the tip stood, so its radius may be added the wrong way.",
            "Compare one size with a caliper: it is wrong by a whole tip diameter if the side is wrong.",
            "Give --side, record directions i j k, or touch a ball or block of known size.",
        ),
        "base-moved": Advice(
            "The arm's base or the part moved while measuring: the closing points do not repeat the first ones.",
            "Closing touches differ from their first touches by more than the arm's own scatter.",
            "Clamp the base and the part, and measure the points after the move again.",
        ),
        "undecided": Advice(
            "The data cannot tell between two answers.",
            "Both candidates are named in the warning, with how well each fits.",
            "Add points where the two differ most, or say which one is meant.",
        ),
        "not-planar": Advice(
            "The points do not lie in one plane as closely as their noise allows.",
            "The plane's flatness is larger than the scatter of its points.",
            "Check for burrs and stray touches, or measure the faces one by one.",
        ),
        "cloud-u-unknown": Advice(
            "The uncertainty of the cloud is not known, so no ± can be stated for the gap.",
            "The file has no error columns and --cloud-u was not given.",
            "Give --cloud-u, or use the points.npz of a measurement.",
        ),
        "unit-assumed": Advice(
            "The file does not say its unit; mm was taken.",
            "Compare one known length with the result: inches are off by 25.4.",
            "Give --unit, or write the unit into the file.",
        ),
    }
)
"""What to do about a warning, by its code."""

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "always": "This is a measurement, not an approval. Brakes, steering, seat and belt anchorages, towing, "
        "battery mounting and body cutting need a qualified person and your local vehicle rules.",
        "cut": "Before drilling or cutting: what is behind it? Fuel, brake lines, cables, airbags, cells. "
        "Fresh-cut edges cut: deburr, wear gloves.",
        "bend": "Try the bend on a coupon of the same sheet first; edges and coupons are sharp. Spring steel, hardened "
        "and safety parts are not to be bent cold by these tables.",
        "rod": "Spring steel, hardened and safety parts are not to be bent cold by these figures.",
        "seal": "Test-fit by hand, never by latch force. A seal that keeps fumes or water from cells or people needs "
        "its own proof.",
        "clear": "Test-fit with soft blocks and by hand, never by latch force or engine start. A gap shown here says "
        "nothing about electrical insulation: isolate, lock, wait and prove dead before hands or tools go near orange "
        "cables.",
    }
)
"""Cautions by the step where they matter; local codes and licensed practice go before all of them."""
