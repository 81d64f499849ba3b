"""Small photos of a plate on printed pieces, drawn with exact edge coverage in linear light; the truth is what drew them.

Every outline is a signed distance on its own plane (mm). A pixel's coverage is half minus its distance in pixels, which
leaves the middle of an edge where it is whatever its direction. The solid is drawn level by level: face, wall, lower rim
and what holes show of the paper follow from perspective alone. Real photos add more, these add nothing that is not told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.camera.lens import rays, see
from capture.pieces import Piece, frame
from fit.points import FloatArray

__all__ = ["Camera", "Hole", "Light", "Plate", "Scene", "Slot", "draw", "look", "save"]

_TEXELS = 20.0  # per mm of the print
_NODE_PX = 16
_LEVELS = 5


@dataclass(frozen=True, eq=False)
class Camera:
    """lens (9,), rotation (3, 3), translation (3,): bench to camera, as `capture.camera.lens.see` takes them; size in px."""

    lens: FloatArray
    rotation: FloatArray
    translation: FloatArray
    size: tuple[int, int]

    def project(self, xyz: FloatArray) -> FloatArray:
        return see(self.lens, self.rotation, self.translation, np.asarray(xyz, float))[0]

    @property
    def centre(self) -> FloatArray:
        return -self.rotation.T @ self.translation


@dataclass(frozen=True)
class Hole:
    """A round hole, in plate coordinates."""

    x: float
    y: float
    diameter: float

    def outside(self, x: FloatArray, y: FloatArray) -> FloatArray:
        return np.hypot(x - self.x, y - self.y) - self.diameter / 2


@dataclass(frozen=True)
class Slot:
    """A slot of a length over all and a width, at an angle in rad."""

    x: float
    y: float
    length: float
    width: float
    angle: float

    def outside(self, x: FloatArray, y: FloatArray) -> FloatArray:
        c, s = math.cos(self.angle), math.sin(self.angle)
        along, across = c * (x - self.x) + s * (y - self.y), c * (y - self.y) - s * (x - self.x)
        half = (self.length - self.width) / 2
        return np.hypot(np.maximum(np.abs(along) - half, 0), across) - self.width / 2


@dataclass(frozen=True)
class Plate:
    """A sheet with rounded corners, its middle at x, y of the bench (reference piece), turned by `angle` rad.

    corners : radii, upper right first, counter-clockwise. disc : a circle that the sheet is cut to
    as well. rounding : radius of its upper edge. height : of its face.
    """

    width: float = 76.0
    length: float = 112.0
    corners: tuple[float, float, float, float] = (8.0, 8.0, 8.0, 8.0)
    holes: tuple[Hole, ...] = (Hole(-22, -38, 8.0), Hole(22, 38, 10.0))
    slots: tuple[Slot, ...] = ()
    disc: Hole | None = None
    thickness: float = 2.0
    height: float = 2.0
    rounding: float = 0.0
    x: float = 90.0
    y: float = 120.0
    angle: float = 0.0

    def local(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        c, s = math.cos(self.angle), math.sin(self.angle)
        return c * (x - self.x) + s * (y - self.y), c * (y - self.y) - s * (x - self.x)

    def on_bench(self, xy: FloatArray) -> FloatArray:
        c, s = math.cos(self.angle), math.sin(self.angle)
        return np.atleast_2d(xy) @ np.array([[c, s], [-s, c]]) + [self.x, self.y]

    def outside(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Signed distance from the material in plan, negative inside it."""
        u, v = self.local(x, y)
        upper_right, upper_left, lower_left, lower_right = self.corners
        radius = np.where(u > 0, np.where(v > 0, upper_right, lower_right), np.where(v > 0, upper_left, lower_left))
        a, b = np.abs(u) - self.width / 2 + radius, np.abs(v) - self.length / 2 + radius
        box = np.minimum(np.maximum(a, b), 0) + np.hypot(np.maximum(a, 0), np.maximum(b, 0)) - radius
        if self.disc is not None:
            box = np.maximum(box, self.disc.outside(u, v))
        for opening in (*self.holes, *self.slots):
            box = np.maximum(box, -opening.outside(u, v))
        return box


