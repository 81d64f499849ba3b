"""Ray-traced photos beyond the frame: long parts among strips, raised plates, and the sheets that a lens is learned from.

    python tests/bench/workshop_strips.py OUTDIR strips|raised [--count N] [--first SEED] [--megapixels 12|5|2] [--sheets]

Every seed is one folder as workshop.py writes it; --sheets adds camera01.jpg …, the sheet under the same camera. Strip
scenes hold a seal flange or a large plate of 400 to 750 mm with four or six strips round it; in raised scenes a plate
hovers 12 to 60 mm above the frame (what holds it up is not drawn). Lights, materials, noise and JPEG are those of
workshop.py. 30 to 45 s of processor time a picture.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import workshop_part as wp
import workshop_solid as ws
from workshop import developed, save, traced, write
from workshop_flange import draw_flange
from workshop_scene import A4, Print, Scene, draw_lens, draw_scene, posed

from capture.pieces import sheet, strip
from fit.points import FloatArray

BORDER = 5.0
SHEETS = 8


def strip_scene(seed: int, megapixels: int = 12) -> Scene:
    rng = np.random.default_rng([seed, 177])
    base = draw_scene(seed, megapixels, easy=False)
    if rng.uniform() < 0.65:
        plate = draw_flange(rng, ws.distances)
    else:
        size = rng.uniform(2.6, 4.0)
        plate = wp.with_openings(rng, wp.resized(wp.draw_outline(rng), size), ws.distances, size)
    scale = base.prints[0].scale
    places = strips_round(rng, np.concatenate([_along(piece) for piece in plate.outline]) * [1, -1])
    (turn0, at0), c, s = places[0], math.cos(places[0][0]), math.sin(places[0][0])
    back = np.array([[c, s], [-s, c]])
    prints = []
    for number, (turn, at) in enumerate(places):
        middle = _turned(turn) @ (np.array([22.5, 120.0]) * scale)
        corner = back @ (at - middle - (at0 - _turned(turn0) @ (np.array([22.5, 120.0]) * scale)))
        prints.append(_strip(rng, number, turn - turn0, corner, scale))
    shift = -back @ (at0 - _turned(turn0) @ (np.array([22.5, 120.0]) * scale))
    ends = np.concatenate([p.corners() for p in prints])
    tilt = float(rng.uniform(2, 8) if rng.uniform() < 0.6 else rng.uniform(8, 30))
    camera = posed(rng, *draw_lens(rng, base.camera.size), tilt, ends, upright=False)
    scene = replace(
        base, plate=plate, turn=-turn0, shift=_pair(shift), prints=tuple(prints), height=plate.thickness, camera=camera
    )
    return replace(scene, lights=_over(scene))


def raised_scene(seed: int, megapixels: int = 12) -> Scene:
    rng = np.random.default_rng([seed, 277])
    base = draw_scene(seed, megapixels, easy=False)
    height, size = float(rng.uniform(12, 60)), rng.uniform(0.5, 0.68)
    plate = wp.with_openings(rng, wp.resized(wp.draw_outline(rng), size), ws.distances, size)
    return replace(base, plate=plate, height=height, shift=_centred(plate, base))


def sheet_scenes(scene: Scene) -> list[Scene]:
    """The printed sheet before the same camera, tilted and turned every which way; the part lies out of sight."""
    rng = np.random.default_rng([scene.seed, 377])
    camera = scene.camera
    corners = np.array([(x, y, 0.0) for x in (0, 180.0) for y in (0, 240.0)])
    scale = scene.prints[0].scale
    caliper = (round(180 * scale[0], 1), round(240 * scale[1], 1))
    printed = Print(sheet(), 0.0, (0.0, 0.0), scale, caliper, A4)
    plate = replace(
        scene.plate, outline=tuple(wp.resized(wp.draw_outline(rng), 0.02)), holes=(), slots=(), thickness=1.0
    )
    every = []
    for k in range(SHEETS):
        tilt = float(rng.uniform(3, 12) if k == 0 else rng.uniform(18, 45))
        reach = corners + rng.uniform(-45, 45, 2) @ np.eye(2, 3)
        seen = posed(rng, camera.size, camera.lens, camera.nominal, tilt, reach, upright=bool(k % 3 == 2))
        taken = replace(scene, plate=plate, height=1.0, shift=(4000.0, 4000.0), prints=(printed,), camera=seen)
        every.append(replace(taken, seed=scene.seed * 50 + k))
    return every


def strips_round(rng: np.random.Generator, outline: FloatArray) -> list[tuple[float, FloatArray]]:
    """Turn and middle of each strip, slid against the part (points n, 2; long in y) from its sides and perhaps its ends."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    reach = (high[1] - low[1]) / 2
    spots = [((sx, 0.0), sy * reach * rng.uniform(0.35, 0.75)) for sx in (-1, 1) for sy in (-1, 1)]
    kind = rng.uniform()
    if kind < 0.4:  # two of the four lie across the ends
        drop = int(rng.integers(2))
        spots = [spots[drop], spots[3 - drop]]
    if kind < 0.55:
        spots += [((0.0, sy), rng.uniform(-0.3, 0.3) * (high[0] - low[0]) / 2) for sy in (-1, 1)]
    middle, laid = (low + high) / 2, []
    for way, aside in spots:
        way = np.array(way)
        turn = math.atan2(way[1], way[0]) + rng.normal(0, 0.06) + (math.pi if rng.uniform() < 0.3 else 0)
        start = middle + np.array([way[1], way[0]]) * aside
        gap = rng.uniform(8, 25)
        for far in np.arange(0, 900.0, 4.0):
            at = start + way * far
            if _room(turn, at, outline, gap) and all(_apart(turn, at, *other) for other in laid):
                break
        laid.append((turn, at))
    return laid


