"""Will it bend: minimum radius, legs long enough, holes clear of bends, reliefs, curved flanges."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from fit.bend.flat import FlatBlank
from fit.bend.tables import LeastRadius, least_radii, limit
from fit.errors import InputError
from fit.results import Notice

__all__ = [
    "CurvedFlange",
    "Relief",
    "check_holes",
    "check_legs",
    "check_radius",
    "curved_flange",
    "relief_of",
]


@dataclass(frozen=True, slots=True)
class Relief:
    """Sizes that a bend's end or a corner needs, mm."""

    width: float
    depth: float
    corner_hole: float


def relief_of(radius: float, thickness: float, kerf: float = 0.0) -> Relief:
    """Relief at the end of a bend: width ≥ T (and kerf), depth ≥ T + R; corner hole ≥ 2 R, from 3.2 or 4.8 mm up.

    All mm. Sources: depth: sheet-metal design rules page; width: common practice, no source; hole: FAA-H-8083-31A,
    chapter 4 (1/8 in to 0.064 in sheet, 3/16 in above).
    """
    if not (math.isfinite(thickness) and thickness > 0 and math.isfinite(radius) and radius >= 0):
        message = (
            f"A relief needs a thickness above 0 mm and a radius of 0 mm or more; got {thickness:g} and {radius:g}."
        )
        raise InputError(message)
    least = 3.175 if thickness <= 0.064 * 25.4 else 4.7625
    return Relief(max(thickness, kerf), thickness + radius, max(2 * radius, least))


def check_radius(blank: FlatBlank, material: str, grain: str) -> list[Notice]:
    """Warnings where a bend is tighter than a published minimum for the material.

    grain: 'across' (bend line across the rolling direction), 'along' or 'unknown'. Along the grain the DIN table asks for
    its next row; for other tables that step is common practice, 1.5 times.
    """
    thickness = blank.part.thickness.value
    rows = least_radii(material, thickness)
    if grain == "along":
        rows = [_along(row, material, thickness) for row in rows]
    if not rows:
        text = f"No minimum radius is known for '{material}' at {thickness:g} mm; bend a coupon first."
        return [Notice("min-radius-unknown", text)]
    radii = _radii(blank)
    groups = {radius: [i for i, other in enumerate(radii, 1) if other == radius] for radius in radii}
    notices = [notice for radius, bends in groups.items() if (notice := _tight(bends, radius, rows, material))]
    if grain == "unknown":
        text = "The rolling direction is not given; bends along it crack sooner. Lay bend lines across the grain."
        notices.append(Notice("grain-unknown", text))
    return notices


def _along(row: LeastRadius, material: str, thickness: float) -> LeastRadius:
    if row.radius is None:
        return row
    if row.source.startswith("DIN"):
        thicker = [item for item in least_radii(material, _next_row(thickness)) if item.source.startswith("DIN")]
        if thicker and thicker[0].radius is not None:
            return LeastRadius(thicker[0].radius, f"{row.source}; along the grain: next row")
    return LeastRadius(1.5 * row.radius, f"{row.source}; along the grain × 1.5 (common practice, no source)")


def _next_row(thickness: float) -> float:
    """A thickness in the next row of the DIN table."""
    uppers = (1, 1.5, 2.5, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20)
    return next((later for upper, later in itertools.pairwise(uppers) if thickness <= upper), thickness)


def _radii(blank: FlatBlank) -> list[float]:
    radius = [item.value for item in blank.part.radius]
    return radius * len(blank.part.angles) if len(radius) == 1 else radius


def _tight(bends: list[int], radius: float, rows: list[LeastRadius], material: str) -> Notice | None:
    """The warning for bends of one radius; tables that disagree are all told."""
    broken = [row for row in rows if row.radius is None or radius < row.radius - 1e-9]
    if not broken:
        return None
    told = "; ".join(
        f"{'not recommended' if row.radius is None else f'{row.radius:.2f} mm'} ({row.source})" for row in rows
    )
    which = f"{'bend' if len(bends) == 1 else 'bends'} {', '.join(map(str, bends))}"
    text = f"Inside radius {radius:g} mm is below a published minimum for {material}: {told}. Bend a coupon."
    return Notice("min-radius", text, which)