@dataclass(frozen=True)
class Light:
    """Tones in linear light (red, green, blue), and what the light does.

    shadow : how far the shadow falls per mm of height (x, y), (0, 0) for none; soft : its penumbra per mm of height.
    slope : change of brightness over the whole picture. texture : rms of the face's grain.
    """

    paper: tuple[float, float, float] = (0.78, 0.77, 0.74)
    ink: tuple[float, float, float] = (0.03, 0.03, 0.03)
    bench: tuple[float, float, float] = (0.16, 0.13, 0.10)
    face: tuple[float, float, float] = (0.18, 0.07, 0.045)
    wall: tuple[float, float, float] = (0.07, 0.03, 0.02)
    shadow: tuple[float, float] = (0.0, 0.0)
    soft: float = 0.4
    dark: float = 0.45
    slope: float = 0.1
    texture: float = 0.01


@dataclass(frozen=True, eq=False)
class Scene:
    """All that a photo shows. places (n, 3): angle, x, y of each piece; scale: print scale in x and y."""

    camera: Camera
    plate: Plate | None = Plate()
    pieces: tuple[Piece, ...] = (frame(),)
    places: FloatArray = field(default_factory=lambda: np.zeros((1, 3)))
    scale: tuple[float, float] = (1.0, 1.0)
    light: Light = Light()
    blur: float = 0.75
    noise: float = 0.004
    seed: int = 0


def look(
    tilt_deg: float,
    azimuth_deg: float,
    distance: float,
    *,
    middle: tuple[float, float] = (90.0, 120.0),
    roll_deg: float = 90.0,
    size: tuple[int, int] = (1600, 1200),
    focal_35: float = 26.0,
    lens: FloatArray | None = None,
) -> Camera:
    """A camera over a bench place: away from the normal by a tilt towards an azimuth, turned about its own axis."""
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    away = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    right = np.cross(-away, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(-away, right)
    rotation = np.array([np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right, -away])
    if lens is None:
        f = focal_35 / 36.0 * max(size)
        lens = np.array([f, 1.0, (size[0] - 1) / 2, (size[1] - 1) / 2, 0, 0, 0, 0, 0])
    centre = np.array([*middle, 0.0]) + distance * away
    return Camera(lens, rotation, -rotation @ centre, size)


def draw(scene: Scene) -> NDArray[np.uint8]:
    """The photo (H, W, 3), RGB in the sRGB curve of IEC 61966-2-1."""
    import cv2

    rng = np.random.default_rng(scene.seed)
    ground = _plane(scene.camera, 0.0)
    tone = _print_on_bench(scene, ground)
    if scene.plate is not None:
        tone = _with_plate(scene, tone, ground, rng)
    height, width = tone.shape[:2]
    across, down = np.linspace(-0.5, 0.5, width), np.linspace(-0.5, 0.5, height)[:, None]
    tone *= (1 + scene.light.slope * (across + 0.6 * down))[..., None].astype(np.float32)
    if scene.blur:
        tone = cv2.GaussianBlur(tone, (0, 0), scene.blur)
    grain = np.sqrt(np.maximum(tone, 0) + 0.02).astype(np.float32)
    tone = tone + scene.noise * grain * rng.standard_normal(tone.shape, dtype=np.float32)
    level = np.clip(tone, 0, 1)
    curve = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1 / 2.4) - 0.055)
    return np.rint(255 * curve).astype(np.uint8)


