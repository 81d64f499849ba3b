"""One drawn workshop: part, print, lights, room, camera. A seed gives the same scene every time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import workshop_part as wp
import workshop_solid as ws
from workshop_light import ROUND, UP

from capture.pieces import Piece, frame
from fit.points import FloatArray

SIZES = {12: (4000, 3000), 5: (2592, 1944), 2: (1632, 1224)}
# Reflectance and gloss: diffuse, mirror at normal incidence, roughness along and across, lean of brush marks, mottle.
MATERIALS = {
    "steel": ((0.045, 0.045, 0.043), (0.56, 0.55, 0.53), 0.09, 0.24, 0.030, 0.008),
    "aluminium": ((0.05, 0.05, 0.052), (0.80, 0.805, 0.81), 0.10, 0.26, 0.026, 0.006),
    "primer": ((0.29, 0.30, 0.31), (0.04, 0.04, 0.04), 0.42, 0.42, 0.0, 0.012),
    "redoxide": ((0.24, 0.062, 0.042), (0.04, 0.04, 0.04), 0.38, 0.38, 0.0, 0.02),
    "rubber": ((0.022, 0.021, 0.021), (0.04, 0.04, 0.04), 0.5, 0.5, 0.0, 0.03),
}


A4 = (-15.0, -28.5, 195.0, 268.5)  # the paper round the frame's pattern, mm


@dataclass(frozen=True, eq=False)
class Print:
    """A printed piece on the bench: its turn (rad) and shift in world; the paper's low and high corner in its own mm."""

    piece: Piece
    turn: float
    shift: tuple[float, float]
    scale: tuple[float, float]
    caliper: tuple[float, float]
    paper: tuple[float, float, float, float]

    def corners(self) -> FloatArray:
        """Corners (4, 3) of its pattern in world."""
        w, h = self.piece.width * self.scale[0], self.piece.height * self.scale[1]
        c, s = math.cos(self.turn), math.sin(self.turn)
        local = np.array([(0, 0), (w, 0), (w, h), (0, h)], float)
        return np.column_stack([local @ [c, -s] + self.shift[0], local @ [s, c] + self.shift[1], np.zeros(4)])


@dataclass(frozen=True, eq=False)
class Camera:
    """As OpenCV counts: fx, fy, cx, cy, k1, k2, p1, p2, k3; rotation and translation from world; nominal focal length."""

    size: tuple[int, int]
    lens: FloatArray
    rotation: FloatArray
    translation: FloatArray
    tilt: float
    nominal: float

    @property
    def centre(self) -> FloatArray:
        return -self.rotation.T @ self.translation


