"""Make the seal-channel sample: an edge walked with a 3 mm ball tip, touches on the deck beside it, and the truth.

All is invented: the rubber-seal channel round the rear floor hatch of a light van that is being converted to battery
drive. Run: python make_walk.py [FOLDER] [SEED]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

TIP, NOISE = 3.0, 0.03
PIECES = (
    (118.0, 0.0),
    (46.0, 58.0),
    (87.0, 0.0),
    (32.0, -41.0),
    (64.0, 0.0),
    (18.0, 71.0),
    (109.0, 0.0),
    (150.0, -33.0),
    (52.0, 0.0),
)
"""Length in mm and 0 for a line; radius in mm and turn in degrees (left positive) for an arc."""


def pieces_of(table: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Length and curvature (K, 2) of each piece, mm and 1/mm."""
    arcs = [(abs(np.radians(turn)) * size, np.sign(turn) / size) if turn else (size, 0.0) for size, turn in table]
    return np.array(arcs)


def random_pieces(rng: np.random.Generator) -> np.ndarray:
    """A chain of line, arc, line … with 7, 9, 11 or 13 pieces and radii of 8 to 200 mm."""
    count = rng.choice([7, 9, 11, 13])
    table = [
        (rng.uniform(30, 140), 0.0)
        if i % 2 == 0
        else (float(np.exp(rng.uniform(np.log(8), np.log(200)))), float(rng.choice([-1, 1]) * rng.uniform(22, 100)))
        for i in range(count)
    ]
    return pieces_of(tuple(table))


def walk_along(pieces: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (N, 2) and headings (N,) at lengths along a chain that starts at the origin along x."""
    ends = np.concatenate([[0.0], np.cumsum(pieces[:, 0])])
    corners, headings = [np.zeros(2)], [0.0]
    for length, kappa in pieces:
        chord, middle = length * np.sinc(kappa * length / 2 / np.pi), headings[-1] + kappa * length / 2
        corners.append(corners[-1] + chord * np.array([np.cos(middle), np.sin(middle)]))
        headings.append(headings[-1] + kappa * length)
    which = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(pieces) - 1)
    s, kappa, heading = at - ends[which], pieces[which, 1], np.array(headings)[which]
    chord, middle = s * np.sinc(kappa * s / 2 / np.pi), heading + kappa * s / 2
    return np.array(corners)[which] + np.column_stack(
        [chord * np.cos(middle), chord * np.sin(middle)]
    ), heading + kappa * s


def make(folder: Path, seed: int, pieces: np.ndarray) -> None:
    """Write edge_walk.csv, deck.csv and truth.json."""
    rng = np.random.default_rng(seed)
    total = float(pieces[:, 0].sum())
    step = rng.uniform(0.6, 1.0)
    at = np.arange(0.5 * step, total, step) + rng.uniform(-0.15, 0.15, len(np.arange(0.5 * step, total, step))) * step
    flat, heading = walk_along(pieces, at)
    right = np.column_stack([np.sin(heading), -np.cos(heading)])
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn = (
        turn * np.sign(turn[2, 2])
        if np.linalg.det(turn) * np.sign(turn[2, 2]) > 0
        else turn @ np.diag([1, -1, 1]) * np.sign(turn[2, 2])
    )
    origin = rng.uniform(-200, 300, 3)
    height = 0.8 + np.cumsum(rng.normal(0, 0.01, len(at)))
    centres = origin + (np.column_stack([flat + TIP / 2 * right, height]) @ turn.T) + rng.normal(0, NOISE, (len(at), 3))
    tilt = rng.normal(0, np.radians(4), len(at))
    rough = np.column_stack(
        [
            right[:, 0] * np.cos(tilt) - right[:, 1] * np.sin(tilt),
            right[:, 0] * np.sin(tilt) + right[:, 1] * np.cos(tilt),
            rng.normal(0, 0.05, len(at)),
        ]
    )
    rough = (rough / np.linalg.norm(rough, axis=1, keepdims=True)) @ turn.T
    low, high = flat.min(axis=0) - 20, flat.max(axis=0) + 20
    deck = np.column_stack([rng.uniform(low, high, (18, 2)), np.full(18, TIP / 2)])
    deck = origin + deck @ turn.T + rng.normal(0, NOISE, (18, 3))
    for name, xyz, away in (("edge_walk", centres, rough), ("deck", deck, np.tile(turn[:, 2], (18, 1)))):
        rows = "\n".join(",".join(f"{v:.4f}" for v in (*p, *d)) for p, d in zip(xyz, away, strict=True))
        (folder / f"{name}.csv").write_text(f"# unit: mm\nx,y,z,i,j,k\n{rows}\n", encoding="utf-8")
    path = [
        {"kind": "arc", "radius": 1 / abs(k), "turn_deg": float(np.degrees(k * length)), "length": float(length)}
        if k
        else {"kind": "line", "length": float(length)}
        for length, k in pieces
    ]
    truth = {
        "unit": "mm",
        "tip_diameter": TIP,
        "point_sd": NOISE,
        "normal": turn[:, 2].tolist(),
        "path": path,
        "length": total,
        "from_first_to_last_touch": float(at[-1] - at[0]),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    where.mkdir(parents=True, exist_ok=True)
    if len(sys.argv) > 2:
        make(where, int(sys.argv[2]), random_pieces(np.random.default_rng(int(sys.argv[2]))))
    else:
        make(where, 4, pieces_of(PIECES))
