"""Ray-traced photos of plates on the printed frame, with exact truth. Run by hand:

    python tests/bench/workshop.py OUTDIR [--count N] [--first SEED] [--megapixels 12|5|2] [--easy]

Every seed is one folder: photo1.jpg and truth.json. A window and a lamp of real size throw soft shadows, a room with dark
and light walls is mirrored in brushed metal, light bounces once between paper and walls, upper edges may be rounded; then
lens blur, vignetting, white balance, shot and read noise in linear light, the sRGB curve and JPEG. Not modelled: clutter,
lens colour fringes, sharpening, demosaicing, paper curl, burrs, warped sheet. 12 to 25 s of processor time a picture.

Checked 2026-11-26: middles of printed edges lie within 0.0005 px (mean) of where the camera of the truth puts them, the
end of a sharp face within 0.00001 px. Set NUMBA_CACHE_DIR to keep the compiled tracer (25 s) out of the tree.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import workshop_light as wl
import workshop_metal as wm
import workshop_solid as ws
import workshop_view as wv
from workshop_scene import Scene, draw_scene
from workshop_truth import truth_of


def traced(scene: Scene) -> np.ndarray:
    """The picture (height, width, 3) in linear light, paper near `exposure`, sharp and without noise."""
    plate = scene.plate
    solid = ws.solid_of(plate.pieces(), plate.thickness, plate.rounding, scene.height).packed
    camera, (rotation, shift) = camera_row(scene), scene.pose()
    paper, ink = np.array([0.72, 0.72, 0.71]), np.array([0.035, 0.035, 0.036])
    walls = wl.glow_of_walls(scene.lights, scene.room, scene.wall[:3], scene.wall[3:6], paper, plate.thickness)
    low, high = seen_of_bench(scene)
    maps = wl.light_maps(solid, scene.lights, scene.room, walls, low, high - low, scene.light_steps())
    ends = np.array([s.p0 if hasattr(s, "p0") else s.at(0.5) for s in plate.outline])
    corner, step = ends.min(axis=0) - 6, max(2.5, np.ptp(ends, axis=0).max() / 70)
    shape = np.ceil((ends.max(axis=0) + 6 - corner) / step).astype(np.int64) + 1
    table = wm.face_table(scene.lights, scene.room, scene.look, camera[9:12], corner, step, shape)
    tones = np.zeros((5, 10))
    tones[0, :3], tones[1, :3], tones[3], tones[4] = paper, ink, scene.look, scene.wall
    place = np.array([rotation[0, 0], rotation[0, 1], shift[0], shift[1]])
    settings = np.array([scene.seed * 131 + 7, scene.lean, scene.mottle, scene.bench, scene.bench_turn], float)
    everything = (
        *solid, *maps, table, corner, step, scene.lights, scene.room, walls, tones, *wv.packed(scene.prints), place, settings,
    )  # fmt: skip
    picture = wv.seen(everything, camera, scene.camera.size)
    bright = np.zeros(3)
    wl.on_paper(solid, scene.lights, scene.room, walls, 0.0, 0.0, 1.0, 16, 256, 5, bright)
    return picture * (scene.exposure * scene.balance / (paper / np.pi * bright)).astype(np.float32)


def camera_row(scene: Scene) -> np.ndarray:
    """Lens (9), eye (3) and the camera's turn (9) in part coordinates."""
    rotation, shift = scene.pose()
    eye = rotation.T @ (scene.camera.centre - shift)
    turn = rotation.T @ scene.camera.rotation.T
    return np.concatenate([scene.camera.lens, eye, turn.ravel()])


def seen_of_bench(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Low and high corner, in part coordinates, of what the picture shows of the bench."""
    width, height = scene.camera.size
    row = camera_row(scene)
    border = [(u, v) for u in np.linspace(-2, width + 1, 9) for v in np.linspace(-2, height + 1, 9)]
    away = np.array([wv.ray_of(row, u, v) for u, v in border])
    reach = (-scene.height - row[11]) / away[:, 2]
    on_bench = row[9:11] + reach[:, None] * away[:, :2]
    return on_bench.min(axis=0) - 6, on_bench.max(axis=0) + 6


def developed(scene: Scene, picture: np.ndarray) -> np.ndarray:
    """The file's levels (height, width, 3), RGB: blur, vignette, noise in linear light, then the curve of IEC 61966-2-1."""
    import cv2

    rng = np.random.default_rng([scene.seed, 99])
    height, width = picture.shape[:2]
    picture = cv2.GaussianBlur(picture, (0, 0), scene.psf)
    x, y = np.linspace(-1, 1, width, dtype=np.float32), np.linspace(-0.75, 0.75, height, dtype=np.float32)[:, None]
    picture *= (1 - scene.vignette * (x**2 + y**2) / 1.5625)[..., None]
    sigma = np.sqrt(scene.shot_noise * np.maximum(picture, 0) + scene.read_noise**2)
    level = np.clip(picture + sigma * rng.standard_normal(picture.shape, dtype=np.float32), 0, 1)
    curve = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1 / 2.4) - 0.055)
    return np.rint(255 * curve).astype(np.uint8)


def save(path: Path, levels: np.ndarray, scene: Scene) -> None:
    from PIL import Image

    picture = Image.fromarray(levels)
    exif = picture.getexif()
    exif[271], exif[272], exif[274] = "Generic", "Drawn", scene.orientation
    inner = exif.get_ifd(0x8769)
    inner[41989] = round(scene.camera.nominal * 36 / scene.camera.size[0])
    inner[40962], inner[40963] = scene.camera.size
    exif[0x8769] = inner
    picture.save(path, quality=scene.quality, subsampling="4:2:0", exif=exif)


def write(folder: Path, scene: Scene) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    save(folder / "photo1.jpg", developed(scene, traced(scene)), scene)
    (folder / "truth.json").write_text(json.dumps(truth_of(scene, folder.name, "photo1.jpg"), indent=1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("outdir", type=Path)
    parser.add_argument("--count", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--megapixels", type=int, choices=(12, 5, 2))
    parser.add_argument("--easy", action="store_true", help="a matte sharp sheet, square-on, under a large light")
    given = parser.parse_args()
    for seed in range(given.first, given.first + given.count):
        started = time.process_time()
        scene = draw_scene(seed, given.megapixels, given.easy)
        write(given.outdir / f"w{seed:03d}", scene)
        print(
            f"w{seed:03d}: {scene.material}, {scene.plate.thickness:.2f} mm, edge {scene.plate.rounding}, "
            f"tilt {scene.camera.tilt:.0f}, {scene.camera.size[0]} px{', hard lamp' if scene.hard else ''}, "
            f"{time.process_time() - started:.0f} s CPU",
            flush=True,
        )


if __name__ == "__main__":
    main()