@dataclass(frozen=True, eq=False)
class Scene:
    seed: int
    plate: wp.Plate
    material: str
    turn: float
    shift: tuple[float, float]
    prints: tuple[Print, ...]
    height: float
    lights: FloatArray
    room: FloatArray
    look: FloatArray
    wall: FloatArray
    lean: float
    mottle: float
    bench: int
    bench_turn: float
    camera: Camera
    psf: float
    shot_noise: float
    read_noise: float
    exposure: float
    balance: FloatArray
    vignette: float
    quality: int
    orientation: int
    hard: bool

    def pose(self) -> tuple[FloatArray, FloatArray]:
        """R, t of part to world."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        rotation = np.array([[c, s, 0.0], [s, -c, 0.0], [0.0, 0.0, -1.0]])
        return rotation, np.array([*self.shift, -self.height])

    def light_steps(self) -> tuple[float, float]:
        """Steps of the fine and the coarse map of light on the paper, mm: wider where the camera is far."""
        if self.height > self.plate.thickness:
            return 1.0, 2.0
        wider = max(1.0, -self.camera.centre[2] / 350)
        return 0.15 * wider, 3.0 * wider


def draw_scene(seed: int, megapixels: int | None = None, easy: bool = False) -> Scene:
    """easy: a matte sheet with sharp edges, square-on under a large light, to check the geometry."""
    rng = np.random.default_rng([seed, 77])
    plate = wp.draw_plate(rng, ws.distances)
    material = str(rng.choice(list(MATERIALS), p=[0.27, 0.22, 0.2, 0.2, 0.11]))
    if easy:
        material = "redoxide"
        plate = wp.Plate(plate.outline, plate.holes, plate.slots, plate.thickness, 0.0)
    scale = _scale(rng)
    width, height = 180 * scale[0], 240 * scale[1]
    turn = float(rng.uniform(-0.07, 0.07))
    ends = np.array([p.at(q) for p in plate.outline if isinstance(p, wp.Arc) for q in (0, 0.5, 1)])
    c, s = math.cos(turn), math.sin(turn)
    spread = np.column_stack([c * ends[:, 0] + s * ends[:, 1], s * ends[:, 0] - c * ends[:, 1]])
    low, high = spread.min(axis=0), spread.max(axis=0)
    slack = (np.array([132 * scale[0], 192 * scale[1]]) - (high - low)) / 2 - 4
    middle = np.array([width / 2, height / 2]) + rng.uniform(-1, 1, 2) * np.minimum(np.maximum(slack, 0), 4)
    shift = middle - (low + high) / 2
    hard = bool(rng.uniform() < 0.15) and not easy
    lights, room = _lights(rng, hard, easy), _room(rng)
    diffuse, mirror, along, across, lean, mottle = MATERIALS[material]
    tint = rng.uniform(0.85, 1.15) * rng.uniform(0.97, 1.03, 3)
    brush = rng.choice([0.0, math.pi / 2]) + rng.normal(0, 0.03)
    rough = rng.uniform(0.65, 1.1)
    look = np.array(
        [*np.array(diffuse) * tint, *mirror, along * rough, across * rough, math.cos(brush), math.sin(brush)]
    )
    wall = look.copy()
    wall[6:8] = min(0.28 * rough, 0.5) if lean else wall[6]
    metal_u = rng.uniform(0.6, 1.6)
    balance = rng.normal(1, 0.025, 3)
    caliper = tuple(round(round((n + rng.normal(0, 0.012)) / 0.05) * 0.05, 2) for n in (width, height))
    size = SIZES[megapixels] if megapixels else SIZES[int(rng.choice([12, 5, 5, 5, 5, 5, 2]))]
    tilt = float(rng.uniform(2, 8) if rng.uniform() < 0.7 or easy else rng.uniform(8, 35))
    corners = np.array([(x, y, 0.0) for x in (0, width) for y in (0, height)])
    camera = posed(rng, *draw_lens(rng, size), tilt, corners)
    prints = (Print(frame(), 0.0, (0.0, 0.0), scale, caliper, A4),)
    return Scene(
        seed, plate, material, turn, (float(shift[0]), float(shift[1])), prints, plate.thickness, lights, room, look, wall,
        lean * metal_u, mottle * rng.uniform(0.6, 1.4), int(rng.integers(2)), float(rng.uniform(0, 3.1)), camera,
        float(rng.uniform(0.6, 1.2)), float(10 ** rng.uniform(-4.9, -3.9)), float(10 ** rng.uniform(-3.3, -2.7)),
        float(rng.uniform(0.5, 0.76)), balance, float(rng.uniform(0.1, 0.35)), int(rng.integers(86, 94)),
        int(rng.choice([1, 1, 3, 6, 8])), hard,
    )  # fmt: skip


def _scale(rng: np.random.Generator) -> tuple[float, float]:
    if rng.uniform() < 0.4:
        return 1.0, 1.0
    both = rng.uniform(0.992, 1.004)
    return float(both), float(both + rng.uniform(-0.0025, 0.0025))


def _rectangle(middle: FloatArray, aim: FloatArray, sides: tuple[float, float], power: FloatArray) -> FloatArray:
    """A light that faces `aim` and gives the irradiance `power` (3,) to a level place at the origin."""
    facing = (aim - middle) / np.linalg.norm(aim - middle)
    across = np.cross(facing, [0.0, 0.0, 1.0] if abs(facing[2]) < 0.95 else [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    up = np.cross(across, facing)
    far = np.linalg.norm(middle)
    toward = -middle / far
    weight = 4 * sides[0] * sides[1] / 4 * max(float(toward @ facing), 0.05) * (middle[2] / far) / far**2
    return np.array([*middle, *across * sides[0] / 2, *up * sides[1] / 2, *facing, *power / weight])


def _lights(rng: np.random.Generator, hard: bool, easy: bool) -> FloatArray:
    turn = rng.uniform(0, 2 * math.pi)
    away = rng.uniform(1100, 2400)
    window = np.array([away * math.cos(turn), away * math.sin(turn), rng.uniform(700, 1500)])
    level = np.array([0.0, 0.0, window[2]])
    cool = np.array([0.93, 1.0, 1.12]) ** rng.uniform(0.3, 1.5)
    warm = np.array([1.12, 1.0, 0.8]) ** rng.uniform(0.2, 1.6)
    share = rng.uniform(0.25, 0.75)
    if hard:
        share = rng.uniform(0.08, 0.2)
    other = turn + rng.uniform(0.6, 2 * math.pi - 0.6)
    aside = rng.uniform(250, 900)
    lamp = np.array([aside * math.cos(other), aside * math.sin(other), rng.uniform(550, 1300)])
    if hard:
        aside = lamp[2] * rng.uniform(0.6, 1.4)
        lamp[:2] = aside * math.cos(other), aside * math.sin(other)
    side = rng.uniform(12, 35) if hard else float(np.exp(rng.uniform(math.log(60), math.log(420))))
    if easy:
        lamp, side, share = np.array([150.0, 100.0, 1200.0]), 1200.0, 0.2
    return np.array(
        [
            _rectangle(window, level, (rng.uniform(700, 1600), rng.uniform(700, 1300)), share * cool),
            _rectangle(lamp, np.zeros(3), (side, side * rng.uniform(0.5, 1.0)), (1 - share) * warm),
        ]
    )


def _room(rng: np.random.Generator) -> FloatArray:
    """Radiance (UP, ROUND, 3) of walls and ceiling: some panels dark, some light, edges as soft as a far corner looks."""
    from scipy.ndimage import gaussian_filter

    base = rng.uniform(0.03, 0.13)
    walls = rng.uniform(0.15, 1.6, 8)
    edges = np.sort(rng.uniform(0, ROUND, 8))
    panel = np.searchsorted(edges, np.arange(ROUND)) % 8
    ceiling = rng.uniform(0.35, 1.3) * np.array([1.0, 0.98, 0.94])
    top = np.full((UP, ROUND), 0.0)
    up = np.arange(UP) / (UP - 1) * 90
    corner = 28 + 10 * np.cos(np.arange(ROUND) / ROUND * 4 * math.pi + rng.uniform(0, 6))
    top = 1 / (1 + np.exp(-(up[:, None] - corner) / 1.2))
    wall = walls[panel][None, :] * (0.7 + 0.3 * up[:, None] / 40)
    tints = rng.uniform(0.85, 1.12, (8, 3))[panel]
    room = base * (top[..., None] * ceiling + ((1 - top) * wall)[..., None] * tints[None])
    return np.stack([gaussian_filter(room[..., c], (0.7, 1.2), mode=("nearest", "wrap")) for c in range(3)], axis=-1)


def draw_lens(rng: np.random.Generator, size: tuple[int, int]) -> tuple[tuple[int, int], FloatArray, float]:
    """Size, lens and nominal focal length (px)."""
    nominal = rng.uniform(2600, 3400)
    k1 = rng.uniform(-0.06, 0.12)
    k2 = -k1 * rng.uniform(1.5, 3.0) + rng.normal(0, 0.02)
    k3 = -k2 * rng.uniform(0.3, 0.5)
    f, shrink = nominal * (1 + rng.normal(0, 0.004)), size[0] / 4000
    cx, cy = (1999.5 + rng.normal(0, 14) + 0.5) * shrink - 0.5, (1499.5 + rng.normal(0, 12) + 0.5) * shrink - 0.5
    lens = np.array([f * shrink, f * (1 + rng.normal(0, 2e-4)) * shrink, cx, cy, k1, k2, *rng.normal(0, 2e-4, 2), k3])
    return size, lens, nominal * shrink


def posed(rng, size, lens, nominal, tilt_deg: float, corners: FloatArray, upright: bool | None = None) -> Camera:
    """A camera somewhere round the bench, as near as all corners (n, 3) allow."""
    around = rng.uniform(0, 2 * math.pi)
    tilt = math.radians(tilt_deg)
    # World z points into the bench, so the camera stands at negative z.
    away = np.array([math.sin(tilt) * math.cos(around), math.sin(tilt) * math.sin(around), -math.cos(tilt)])
    if upright is None:
        upright = rng.uniform() < 0.25
    right = np.array([1.0, 0, 0]) if upright else np.array([0, rng.choice([-1.0, 1.0]), 0])
    roll = rng.normal(0, 0.05)
    right = right - (right @ away) * away
    right /= np.linalg.norm(right)
    down = np.cross(-away, right)
    rotation = np.array(
        [math.cos(roll) * right + math.sin(roll) * down, math.cos(roll) * down - math.sin(roll) * right, -away]
    )
    aim = (corners.min(axis=0) + corners.max(axis=0)) / 2 + np.array([*rng.normal(0, 6, 2), 0])
    spare = rng.uniform(1.01, 1.15)
    for far in np.arange(180.0, 1600.0, 2.0):
        translation = -rotation @ (aim + far * away)
        px = project(lens, rotation, translation, corners)
        inner = np.abs(px - lens[2:4]) / (np.array(size) / 2)
        if inner.max() < 0.95:
            break
    translation = -rotation @ (aim + far * spare * away)
    return Camera(size, lens, rotation, translation, tilt_deg, nominal)


def project(lens: FloatArray, rotation: FloatArray, translation: FloatArray, xyz: FloatArray) -> FloatArray:
    """Pixels (n, 2) of world places (n, 3)."""
    import cv2

    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1]])
    px, _ = cv2.projectPoints(
        np.ascontiguousarray(xyz, float).reshape(-1, 1, 3), cv2.Rodrigues(rotation)[0], translation, matrix, lens[4:]
    )
    return px.reshape(-1, 2)