def _plane(camera: Camera, height: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Bench x and y (H, W) where every pixel's ray meets a level plane: exact every 16 pixels, cubic between."""
    import cv2

    width, rows = camera.size
    across, down = (np.arange(-2, n // _NODE_PX + 4) * float(_NODE_PX) for n in (width, rows))
    px = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
    looking = np.column_stack([rays(camera.lens, px), np.ones(len(px))]) @ camera.rotation
    centre = camera.centre
    xy = centre[:2] + looking[:, :2] * ((height - centre[2]) / looking[:, 2])[:, None]
    nodes = xy.reshape(len(down), len(across), 2).astype(np.float32)
    column, row = np.meshgrid(
        np.arange(width, dtype=np.float32) / _NODE_PX + 2, np.arange(rows, dtype=np.float32) / _NODE_PX + 2
    )
    # Bilinear: between nodes 16 px apart a camera at this distance bends by less than a thousandth of a pixel.
    x, y = (cv2.remap(np.ascontiguousarray(nodes[..., i]), column, row, cv2.INTER_LINEAR) for i in (0, 1))
    return x, y


def _coverage(outside: FloatArray) -> NDArray[np.float32]:
    """Share of each pixel that is inside, from the signed distance at its middle and the scale that its slope tells."""
    down, across = np.gradient(outside)
    slope = np.maximum(np.hypot(down, across), 1e-6)
    return np.clip(0.5 - outside / slope, 0.0, 1.0).astype(np.float32)


def _print_on_bench(scene: Scene, ground: tuple[NDArray[np.float32], NDArray[np.float32]]) -> NDArray[np.float32]:
    light = scene.light
    tone = np.broadcast_to(np.float32(light.bench), (*ground[0].shape, 3)).copy()
    for piece, place in zip(scene.pieces, scene.places, strict=True):
        (turn, left, low) = map(float, place)
        c, s = math.cos(turn), math.sin(turn)
        dx, dy = ground[0] - left, ground[1] - low
        x, y = (c * dx + s * dy) / scene.scale[0], (c * dy - s * dx) / scene.scale[1]
        margin = 12.0
        sheet = np.maximum(
            np.abs(x - piece.width / 2) - piece.width / 2, np.abs(y - piece.height / 2) - piece.height / 2
        )
        paper = _coverage(sheet - margin)[..., None]
        ink = _ink(scene, piece, x, y)[..., None]
        there = ink * np.float32(light.ink) + (1 - ink) * np.float32(light.paper)
        tone = paper * there + (1 - paper) * tone
    return tone


def _ink(scene: Scene, piece: Piece, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    """Share of ink in every pixel: the printed pattern, averaged over about a pixel first."""
    import cv2

    size = round(piece.width * _TEXELS), round(piece.height * _TEXELS)
    pattern = np.asarray(piece.board().generateImage(size, marginSize=0, borderBits=1)).copy()
    side = piece.square * _TEXELS
    for row in range(piece.rows):
        for column in range(piece.columns):
            if not piece.printed(column, row):
                rows, columns = (slice(round(i * side), round((i + 1) * side)) for i in (row, column))
                pattern[rows, columns] = 255
    pattern = cv2.copyMakeBorder(255 - pattern, 20, 20, 20, 20, cv2.BORDER_CONSTANT, value=0)
    middle = x.shape[0] // 2, x.shape[1] // 2
    pixel_mm = float(np.hypot(x[middle] - x[middle[0], middle[1] + 1], y[middle] - y[middle[0], middle[1] + 1]))
    wide = 2 * round(pixel_mm * _TEXELS / 2) + 1
    pattern = cv2.blur(pattern, (wide, wide))
    # Texel i spans i to i + 1 twentieths of a millimetre, so its middle lies half a texel on.
    u, v = x * _TEXELS - 0.5 + 20, (piece.height - y) * _TEXELS - 0.5 + 20
    ink = cv2.remap(pattern, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderValue=0)
    return ink.astype(np.float32) / 255


def _with_plate(scene: Scene, tone: NDArray[np.float32], ground, rng: np.random.Generator) -> NDArray[np.float32]:
    import cv2

    plate, light = scene.plate, scene.light
    rows, columns = _window(scene)
    here = np.s_[rows, columns]
    part = tone[here]
    if light.shadow != (0.0, 0.0):
        part = part * _shade(scene, ground[0][here], ground[1][here])[..., None]
    planes = {z: tuple(p[here] for p in _plane(scene.camera, z)) for z in _levels(plate)}
    solid = np.min([plate.outside(*xy) + _inset(plate, z) for z, xy in planes.items()], axis=0)
    top = plate.outside(*planes[plate.height])
    face = _coverage(top + plate.rounding)[..., None]
    # The rounding turns from face to wall; under a wide sky a surface gets light by the cosine of its lean.
    lean = np.clip((top + plate.rounding) / max(plate.rounding, 1e-9), 0, 1)
    flat = np.sqrt(1 - lean**2)[..., None]
    side = flat * np.float32(light.face) + (1 - flat) * np.float32(light.wall)
    grain = cv2.GaussianBlur(rng.standard_normal(top.shape, dtype=np.float32), (0, 0), 1.5)
    grain *= light.texture / float(grain.std())
    metal = face * np.float32(light.face) * (1 + grain[..., None]) + (1 - face) * side
    seen = _coverage(solid)[..., None]
    tone = tone.copy()
    tone[here] = seen * metal + (1 - seen) * part
    return tone


def _window(scene: Scene) -> tuple[slice, slice]:
    """Rows and columns of the picture that plate and shadow can touch."""
    plate = scene.plate
    half = np.hypot(plate.width, plate.length) / 2 + 12 * (1 + np.hypot(*scene.light.shadow)) * 1.0
    around = np.array(
        [(sx * half + plate.x, sy * half + plate.y, z) for sx in (-1, 1) for sy in (-1, 1) for z in (0, plate.height)]
    )
    px = scene.camera.project(around)
    (left, up), (right, down) = px.min(axis=0), px.max(axis=0)
    width, height = scene.camera.size
    return slice(max(int(up), 0), min(int(down) + 1, height)), slice(max(int(left), 0), min(int(right) + 1, width))


def _levels(plate: Plate) -> list[float]:
    foot, shoulder = plate.height - plate.thickness, plate.height - plate.rounding
    levels = [*np.linspace(foot, shoulder, _LEVELS)]
    if plate.rounding:
        levels += [shoulder + plate.rounding * np.sin(a) for a in np.radians([20, 40, 60, 75, 90])]
    return [*dict.fromkeys(float(z) for z in levels[:-1]), plate.height]


def _inset(plate: Plate, z: float) -> float:
    """How far inside the contour a level of the rounded edge lies."""
    up = max(z - (plate.height - plate.rounding), 0.0)
    return plate.rounding - math.sqrt(max(plate.rounding**2 - up**2, 0.0))


def _shade(scene: Scene, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    """Brightness of the ground, 1 in full light, by how much of the light the solid hides."""
    plate, light = scene.plate, scene.light
    left = np.ones_like(x)
    for z in map(float, np.linspace(0.0, plate.height, _LEVELS)):
        gap = plate.outside(x - z * light.shadow[0], y - z * light.shadow[1])
        width = light.soft * z + 0.15
        left = np.minimum(left, np.clip(0.5 + gap / width, 0, 1))
    return (light.dark + (1 - light.dark) * left).astype(np.float32)


def save(path: Path, picture: NDArray[np.uint8], focal_35: float | None = 26.0, quality: int = 93) -> Path:
    """Write a picture with the lens tags of a phone; the ending says the format."""
    from PIL import Image as Pil

    photo = Pil.fromarray(picture)
    exif = photo.getexif()
    exif[0x010F], exif[0x0110] = "Generic", "Phone"
    inner = exif.get_ifd(0x8769)
    if focal_35:
        inner[0xA405] = round(focal_35)
        inner[0xA002], inner[0xA003] = photo.size
    photo.save(
        path, exif=exif, **({"quality": quality, "subsampling": 0} if path.suffix == ".jpg" else {"compress_level": 1})
    )
    return path


def moved(scene: Scene, **changes) -> Scene:
    """The scene with some of its parts changed."""
    return replace(scene, **changes)
