"""Point lists with one twist each, against their truth; run on demand.

    python tests/bench/probe_variants.py [FIRST] [COUNT] [VARIANT …]

nominal : datum by best fit to nominal places, from which the part's own differ by up to 0.4 mm. symmetry : the plane
midway between two sides of planes or edges, and a hole's offset from it. cloud : a result's cloud.ply read again.
slots : slots by rule, below a face. below : holes up to 14 mm below the face that @PLANE names, of two at hand.
pitch : pitch circle through holes that lie off it. mixed : two stations, inch or decimal comma, each its own layout.
tip_side : a few i j k turned round. For each: share of intervals that hold the truth, misses over three U95, refusals.
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from probe_parts import Check, World, centre_checks, some_part, written
from probe_world import Array

from capture.arm.probing import Measured, ProbeOptions, measure
from fit.clouds import ply_bytes
from fit.errors import EdgewrightError


def nominal(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    count, off = int(rng.integers(4, 8)), float(rng.choice([0.0, 0.1, 0.4]))
    drawn = np.column_stack([rng.uniform(-120, 120, (count, 2)), np.zeros(count)])
    made = drawn + np.column_stack([rng.uniform(-off, off, (count, 2)), np.zeros(count)])
    part.face("deck", 130, int(rng.integers(8, 30)))
    for k, at in enumerate(made):
        part.hole(f"hole_{k + 1}", at, tip / 2 + rng.uniform(1, 8), int(rng.integers(4, 14)))
    path, _, _ = written(part, folder)
    lines = [f"{x:.4f},{y:.4f},{z:.4f},hole_{k + 1}" for k, (x, y, z) in enumerate(drawn)]
    (folder / "drawing.csv").write_text("\n".join(["# unit: mm", "x,y,z,feature", *lines]) + "\n")
    u, _, vt = np.linalg.svd((drawn - drawn.mean(axis=0)).T @ (made - made.mean(axis=0)))
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt
    placed = (made - made.mean(axis=0)) @ turn.T + drawn.mean(axis=0)
    truth = {f"hole_{k + 1}": at for k, at in enumerate(placed)}
    options = {
        "tip": tip,
        "points": "centre",
        "fits": ("deck=plane", "hole_*=circle"),
        "datum": str(folder / "drawing.csv"),
    }
    return World([path], options, lambda found: centre_checks(found, truth))


def symmetry(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    deep = float(rng.choice([0.0, 25.0]))
    left, right = rng.uniform(20, 80, 2)
    lean = rng.normal(0, 0.01, 2)
    outs = [np.array([math.cos(t), math.sin(t), 0.0]) for t in (lean[0], math.pi + lean[1])]
    part.face("deck", 60, int(rng.integers(8, 30)))
    part.side("right_side", outs[0], right, 70, deep, int(rng.integers(8, 25)))
    part.side("left_side", outs[1], left, 70, deep, int(rng.integers(8, 25)))
    at = np.array([*rng.uniform(-15, 15, 2), 0.0])
    part.hole("hole", at, tip / 2 + 4, int(rng.integers(5, 14)))
    path, turn, shift = written(part, folder)
    kind = "plane" if deep else "line"
    normal = (outs[0] - outs[1]) / np.linalg.norm(outs[0] - outs[1])

    def checks(found: Measured) -> list[Check]:
        named = {feature.name: feature for feature in found.results.features}
        mid = named["mid"]
        n = turn.T @ mid.vector(("nx", "ny", "nz"))
        place = turn.T @ (mid.vector(("x", "y", "z")) - shift)
        sign = 1.0 if n @ normal > 0 else -1.0
        # midway between the two sides, square across: each side's height over the place along the mean normal
        spots = [(right - place @ outs[0]) / (outs[0] @ normal), (left - place @ outs[1]) / (outs[1] @ normal)]
        off = (spots[0] + spots[1]) / 2
        world = turn @ normal * sign
        rows = [(f"{kind} n{k}", mid[f"n{k}"] - w, mid.value(f"n{k}").u95) for k, w in zip("xyz", world, strict=True)]
        along = mid.vector(("nx", "ny", "nz"))
        spread = along @ mid.cov_own[:3, :3] @ along + float(np.sum((mid.shared[:, :3] @ along) ** 2))
        rows.append((f"{kind} place", off, 1.96 * math.sqrt(spread)))
        value = found.results.dimensions[0].value
        spots = [(right - at @ outs[0]) / (outs[0] @ normal), (left - at @ outs[1]) / (outs[1] @ normal)]
        rows.append((f"{kind} offset", value.value * sign + (spots[0] + spots[1]) / 2, value.u95))
        return rows

    options = {
        "tip": tip, "points": "centre", "fits": ("deck=plane", f"*_side={kind}" + ("" if deep else "@deck"), "hole=circle"),
        "dims": ("mid=symmetry:left_side:right_side", "off=offset:hole:mid"),
    }  # fmt: skip
    return World([path], options, checks)


def cloud(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    part.face("top face", 90, int(rng.integers(8, 30)))
    places = {f"hole {k}": np.array([*rng.uniform(-80, 80, 2), 0.0]) for k in range(4)}
    for name, at in places.items():
        part.hole(name, at, tip / 2 + rng.uniform(1, 8), int(rng.integers(5, 14)))
    part.slot("slot 1", np.array([10.0, 5, 0]), (40.0, tip + 5), 0.7, (5, 5))
    path, turn, shift = written(part, folder)
    fits = ("top face=plane", "hole*=circle", "slot*=slot")
    first = measure([path], ProbeOptions(tip=tip, points="centre", fits=fits))
    (folder / "cloud.ply").write_bytes(ply_bytes(first.points))
    truth = {name: shift + turn @ at for name, at in places.items()}
    return World([folder / "cloud.ply"], {"points": "surface", "fits": fits}, lambda found: centre_checks(found, truth))


def slots(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    part.face("deck", 90, int(rng.integers(8, 30)))
    truth: dict[str, tuple[Array, float, float]] = {}
    for k in range(3):
        width = tip + rng.uniform(1, 8)
        at, length = np.array([*rng.uniform(-80, 80, 2), 0.0]), width * rng.uniform(1.4, 5)
        truth[f"slot_{k}"] = (at, length, width)
        part.slot(
            f"slot_{k}", at, (length, width), rng.uniform(0, 3), (int(rng.integers(2, 7)), int(rng.integers(2, 7)))
        )
    path, turn, shift = written(part, folder)

    def checks(found: Measured) -> list[Check]:
        rows = centre_checks(found, {name: shift + turn @ at for name, (at, _, _) in truth.items()})
        for feature in found.results.features:
            for k, key in enumerate(("length", "width") if feature.name in truth else (), 1):
                rows.append((key, feature[key] - truth[feature.name][k], feature.value(key).u95))
        return rows

    return World([path], {"tip": tip, "points": "centre", "fits": ("deck=plane", "slot_*=slot")}, checks)


def below(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    deep = rng.uniform(2, 14)
    part.face("top", 90, int(rng.integers(6, 30)))
    part.face("ledge", 90, int(rng.integers(6, 30)), height=-deep)
    places = {f"hole_{k}": np.array([*rng.uniform(-80, 80, 2), 0.0]) for k in range(4)}
    sizes = {name: tip / 2 + rng.uniform(1, 8) for name in places}
    for name, at in places.items():
        part.hole(name, at, sizes[name], int(rng.integers(4, 14)), (0.2, deep))
    path, turn, shift = written(part, folder)

    def checks(found: Measured) -> list[Check]:
        rows = centre_checks(found, {name: shift + turn @ at for name, at in places.items()})
        holes = [feature for feature in found.results.features if feature.name in sizes]
        return rows + [("diameter", f["diameter"] - 2 * sizes[f.name], f.value("diameter").u95) for f in holes]

    return World(
        [path], {"tip": tip, "points": "centre", "fits": ("top=plane", "ledge=plane", "hole_*=circle@top")}, checks
    )


def pitch(rng: np.random.Generator, folder: Path) -> World:
    from scipy.optimize import least_squares

    part, tip = some_part(rng)
    count, radius, off = int(rng.integers(3, 9)), rng.uniform(30, 110), float(rng.choice([0.0, 0.05, 0.3]))
    part.face("deck", 120, int(rng.integers(6, 30)))
    angle = 2 * math.pi * np.arange(count) / count
    flat = radius * np.column_stack([np.cos(angle), np.sin(angle)]) + rng.uniform(-off, off, (count, 2))
    for k, spot in enumerate(flat):
        part.hole(f"hole_{k}", np.array([*spot, 0.0]), tip / 2 + 3, int(rng.integers(4, 12)))
    path, _, _ = written(part, folder)
    best = least_squares(
        lambda p: np.hypot(*(flat - p[:2]).T) - p[2], [0, 0, radius], xtol=1e-14, ftol=1e-14, gtol=1e-14
    ).x

    def checks(found: Measured) -> list[Check]:
        size = found.results.dimensions[0]
        return [("pitch diameter", size.value.value - 2 * best[2], size.value.u95)]

    options = {
        "tip": tip,
        "points": "centre",
        "fits": ("deck=plane", "hole_*=circle"),
        "dims": ("bolts=pitch_circle:hole_*",),
    }
    return World([path], options, checks)


_STYLES: tuple[dict[str, Any], ...] = (
    {"scale": 25.4, "head": ["# units: inches", "X,Y,Z,I,J,K,Name"]},
    {"comma": True, "sep": ";", "head": ["Einheit;mm", "x;y;z;i;j;k;Merkmal"]},
    {"sep": "\t", "head": ["x [mm]\ty [mm]\tz [mm]\ti\tj\tk\tfeature"]},
    {"comma": True, "sep": "\t", "scale": 25.4, "head": ["# unit: inch", "x\ty\tz\ti\tj\tk\tfeature"]},
    {"sep": " ", "head": ["# unit mm", "# x y z i j k feature"]},
)


def mixed(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    part.face("deck", 120, int(rng.integers(10, 30)))
    places = {f"hole_{k}": np.array([*rng.uniform(-110, 110, 2), 0.0]) for k in range(5)}
    for name, at in places.items():
        part.hole(name, at, tip / 2 + rng.uniform(1, 8), int(rng.integers(8, 16)))
    halves: list[list[tuple[str, Array, Array]]] = [[], []]
    for name, centres, out in part.rows:
        first = rng.random(len(centres)) < 0.5
        for half, which in zip(halves, (first, ~first), strict=True):
            half.append((name, centres[which], out[which]))
    for k in range(int(rng.integers(3, 7))):
        ball = rng.uniform(-1, 1, 3) * [180, 180, 60]
        for half in halves:
            part.rows.clear()
            out = rng.normal(size=(int(rng.integers(8, 16)), 3)) * [1, 1, 1] + [0, 0, 0.6]
            out /= np.linalg.norm(out, axis=1, keepdims=True)
            part.add(f"ball_{k + 1}", ball + 10.0 * out, out)
            half += part.rows
    styles = [dict(_STYLES[i]) for i in rng.integers(0, len(_STYLES), 2)]
    lists = [
        written(part, folder, half, file=f"s{k}.txt", **style)
        for k, (half, style) in enumerate(zip(halves, styles, strict=True))
    ]
    _, turn, shift = lists[0]
    truth = {name: shift + turn @ at for name, at in places.items()}
    options = {
        "tip": tip,
        "points": "centre",
        "fits": ("deck=plane", "hole_*=circle", "ball_*=sphere"),
        "ties": ("ball_*",),
    }
    return World([path for path, _, _ in lists], options, lambda found: centre_checks(found, truth))


def tip_side(rng: np.random.Generator, folder: Path) -> World:
    part, tip = some_part(rng)
    part.face("deck", 90, int(rng.integers(8, 30)))
    sizes: dict[str, float] = {}
    for k in range(5):
        name, inside = f"ring_{k}", rng.random() < 0.5
        sizes[name] = tip / 2 + rng.uniform(1.5, 12)
        part.hole(name, np.array([*rng.uniform(-80, 80, 2), 0.0]), sizes[name], int(rng.integers(6, 16)))
        _, centres, out = part.rows[-1]
        centres, out = (centres, out) if inside else (centres - part.tip * out * 1.0, -out)
        wrong = rng.random(len(out)) < 0.12
        part.rows[-1] = (name, centres, np.where(wrong[:, None], -out, out))
    path, _, _ = written(part, folder)

    def checks(found: Measured) -> list[Check]:
        rings = [feature for feature in found.results.features if feature.name in sizes]
        return [("diameter", f["diameter"] - 2 * sizes[f.name], f.value("diameter").u95) for f in rings]

    return World([path], {"tip": tip, "points": "centre", "fits": ("deck=plane", "ring_*=circle")}, checks)


VARIANTS = {make.__name__: make for make in (nominal, symmetry, cloud, slots, below, pitch, mixed, tip_side)}


def main(first: int, count: int, names: list[str]) -> None:
    for name in names or list(VARIANTS):
        rows, refused = defaultdict(list), []
        for seed in range(first, first + count):
            with tempfile.TemporaryDirectory() as folder:
                try:
                    world = VARIANTS[name](np.random.default_rng((seed, list(VARIANTS).index(name))), Path(folder))
                    found = measure(world.files, ProbeOptions(**world.options))
                except EdgewrightError as error:
                    refused.append(f"   seed {seed}: {error}")
                    continue
                for key, error, u95 in world.checks(found):
                    rows[key].append((abs(error) / max(u95, 1e-12) if abs(error) > 1e-7 else 0.0, seed))
                    rows["all"].append(rows[key][-1])
        print(f"{name}: refused {len(refused)} of {count}")
        print("\n".join(refused[:4]), end="\n" if refused else "")
        for key, told in sorted(rows.items()):
            ratio = np.array([value for value, _ in told])
            print(f"   {key:15}{len(told):6}  held {100 * np.mean(ratio <= 1):5.1f} %  over 3 U95 {int((ratio > 3).sum()):3}  "
                  f"worst {max(told)[0]:.2f} (seed {max(told)[1]})", flush=True)  # fmt: skip


if __name__ == "__main__":
    typed = [word for word in sys.argv[1:] if word.isdigit()]
    begin, number = (int(word) for word in [*typed, *("1", "60")[len(typed) :]])
    main(begin, number, [word for word in sys.argv[1:] if word in VARIANTS])
