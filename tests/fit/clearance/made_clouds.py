"""Clouds made up for clearance tests: a lid that opens over a bay, and small shapes whose gaps are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def lid_and_bay(count: int, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """A ribbed lid over a domed bay: fixed and moving clouds (count, 3), mm; the hinge runs along y at x = 0, z = 60."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, 400, count), rng.uniform(-120, 120, count)
    bay = np.c_[u, v, 40 * np.exp(-(((u - 260) / 70) ** 2) - (v / 60) ** 2)]
    s, t = rng.uniform(20, 390, count), rng.uniform(-110, 110, count)
    rib = np.where(np.abs(t - 70) < 3, rng.uniform(-12, 0, count), 0.0)
    return bay, np.c_[s, t, 55 + rib]


def grid(size: float, step: float, height: float = 0.0) -> np.ndarray:
    """A flat square grid of points at a height, mm."""
    line = np.arange(-size, size + step / 2, step)
    x, y = np.meshgrid(line, line)
    return np.c_[x.ravel(), y.ravel(), np.full(x.size, height)]


def write_ply(
    path: Path, xyz: np.ndarray, words: str = "binary_little_endian", unit: str | None = "mm", normal=None
) -> Path:
    """A PLY file as other programs write them."""
    columns = xyz if normal is None else np.hstack([xyz, normal])
    names = ["x", "y", "z", "nx", "ny", "nz"][: columns.shape[1]]
    head = ["ply", f"format {words} 1.0", *([f"comment unit {unit}"] if unit else []), f"element vertex {len(xyz)}"]
    head += [*(f"property double {name}" for name in names), "end_header"]
    order = {"binary_little_endian": "<f8", "binary_big_endian": ">f8"}.get(words)
    body = (
        columns.astype(order).tobytes()
        if order
        else "".join(" ".join(map(repr, row)) + "\n" for row in columns.tolist()).encode()
    )
    path.write_bytes(("\n".join(head) + "\n").encode() + body)
    return path
