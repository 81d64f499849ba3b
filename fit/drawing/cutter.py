"""What a cutter can and cannot make of a drawing: smallest hole, slot, web and inside corner."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fit.drawing.model import Arc, Circle, Entity, Line, Polyline
from fit.units import format_length

__all__ = ["KERF", "cutter_notes", "inside_corners"]

HOLE_OVER_THICKNESS = {"laser": 1.0, "plasma": 1.5}
"""Smallest hole over sheet thickness: laser from published cutting rules, plasma from a published process table."""
KERF = {"laser": (0.2, 0.2), "plasma": (1.5, 3.5)}
"""Width of cut in mm, smallest and largest: same sources. The cutter allows for it; the drawing is nominal."""


_SHARP = math.radians(10.0)


def cutter_notes(entities: Sequence[Entity], unit_out: str = "mm") -> list[str]:
    """Sentences on the smallest openings and inside corners of layer cut; none where nothing is to be cut."""
    cut = [entity for entity in entities if entity.layer == "cut"]
    if not cut:
        return []
    notes = ["The cutting file is drawn at nominal size in mm: the cutter allows for the width of the cut, once."]
    openings = [width for entity in cut if (width := _opening(entity)) is not None]
    if openings:
        least_opening = min(openings)
        laser, plasma = (least_opening / HOLE_OVER_THICKNESS[way] for way in ("laser", "plasma"))
        notes.append(
            f"Smallest hole or slot {_say(least_opening, unit_out)}: for laser up to {_say(laser, unit_out)} sheet, "
            f"for plasma up to {_say(plasma, unit_out)} sheet; in thicker sheet mark it for drilling."
        )
        if least_opening <= KERF["plasma"][1] + 1.0:
            notes.append(
                "Plasma cuts 1.5 to 3.5 mm wide and is off by 1 mm or so: do not plasma-cut this hole, drill it."
            )
    sharp, least_radius = inside_corners(cut)
    if math.isfinite(least_radius):
        least, bit = _say(least_radius, unit_out), _say(2 * least_radius, unit_out)
        notes.append(f"Smallest inside radius {least}: the largest router bit is {bit}.")
    if sharp:
        corners = f"{sharp} sharp inside corner{'s' * (sharp > 1)}"
        notes.append(f"{corners}: a router leaves its bit's radius there; add a dog-bone or file it.")
    return notes


def _say(mm: float, unit_out: str) -> str:
    return format_length(mm, None, unit_out, with_unit=unit_out != "fraction")


def _opening(entity: Entity) -> float | None:
    """Width of a hole or slot, None for other shapes."""
    if isinstance(entity, Circle):
        return 2.0 * entity.radius
    if not isinstance(entity, Polyline):
        return None
    pieces = entity.pieces()
    halves = [piece.radius for piece in pieces if isinstance(piece, Arc) and abs(abs(piece.span) - math.pi) < 0.02]
    return 2.0 * min(halves) if len(pieces) == 4 and len(halves) == 2 else None


def inside_corners(entities: Sequence[Entity]) -> tuple[int, float]:
    """Number of sharp inside corners of the outline and its openings, and the smallest inside radius (inf: none)."""
    chains = sorted((e for e in entities if isinstance(e, Polyline) and e.closed), key=lambda c: -abs(_area(c)))
    least = min((e.radius for e in entities if isinstance(e, Circle)), default=math.inf)
    found = [_hollows(chain, is_outline=i == 0) for i, chain in enumerate(chains)]
    return sum(sharp for sharp, _ in found), min((least, *(radius for _, radius in found)))


def _hollows(chain: Polyline, is_outline: bool) -> tuple[int, float]:
    """Sharp corners of a chain that point into the material, and its smallest radius that does."""
    turn = math.copysign(1.0, _area(chain)) * (1.0 if is_outline else -1.0)
    pieces = chain.pieces()
    bends = [
        math.remainder(_heading(following, 0.0) - _heading(piece, 1.0), 2 * math.pi)
        for piece, following in zip(pieces, [*pieces[1:], pieces[0]], strict=True)
    ]
    radii = [piece.radius for piece in pieces if isinstance(piece, Arc) and piece.span * turn < 0]
    return sum(bend * turn < -_SHARP for bend in bends), min(radii, default=math.inf)


def _area(chain: Polyline) -> float:
    """Signed area: chords by the shoelace formula, and the segments of circles that bulges add."""
    total = 0.0
    for piece in chain.pieces():
        if isinstance(piece, Line):
            total += (piece.x1 * piece.y2 - piece.x2 * piece.y1) / 2
            continue
        (x1, y1), (x2, y2) = (_on(piece, part) for part in (0.0, 1.0))
        total += (x1 * y2 - x2 * y1) / 2 + piece.radius**2 * (piece.span - math.sin(piece.span)) / 2
    return total


def _on(arc: Arc, part: float) -> tuple[float, float]:
    angle = arc.start + part * arc.span
    return arc.x + arc.radius * math.cos(angle), arc.y + arc.radius * math.sin(angle)


def _heading(piece: Line | Arc, part: float) -> float:
    if isinstance(piece, Line):
        return math.atan2(piece.y2 - piece.y1, piece.x2 - piece.x1)
    return piece.start + part * piece.span + math.copysign(math.pi / 2, piece.span)
