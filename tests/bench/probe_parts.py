"""Parts whose touches are laid out by name, written as lists in any layout, for the variants of probe_variants.py."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from probe_world import Array, _turn

from capture.arm.probing import Measured

Check = tuple[str, float, float]
"""What is judged, its error and its U95."""


@dataclass
class Part:
    """Touches of a part in its own frame, face z = 0, kept by name as tip centres and i j k."""

    rng: np.random.Generator
    tip: float
    noise: float
    rows: list[tuple[str, Array, Array]] = field(default_factory=list)

    def add(self, name: str, surface: Array, outward: Array) -> None:
        count = len(surface)
        centres = surface + self.tip / 2 * outward + self.rng.normal(0, self.noise, (count, 3))
        lean = outward + self.rng.normal(0, math.radians(1.5), (count, 3))
        self.rows.append((name, centres, lean / np.linalg.norm(lean, axis=1, keepdims=True)))

    def face(self, name: str, size: float, count: int, height: float = 0.0) -> None:
        spots = np.column_stack([self.rng.uniform(-size, size, (count, 2)), np.full(count, height)])
        self.add(name, spots, np.tile([0.0, 0.0, 1.0], (count, 1)))

    def hole(self, name: str, at: Array, radius: float, count: int, depth: tuple[float, float] = (0.3, 0.9)) -> None:
        angle = (
            self.rng.uniform(0, 2 * math.pi)
            + 2 * math.pi * (np.arange(count) + self.rng.uniform(0, 0.8, count)) / count
        )
        out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
        down = np.column_stack([np.zeros((count, 2)), -self.rng.uniform(*depth, count)])
        self.add(name, at + radius * out + down, -out)

    def slot(self, name: str, at: Array, sizes: tuple[float, float], turn: float, counts: tuple[int, int]) -> None:
        """Inside of a slot: length over all and width, turned; counts of touches a side and an end."""
        (length, width), (side, end) = sizes, counts
        half, radius, spots, outs = (length - width) / 2, width / 2, [], []
        for sign in (1.0, -1.0):
            along = self.rng.uniform(-half, half, side)
            spots.append(np.column_stack([along, np.full(side, sign * radius)]))
            outs.append(np.tile([0.0, -sign], (side, 1)))
            angle = self.rng.uniform(-1.4, 1.4, end) + (0 if sign > 0 else math.pi)
            arrow = np.column_stack([np.cos(angle), np.sin(angle)])
            spots.append(arrow * radius + [sign * half, 0])
            outs.append(-arrow)
        c, s = math.cos(turn), math.sin(turn)
        turned = np.array([[c, -s], [s, c]])
        flat, out = np.vstack(spots) @ turned.T, np.vstack(outs) @ turned.T
        count = len(flat)
        surface = at + np.column_stack([flat, -self.rng.uniform(0.3, 0.9, count)])
        self.add(name, surface, np.column_stack([out, np.zeros(count)]))

    def side(self, name: str, out: Array, off: float, half: float, deep: float, count: int) -> None:
        """A wall that looks along out, or where it is not deep an edge, off the origin by so much."""
        along = np.cross([0.0, 0.0, 1.0], out)
        spots = off * out + self.rng.uniform(-half, half, count)[:, None] * along
        spots[:, 2] = -self.rng.uniform(*((1.0, deep) if deep > 2 else (0.3, 0.9)), count)
        self.add(name, spots, np.tile(out, (count, 1)))


@dataclass
class World:
    """Files, options, and what to judge a result by."""

    files: list[Path]
    options: dict[str, Any]
    checks: Callable[[Measured], list[Check]]


def some_part(rng: np.random.Generator) -> tuple[Part, float]:
    nominal = float(rng.choice([2.0, 3.0, 6.0]))
    return Part(rng, nominal + rng.normal(0, 0.003), float(rng.choice([0.01, 0.025, 0.05]))), nominal


def written(
    part: Part, folder: Path, rows: list[tuple[str, Array, Array]] | None = None, **style: Any
) -> tuple[Path, Array, Array]:
    """The list in some arm's frame, and that frame: rotation and shift of the part in it."""
    rng = part.rng
    turn, shift = style.get("pose") or (_turn(rng, math.pi), rng.uniform(-300, 300, 3))
    scale, comma, sep = style.get("scale", 1.0), style.get("comma", False), style.get("sep", ",")
    lines = list(style.get("head", ["# unit: mm", "x,y,z,i,j,k,feature"]))
    for name, centres, out in rows if rows is not None else part.rows:
        for place, lean in zip(centres @ turn.T + shift, out @ turn.T, strict=True):
            cells = [f"{v / scale:.{6 if scale > 1 else 4}f}" for v in place] + [f"{v:.4f}" for v in lean]
            cells = [cell.replace(".", ",") for cell in cells] if comma else cells
            lines.append(sep.join([*cells, name]))
    path = folder / style.get("file", "part.csv")
    path.write_text("\n".join(lines) + "\n")
    return path, turn, shift


def centre_checks(found: Measured, truth: dict[str, Array]) -> list[Check]:
    rows = []
    for feature in found.results.features:
        for k, axis in enumerate("xyz" if feature.name in truth else ""):
            rows.append((f"centre {axis}", feature[axis] - truth[feature.name][k], feature.value(axis).u95))
    return rows