def check_legs(blank: FlatBlank) -> list[Notice]:
    """Warnings for legs too short to fold in a V die: outside leg below 4 T (common practice, no source)."""
    times, source = limit("flange_in_v_die")
    least = times * blank.part.thickness.value
    setbacks = [0.0, *blank.setback, 0.0]
    notices = []
    for i, flat in enumerate(blank.flats):
        outside = float(flat) + setbacks[i] + setbacks[i + 1]
        if outside < least:
            text = f"Leg {i + 1} ({outside:.2f} mm) is below {times:g} T = {least:.2f} mm, which a V die can hold ({source})."
            notices.append(Notice("leg-short", text, f"leg {i + 1}"))
    return notices


def check_holes(blank: FlatBlank, edges: list[tuple[str, float, float, str]]) -> list[Notice]:
    """Warnings for holes too near a bend.

    edges : (name, nearest edge and farthest edge of the hole along the blank, mm, 'hole' or 'slot'). Least distance from
    a bend's start: 2 T + R for holes, 2.5 T + R for slots (common practice, no source).
    """
    notices = []
    thickness = blank.part.thickness.value
    for name, low, high, kind in edges:
        times, source = limit("slot_to_bend" if kind == "slot" else "hole_to_bend")
        for i, (radius, line) in enumerate(zip(_radii(blank), blank.lines, strict=True), 1):
            gap = max(float(line[0]) - high, low - float(line[2]))
            least = times * thickness + radius
            if gap < least:
                text = f"{name} lies {gap:.2f} mm from bend {i}; below {times:g} T + R = {least:.2f} mm it is pulled out of round"
                notices.append(Notice("hole-near-bend", f"{text} ({source}).", name))
    return notices


@dataclass(frozen=True, slots=True)
class CurvedFlange:
    """Strain at the free edge of a flange on a curved bend line: positive stretches, negative shrinks."""

    strain: float
    words: str


def curved_flange(line_radius: float, width: float, outward: bool, material: str, thickness: float) -> CurvedFlange:
    """What a 90° flange on a curved edge does to the metal; it has no exact flat.

    strain of the free edge = ± width / R of the bend line: a flange on an inner (hole) edge, folded away from its centre
    of curvature, starts from a ring of radius R − width and is stretched to R; on an outer edge it starts from R + width
    and shrinks. strain = (R − start)/start. mm. Source: geometry of rings that keep their width.
    """
    for what, value in (("bend line's radius", line_radius), ("flange width", width), ("thickness", thickness)):
        if not (math.isfinite(value) and value > 0):
            message = f"The {what} must be above 0 mm; got {value:g}."
            raise InputError(message)
    if not outward and width >= line_radius:
        message = f"A stretched flange {width:g} mm wide does not fit inside a bend line of radius {line_radius:g} mm."
        raise InputError(message)
    start = line_radius + width if outward else line_radius - width
    strain = line_radius / start - 1
    return CurvedFlange(strain, _curved_words(strain, line_radius, material, thickness))


def _curved_words(strain: float, radius: float, material: str, thickness: float) -> str:
    does = f"stretches its free edge by {strain:.0%}" if strain > 0 else f"shrinks its free edge by {-strain:.0%}"
    metal = "stainless" if material.startswith(("stainless", "304", "302")) else ""
    metal = metal or ("steel" if "steel" in material else "aluminium")
    most, source = limit(f"hand_{metal}_thickness")
    least, _ = limit("hand_radius")
    reasons = []
    if thickness > most:
        reasons.append(f"{metal} above {most:g} mm")
    if radius < least:
        reasons.append(f"a radius below {least:g} mm")
    verdict = (
        f"beyond hand shrinker and stretcher ({' and '.join(reasons)}; {source})" if reasons else "within hand tools"
    )
    return f"The flange {does}; it cannot be unfolded exactly: {verdict}. Leave width to trim, and make a test piece."
