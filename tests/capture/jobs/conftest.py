"""A made-up scene for jobs: a flat part drawn inside the printed frame, photographed twice, with exact truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from capture.pieces import frame
from fit.points import FloatArray

SIZE = (1600, 1200)
LENS = np.array([1350.0, 1.0, 799.5, 599.5, 0.0, 0.0, 0.0, 0.0, 0.0])
CORNERS = ((60.0, 80.0), (120.0, 160.0))
HOLES = {"hole 1": (75.0, 95.0, 10.0), "hole 2": (105.0, 95.0, 8.0), "hole 3": (90.0, 145.0, 12.0)}
"""x, y, diameter; mm in the frame's axes, on the paper itself."""


@dataclass(frozen=True)
class Scene:
    """A folder with photo_a.jpg and photo_b.jpg, and the job that measures them."""

    folder: Path
    job: str

    @property
    def single(self) -> str:
        """The job with the first photo only."""
        start, end = self.job.index('[[photo]]\nname = "b"'), self.job.index("[[feature]]")
        return (self.job[:start] + self.job[end:]).replace('photo = ["a", "b"]\n', "")


def _drawn(piece: object, synthetic: ModuleType, px_per_mm: float) -> FloatArray:
    """The frame with a dark part with three holes in its blank middle, every pixel by how far it is covered."""
    board = synthetic.board_px(piece, px_per_mm).astype(np.float32) * 0.8 + 25
    rows, columns = board.shape
    x = (np.arange(columns) + 0.5) / px_per_mm
    y = piece.height - (np.arange(rows)[:, None] + 0.5) / px_per_mm

    def covered(depth: FloatArray) -> FloatArray:
        return np.clip(depth * px_per_mm + 0.5, 0, 1)

    (left, low), (right, high) = CORNERS
    part = covered(np.minimum(x - left, right - x)) * covered(np.minimum(y - low, high - y))
    for centre_x, centre_y, diameter in HOLES.values():
        part = part * (1 - covered(diameter / 2 - np.hypot(x - centre_x, y - centre_y)))
    return (board * (1 - part) + 70.0 * part).astype(np.float32)


def _photo(synthetic: ModuleType, tilt: float, azimuth: float, seed: int) -> FloatArray:
    import cv2

    piece, scale, fine = frame(), 10.0, 3
    rotation, translation = synthetic.look(tilt, azimuth, 270.0, (90.0, 120.0), roll_deg=90.0)
    shot = synthetic.Shot(LENS, rotation, translation, np.ones(2), np.zeros((1, 3)))
    sheet = cv2.copyMakeBorder(_drawn(piece, synthetic, scale), *(4 * [60]), cv2.BORDER_CONSTANT, value=230)
    corners = np.array([(0, 0), (piece.width, 0), (piece.width, piece.height), (0, piece.height)]) * 1.0
    drawn = np.column_stack([corners[:, 0], piece.height - corners[:, 1]]) * scale + 60 - 0.5
    seen = (shot.project(np.column_stack([corners, np.zeros(4)])) + 0.5) * fine - 0.5
    turned = cv2.getPerspectiveTransform(drawn.astype(np.float32), seen.astype(np.float32))
    large = cv2.warpPerspective(sheet, turned, (SIZE[0] * fine, SIZE[1] * fine), borderValue=90)
    picture = cv2.GaussianBlur(cv2.resize(large, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    light = np.clip(picture / 255, 0, 1)  # blur acts on light, files hold the sRGB curve of it (IEC 61966-2-1)
    level = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    noisy = level + np.random.default_rng(seed).normal(0, 1.5, level.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


_HEAD = """[job]
name = "drawn plate"
date = "2026-01-01"
[camera]
file = "camera.json"
"""
_PHOTO = """[[photo]]
name = "{name}"
file = "photo_{name}.jpg"
height = 0.0
height_u = 0.01
thickness = 0.2
print_x = 180.0
print_y = 240.0
"""
_FEATURES = """[[feature]]
name = "hole 1"
kind = "circle"
photo = ["a", "b"]
near = [76.5, 94.0]
about = 10
[[feature]]
name = "hole 2"
kind = "circle"
photo = "a"
near = [104.0, 96.0]
about = 8
[[feature]]
name = "lower edge"
kind = "line"
photo = ["a", "b"]
near = [[66, 81.5], [114, 78.5]]
[[feature]]
name = "left edge"
kind = "line"
photo = "a"
near = [[61.5, 90], [58.5, 150]]
[[dimension]]
name = "gap"
kind = "distance"
from = "hole 1"
to = "hole 2"
nominal = 30.0
tolerance = 0.5
"""


@pytest.fixture(scope="session")
def drawn_photos(synthetic: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The two photos and the camera.json that knows their lens."""
    import cv2

    from capture.camera.image import Exif
    from capture.camera.profile import CameraProfile

    folder = tmp_path_factory.mktemp("drawn")
    for name, tilt, azimuth, seed in (("a", 4.0, 0.0, 1), ("b", 22.0, 40.0, 2)):
        cv2.imwrite(
            str(folder / f"photo_{name}.jpg"), _photo(synthetic, tilt, azimuth, seed), [cv2.IMWRITE_JPEG_QUALITY, 95]
        )
    cov = np.diag(np.square([1.0, 1e-4, 0.5, 0.5, 1e-4, 1e-4, 1e-5, 1e-5, 1e-4]))
    write_profile(folder / "camera.json", CameraProfile(SIZE, LENS, cov, Exif(size=SIZE)))
    return folder


def write_profile(path: Path, profile: object) -> None:
    import json

    path.write_text(json.dumps(profile.record()))


@pytest.fixture
def scene(drawn_photos: Path, tmp_path: Path) -> Scene:
    """The photos linked into a folder of the test's own, with its job."""
    for file in drawn_photos.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    text = _HEAD + _PHOTO.format(name="a") + _PHOTO.format(name="b") + _FEATURES
    (tmp_path / "plate.toml").write_text(text)
    return Scene(tmp_path, text)
