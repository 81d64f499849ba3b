"""What a solved photo says of itself in words: how well its target fits together, and what would better the next shot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from fit.report.parts import ReportPart

__all__ = ["shot_lines", "shot_part"]

Cameras = Mapping[str, Any]
"""The record's ``camera`` entry: one photo's, or by photo."""


def shot_lines(camera: Cameras) -> list[str]:
    """Lines for a terminal: health of each photo's target, then what would make the next shots better, each told once."""
    lines: list[str] = []
    advice: dict[str, list[str]] = {}
    for name, one in _by_photo(camera):
        if "leave_one_out" in one:
            lines.append(f"target{_of(name)}: {_health(one)}")
        for line in one["advice"]:
            advice.setdefault(line, []).append(name)
    return lines + [f"next shot{_of(', '.join(names))}: {line}" for line, names in advice.items()]


def _of(names: str) -> str:
    return f" of {names}" if names else ""


def shot_part(camera: Cameras) -> ReportPart | None:
    """The same as a section of the report page; None where there is nothing to say."""
    rows = []
    for name, one in _by_photo(camera):
        if "leave_one_out" in one:
            rows.append((name, f"The target: {_health(one)}."))
        rows += [(name, line) for line in one["advice"]]
    if not rows:
        return None
    named = any(name for name, _ in rows)
    head = ("photo", "how well the target fits together, and what would make it better") if named else ()
    return ReportPart("The shot, and the next one", head=head, rows=rows if named else [row[1:] for row in rows])


def _health(one: Mapping[str, Any]) -> str:
    told = f"each part of it is predicted by the rest to {one['leave_one_out']:.3f} mm ({one['leave_one_out_worst']})"
    if "leave_one_out_at_part" not in one:
        return told
    worst = one["leave_one_out_at_part_worst"]
    return f"{told}; without the {worst}, the part's shape changes by {one['leave_one_out_at_part']:.3f} mm (leave-one-out)"


def _by_photo(camera: Cameras) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Names and records; no name where there is one photo."""
    if isinstance(camera.get("advice"), list):
        yield "", camera
    else:
        yield from camera.items()
