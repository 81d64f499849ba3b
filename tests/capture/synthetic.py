"""Made-up photos whose truth is exact: corners projected through a known camera, without drawing a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.camera.detect import FoundPiece
from capture.camera.image import Exif, Image
from capture.camera.lens import see
from capture.pieces import Piece
from fit.points import FloatArray

__all__ = ["Shot", "blank_image", "look", "make_pieces"]


@dataclass(frozen=True, eq=False)
class Shot:
    """A true camera over a bench: lens (9,), rotation, translation, print scale (2,), places (n, 3) of the pieces."""

    lens: FloatArray
    rotation: FloatArray
    translation: FloatArray
    scale: FloatArray
    places: FloatArray

    def project(self, xyz: FloatArray) -> FloatArray:
        return see(self.lens, self.rotation, self.translation, xyz)[0]


def blank_image(size: tuple[int, int] = (4000, 3000), focal_35_mm: float | None = 28.0) -> Image:
    """A picture without content, for its size and lens tags."""
    grey: NDArray[np.uint8] = np.broadcast_to(np.uint8(0), size[::-1])
    exif = Exif(make="Generic", model="Phone", focal_35_mm=focal_35_mm, size=size if focal_35_mm else None)
    return Image(Path("made-up.jpg"), "0" * 64, grey, 1, exif, b"")


def look(tilt_deg: float, azimuth_deg: float, distance: float, middle: tuple[float, float], roll_deg: float = 0.0):
    """Rotation and translation of a camera that looks at a bench place from above, y of the picture down."""
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    away = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    forward = -away
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turned = np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right
    rotation = np.array([*turned, forward])
    centre = np.array([*middle, 0.0]) + distance * away
    return rotation, -rotation @ centre


def make_pieces(
    shot: Shot, pieces: list[Piece], sigma: float, rng: np.random.Generator, *, size=(4000, 3000), flat_u: float = 0.0
) -> list[FoundPiece]:
    """Corners of the pieces as the camera would show them, normal noise of `sigma` px; paper flat to `flat_u` mm."""
    found = []
    for piece, (angle, x, y) in zip(pieces, shot.places, strict=True):
        ids = piece.corner_ids()
        printed = piece.corner_xy(ids) * shot.scale
        c, s = np.cos(angle), np.sin(angle)
        height = _waves(piece, ids, len(pieces) > 1) @ rng.normal(0, flat_u, 6)
        bench = np.column_stack([printed @ np.array([[c, s], [-s, c]]) + [x, y], height])
        px = shot.project(bench) + rng.normal(0, sigma, (len(ids), 2))
        inside = ((px > 20) & (px < np.array(size) - 20)).all(axis=1)
        count = int(inside.sum())
        cov = np.broadcast_to(max(sigma, 1e-4) ** 2 * np.eye(2), (count, 2, 2)).copy()
        found.append(FoundPiece(piece, ids[inside], px[inside], cov, np.full(count, 1.0), count, len(ids)))
    return found


def _waves(piece: Piece, ids: NDArray[np.int_], loose: bool) -> FloatArray:
    """(N, 6) ways in which paper leaves the bench: bow along, bow across, twist; lift and two tilts of loose pieces.

    A narrow strip neither bows across, nor twists, nor leans sideways to speak of.
    """
    u, v = (2 * piece.corner_xy(ids) / [piece.width, piece.height] - 1).T
    wide = float(piece.kind != "strip")
    one = np.ones_like(u)
    return np.column_stack(
        [v * v - 1 / 3, wide * (u * u - 1 / 3), wide * u * v, loose * one, loose * v, loose * wide * u]
    )


def board_px(piece: Piece, px_per_mm: float) -> NDArray[np.uint8]:
    """The printed piece as a picture, unprinted squares white, drawn by OpenCV."""
    size = round(piece.width * px_per_mm), round(piece.height * px_per_mm)
    drawn = np.asarray(piece.board().generateImage(size, marginSize=0, borderBits=1)).copy()
    side = piece.square * px_per_mm
    for row in range(piece.rows):
        for column in range(piece.columns):
            if not piece.printed(column, row):
                rows, columns = (slice(round(i * side), round((i + 1) * side)) for i in (row, column))
                drawn[rows, columns] = 255
    return drawn


def photograph(
    shot: Shot, piece: Piece, size: tuple[int, int], *, blur: float = 0.8, noise: float = 2.0, seed: int = 0
) -> NDArray[np.uint8]:
    """Draw one piece under a distortion-free camera: four-fold supersampled, blurred, with noise; on a grey bench."""
    import cv2

    px_per_mm, fine, margin = 10.0, 4, 6.0
    board = board_px(piece, px_per_mm).astype(np.float32) * 0.8 + 25
    border = round(margin * px_per_mm)
    sheet = cv2.copyMakeBorder(board, *(4 * [border]), cv2.BORDER_CONSTANT, value=230)
    corners = np.array([(0, 0), (piece.width, 0), (piece.width, piece.height), (0, piece.height)]) * 1.0
    drawn = np.column_stack([corners[:, 0], piece.height - corners[:, 1]]) * px_per_mm + border - 0.5
    seen = shot.project(np.column_stack([corners * shot.scale, np.zeros(4)]))
    finer = (seen + 0.5) * fine - 0.5
    homography = cv2.getPerspectiveTransform(drawn.astype(np.float32), finer.astype(np.float32))
    large = cv2.warpPerspective(
        sheet, homography, (size[0] * fine, size[1] * fine), flags=cv2.INTER_LINEAR, borderValue=90
    )
    picture = cv2.GaussianBlur(cv2.resize(large, size, interpolation=cv2.INTER_AREA), (0, 0), blur)
    noisy = picture + np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def save_photo(path: Path, picture: NDArray[np.uint8], focal_35_mm: int | None = 28, orientation: int = 1) -> Path:
    """Write a picture with the lens tags of a phone."""
    from PIL import Image as Pil

    photo = Pil.fromarray(picture)
    exif = photo.getexif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Generic", "Phone", orientation
    inner = exif.get_ifd(0x8769)
    if focal_35_mm:
        inner[0x920A], inner[0xA405] = 4.96, focal_35_mm
    inner[0xA002], inner[0xA003] = photo.size
    photo.save(path, exif=exif, **({"quality": 93} if path.suffix == ".jpg" else {}))
    return path