def _room(turn: float, at: FloatArray, outline: FloatArray, gap: float) -> bool:
    """Whether the strip stays clear of the part, and lies outside it as seen from its middle."""
    local = (outline - at) @ _turned(turn)
    off = np.hypot(*np.maximum(np.abs(local) - [22.5 + BORDER, 120 + BORDER], 0).T)
    return bool(off.min() > gap) and not _within(at, outline)


def _within(at: FloatArray, outline: FloatArray) -> bool:
    ring = np.unwrap(np.arctan2(*(outline - at).T))
    return abs(ring[-1] - ring[0]) > 3


def _apart(turn: float, at: FloatArray, turn_b: float, at_b: FloatArray) -> bool:
    x, y = np.linspace(-28, 28, 5), np.linspace(-125, 125, 21)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2) @ _turned(turn).T + at
    local = (grid - at_b) @ _turned(turn_b)
    return bool((np.abs(local) > [32, 129]).any(axis=1).all())


def _strip(rng, number: int, turn: float, corner: FloatArray, scale: tuple[float, float]) -> Print:
    sides = 45 * scale[0], 240 * scale[1]
    caliper = tuple(round(round((n + rng.normal(0, 0.012)) / 0.05) * 0.05, 2) for n in sides)
    paper = (-BORDER, -BORDER, sides[0] + BORDER, sides[1] + BORDER)
    return Print(strip(number), turn, _pair(corner), scale, caliper, paper)


def _over(scene: Scene) -> FloatArray:
    """Lights are drawn about a frame; here they stand farther out, as high over a larger bench."""
    lights = scene.lights.copy()
    lights[:, :9] *= 1.5
    return lights


def _centred(plate: wp.Plate, base: Scene) -> tuple[float, float]:
    rotation, _ = base.pose()
    spots = np.concatenate([_along(piece) for piece in plate.outline]) @ rotation[:2, :2].T
    frame = base.prints[0].corners()[:, :2]
    return _pair((frame.min(axis=0) + frame.max(axis=0)) / 2 - (spots.min(axis=0) + spots.max(axis=0)) / 2)


def _along(piece: wp.Line | wp.Arc) -> FloatArray:
    share = np.linspace(0, 1, max(2, int(piece.length / 2)), endpoint=False)
    if isinstance(piece, wp.Arc):
        return np.array([piece.at(q) for q in share])
    return np.array(piece.p0) + share[:, None] * np.subtract(piece.p1, piece.p0)


def _turned(turn: float) -> FloatArray:
    return np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])


def _pair(xy: FloatArray) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])


def write_sheets(folder: Path, scene: Scene) -> None:
    for k, seen in enumerate(sheet_scenes(scene)):
        save(folder / f"camera{k + 1:02d}.jpg", developed(seen, traced(seen)), seen)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("outdir", type=Path)
    parser.add_argument("kind", choices=("strips", "raised"))
    parser.add_argument("--count", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--megapixels", type=int, choices=(12, 5, 2), default=12)
    parser.add_argument("--sheets", action="store_true", help="also the photos that the lens is learned from")
    given = parser.parse_args()
    draw = strip_scene if given.kind == "strips" else raised_scene
    for seed in range(given.first, given.first + given.count):
        started = time.process_time()
        scene = draw(seed, given.megapixels)
        folder = given.outdir / f"{given.kind}{seed:03d}"
        write(folder, scene)
        if given.sheets:
            write_sheets(folder, scene)
        print(
            f"{folder.name}: {scene.material}, {scene.plate.thickness:.2f} mm, edge {scene.plate.rounding}, "
            f"height {scene.height:.1f}, {len(scene.prints)} prints, tilt {scene.camera.tilt:.0f}, "
            f"camera {-scene.camera.centre[2]:.0f} mm up, {time.process_time() - started:.0f} s CPU",
            flush=True,
        )


if __name__ == "__main__":
    main()
