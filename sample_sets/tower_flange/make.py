"""Make the point lists of this folder: an invented shock-tower flange touched from two places of an arm.

Run `python make.py`; the same seed gives the same files. Nothing here was measured on a real part.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
SEED, TIP, NOISE, LEAN_DEG = 4127, 5.0, 0.02, 2.0
FACE_TILT_DEG, FACE_AT = 9.0, np.array([35.0, -20.0, 64.0])
BORE, EDGE, WALL_HALF_DEG = 58.0, 148.0, 7.5
HOLES = {
    "hole_1": (64.0, 0.0, 8.4),
    "hole_2": (0.0, 64.0, 8.4),
    "hole_3": (-64.0, 0.0, 8.4),
    "hole_4": (0.0, -64.0, 10.5),
}
SLOT = (45.0, 45.0, 18.0, 9.0)
BALLS = {"ball_1": (190, -150, 20), "ball_2": (-170, -140, -10), "ball_3": (160, 180, 5), "ball_4": (-180, 150, 40)}
BALL = 15.0


def turn_about(axis: tuple[float, float, float], angle_deg: float) -> np.ndarray:
    """Rotation matrix."""
    x, y, z = np.array(axis) / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = math.radians(angle_deg)
    return np.eye(3) + math.sin(a) * k + (1 - math.cos(a)) * k @ k


RNG = np.random.default_rng(SEED)
FACE = turn_about((1.0, 0.4, 0.0), FACE_TILT_DEG)


def round_wall(x: float, y: float, radius: float, count: int, span_deg: float, inside: bool):
    """Surface points and outward directions on a round edge, touched 0.3 to 0.9 mm below the face."""
    angle = np.radians(RNG.uniform(0, 20) + np.arange(count) * span_deg / count)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    depth = np.column_stack([np.zeros((count, 2)), -RNG.uniform(0.3, 0.9, count)])
    return np.array([x, y, 0]) + radius * out + depth, -out if inside else out


def slot_wall(x: float, y: float, length: float, width: float):
    """Both sides and both ends of a slot along x."""
    half, radius = (length - width) / 2, width / 2
    angle = np.radians([-60, 0, 60])
    caps = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(3)])
    sides = [np.array([s, w, 0.0]) for s in (-0.7, 0.0, 0.7) for w in (-1.0, 1.0)]
    out = np.vstack([caps, caps * [-1, 1, 1], [[0, side[1], 0] for side in sides]])
    middle = np.vstack(
        [np.tile([half, 0, 0], (3, 1)), np.tile([-half, 0, 0], (3, 1)), [[s[0] * half, 0, 0] for s in sides]]
    )
    depth = np.column_stack([np.zeros((12, 2)), -RNG.uniform(0.3, 0.9, 12)])
    return np.array([x, y, 0]) + middle + radius * out + depth, -out


def flange():
    """Features in the face's own frame: name -> (surface points, outward)."""
    flat = np.column_stack([RNG.uniform(-72, 72, (46, 2)), np.zeros(46)])
    flat = flat[np.hypot(flat[:, 0], flat[:, 1]) > BORE / 2 + 4]
    flat[5, 2] += 2.6  # a stray touch on a weld bead
    flat[20, 2] += 0.9
    made = {"top_face": (flat, np.tile([0.0, 0.0, 1.0], (len(flat), 1)))}
    made["outer_edge"] = round_wall(0, 0, EDGE / 2, 36, 200.0, inside=False)
    made["bore"] = round_wall(0, 0, BORE / 2, 18, 360.0, inside=True)
    for name, (x, y, diameter) in HOLES.items():
        made[name] = round_wall(x, y, diameter / 2, 8, 360.0, inside=True)
    made["slot"] = slot_wall(*SLOT)
    half, low = math.radians(WALL_HALF_DEG), RNG.uniform(40, 95, 44)
    angle = RNG.uniform(0, 2 * math.pi, 44)
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(44)])
    radius = 34 + low * math.tan(half)
    wall = radius[:, None] * ring - np.column_stack([np.zeros((44, 2)), low])
    made["tower_wall"] = (wall, math.cos(half) * ring + [0, 0, math.sin(half)])
    return made


def ball_touches(count: int) -> np.ndarray:
    high = RNG.uniform(-0.1, 1, count)
    angle = RNG.uniform(0, 2 * math.pi, count)
    return np.column_stack([np.sqrt(1 - high**2) * np.cos(angle), np.sqrt(1 - high**2) * np.sin(angle), high])


def write(name: str, rows: list, turn: np.ndarray, shift: np.ndarray) -> None:
    """Write one station's list: tip centres, direction surface to tip, feature."""
    lines = ["# arm export, unit: mm, points are tip centres", "feature;x;y;z;i;j;k"]
    for feature, surface, out in rows:
        place = turn @ (surface + TIP / 2 * out + RNG.normal(0, NOISE, 3)) + shift
        lean = turn @ out + RNG.normal(0, math.radians(LEAN_DEG) / math.sqrt(2), 3)
        lean /= np.linalg.norm(lean)
        lines.append(f"{feature};" + ";".join(f"{v:.4f}" for v in place) + ";" + ";".join(f"{v:.4f}" for v in lean))
    (HERE / name).write_text("\n".join(lines) + "\n")


def main() -> None:
    """Write both lists and the truth, all in station 1's frame."""
    rows: list[list] = [[], []]
    for feature, (surface, out) in flange().items():
        for k, (point, direction) in enumerate(zip(surface, out, strict=True)):
            rows[k % 2].append((feature, FACE_AT + FACE @ point, FACE @ direction))
    for feature, place in BALLS.items():
        for station in rows:
            station += [(feature, np.array(place) + BALL / 2 * out, out) for out in ball_touches(12)]
    write("place_1.csv", rows[0], np.eye(3), np.zeros(3))
    write("place_2.csv", rows[1], turn_about((0.2, -0.5, 1.0), 128.0), np.array([310.0, -95.0, 40.0]))
    at = {name: (FACE_AT + FACE @ [x, y, 0]).tolist() for name, (x, y, _) in HOLES.items()}
    truth = {
        "unit": "mm",
        "tip_diameter": TIP,
        "touch_sd": NOISE,
        "top_face": {"point": FACE_AT.tolist(), "normal": FACE[:, 2].tolist()},
        "bore": {"centre": FACE_AT.tolist(), "diameter": BORE},
        "outer_edge": {"centre": FACE_AT.tolist(), "radius": EDGE / 2},
        **{name: {"centre": at[name], "diameter": d} for name, (_, _, d) in HOLES.items()},
        "slot": {"centre": (FACE_AT + FACE @ [SLOT[0], SLOT[1], 0]).tolist(), "length": SLOT[2], "width": SLOT[3]},
        "tower_wall": {"half_angle_deg": WALL_HALF_DEG},
        **{name: {"centre": list(map(float, place)), "diameter": BALL} for name, place in BALLS.items()},
        "stray_touches": {"top_face": 2},
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


if __name__ == "__main__":
    main()
