"""How a sheet is used: paper way, scale, where the part goes and where the tables."""

from __future__ import annotations

from dataclasses import dataclass

from fit.drawing.frame import space_of
from fit.drawing.plan import Plan, marks_of, note_lines
from fit.drawing.rows import depth_of, overhang
from fit.drawing.tables import table_size

__all__ = ["NOTE_ROW", "SCALES", "Room", "best_room", "borders_of"]

SCALES = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.4, 0.2, 0.1, 0.05, 0.04, 0.02, 0.01)
"""ISO 5455, and 1:2.5 and 1:25 between its steps, where long parts would come out small."""
NOTE_ROW = 4.4
"""Height of a line of notes, mm."""

_BORDER = 8.0
"""Least room between the part and the edge of its own, mm."""


@dataclass(frozen=True, slots=True)
class Room:
    """A way to use the paper: sheet size, room for the part, room for tables beside or below it (None: own sheet)."""

    size: tuple[float, float]
    part: tuple[float, float, float, float]
    panel: tuple[float, float, float, float] | None
    scale: float


def best_room(plan: Plan, paper: tuple[float, float]) -> Room:
    """The paper way and table place that give the largest scale; upright and tables beside the part win ties."""
    sizes = [table_size(table) for table in plan.tables]
    wide, high = max((w for w, _ in sizes), default=0.0), sum(h + 5.0 for _, h in sizes)
    rooms = []
    for width, height in (paper, paper[::-1]):
        left, low, right, top = space_of(width, height)
        low += 3.0 + NOTE_ROW * len(note_lines(plan))
        if not sizes:
            rooms.append(_room(plan, (width, height), (left, low, right, top), None))
            continue
        if high <= top - low - 4:
            beside = (right - wide - 4, low, right, top)
            rooms.append(_room(plan, (width, height), (left, low, right - wide - 6, top), beside))
        if wide <= right - left - 4 and high < 0.5 * (top - low):
            below = (left + 3, low, right, low + high + 2)
            rooms.append(_room(plan, (width, height), (left, low + high + 4, right, top), below))
    if sizes and not any(room.scale >= 0.5 * _largest(plan, paper) for room in rooms):
        rooms = [_room(plan, size, _whole(plan, size), None) for size in (paper, paper[::-1])]
    return max(rooms, key=lambda room: room.scale)


def _whole(plan: Plan, size: tuple[float, float]) -> tuple[float, float, float, float]:
    left, low, right, top = space_of(*size)
    return left, low + 3.0 + NOTE_ROW * len(note_lines(plan)), right, top


def _largest(plan: Plan, paper: tuple[float, float]) -> float:
    return max(_room(plan, size, _whole(plan, size), None).scale for size in (paper, paper[::-1]))


def _room(
    plan: Plan,
    size: tuple[float, float],
    part: tuple[float, float, float, float],
    panel: tuple[float, float, float, float] | None,
) -> Room:
    scale = next((scale for scale in SCALES if _fits(plan, part, scale)), SCALES[-1])
    return Room(size, part, panel, scale)


def _fits(plan: Plan, part: tuple[float, float, float, float], scale: float) -> bool:
    x0, y0, x1, y1 = plan.box
    spare = part[2] - part[0] - (x1 - x0) * scale, part[3] - part[1] - (y1 - y0) * scale
    if min(spare) < 2 * _BORDER:
        return False
    left, low, right, top = borders_of(plan, scale)
    return left + right <= spare[0] and low + top <= spare[1]


def borders_of(plan: Plan, scale: float) -> tuple[float, float, float, float]:
    """Room for dimensions left, below, right and above the part, mm."""
    low = depth_of(*marks_of(plan, "x", scale, 0.0, 0.0))
    left = depth_of(*marks_of(plan, "y", scale, 0.0, 0.0))
    over = {item.axis: item for item in plan.drawing.over_all}
    words = 26.0 if plan.led else 0.0
    left = max(left, overhang(over["x"], scale) if "x" in over else 0.0)
    right = 15.0 if "y" in over else 4.0
    top = max(16.0 if "x" in over else 4.0, overhang(over["y"], scale) if "y" in over else 0.0)
    return max(left, _BORDER), max(low, _BORDER), max(right + 0.6 * words, _BORDER), max(top + 0.35 * words, _BORDER)
