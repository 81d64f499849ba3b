"""Open a picture file: its own pixels in grey, its orientation tag, what it says about its lens, its hash.

Everything is measured in pixels of the stored array (pixel centres at whole numbers, y down); the orientation tag only
matters for showing the picture to people. `Image.to_displayed` and `Image.to_stored` are the one place that knows it.
"""

from __future__ import annotations

import hashlib
import warnings
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capture.camera.decode import damaged, decode_colour, decode_grey, kind_of
from fit.errors import InputError
from fit.points import FloatArray
from fit.results import Source

if TYPE_CHECKING:
    from PIL.Image import Image as PilImage

__all__ = ["MAX_PIXELS", "Exif", "Image", "open_image", "upright"]

MAX_PIXELS = 200_000_000
"""Largest picture read; a small file can claim far more and fill the memory."""


@dataclass(frozen=True, slots=True)
class Exif:
    """What the picture says about how it was taken; None or '' where it does not.

    focal_mm: focal length in mm; focal_35_mm: its 35 mm equivalent; size: (width, height) px that the camera wrote
    (it differs from the array's own size when the picture was cropped or scaled afterwards); zoom: digital zoom ratio.
    """

    make: str = ""
    model: str = ""
    lens: str = ""
    focal_mm: float | None = None
    focal_35_mm: float | None = None
    zoom: float | None = None
    size: tuple[int, int] | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Image:
    """A picture as its file stores it.

    Attributes
    ----------
    path : of the file. sha256 : of its bytes.
    grey : (H, W) in levels 0 to 255: uint8, or float32 for pictures with 16 bits per channel. Read-only.
    orientation : EXIF orientation 1 to 8, not applied to `grey`.
    exif : what the picture says about its lens.
    data : the file's bytes, for the colour picture.
    """

    path: Path
    sha256: str
    grey: NDArray[Any]
    orientation: int
    exif: Exif
    data: bytes

    @property
    def width(self) -> int:
        """Columns of the stored array."""
        return int(self.grey.shape[1])

    @property
    def height(self) -> int:
        """Rows of the stored array."""
        return int(self.grey.shape[0])

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the stored array."""
        return self.width, self.height

    @property
    def grey8(self) -> NDArray[np.uint8]:
        """The grey picture in 8 bits, for finding markers."""
        if self.grey.dtype == np.uint8:
            return self.grey
        return np.clip(np.rint(self.grey), 0, 255).astype(np.uint8)

    @property
    def source(self) -> Source:
        """The file's entry in a results record."""
        return Source(str(self.path), self.sha256)

    def colour(self) -> NDArray[np.uint8]:
        """Decode the stored picture in colour, (H, W, 3) BGR, for overlays only."""
        pixels = decode_colour(self.path, self.data)
        return _undo_orientation(pixels, self.orientation) if kind_of(self.data) == "tiff" else pixels

    def to_displayed(self, px: ArrayLike) -> FloatArray:
        """Turn stored pixel places (..., 2) into those of the upright picture."""
        return _displayed(np.asarray(px, float), self.width, self.height, self.orientation)

    def to_stored(self, px: ArrayLike) -> FloatArray:
        """Turn pixel places (..., 2) of the upright picture into those of the stored array."""
        back = {6: 8, 8: 6}.get(self.orientation, self.orientation)
        width, height = self.size if self.orientation < 5 else (self.height, self.width)
        return _displayed(np.asarray(px, float), width, height, back)


def open_image(path: str | Path) -> Image:
    """Read a JPEG, PNG (8 or 16 bit), TIFF or HEIC picture.

    Raises InputError for a file that is missing, empty, no picture, cut short, damaged, or over `MAX_PIXELS`.
    """
    path = Path(path)
    data = _read(path)
    kind = kind_of(data)
    if not kind:
        message = f"{path}: is not a JPEG, PNG, TIFF or HEIC picture; give the photo as the camera wrote it."
        raise InputError(message)
    orientation, exif, size = _header(path, data, kind)
    if size[0] * size[1] > MAX_PIXELS:
        message = (
            f"{path}: has {size[0]} × {size[1]} pixels, over the limit of {MAX_PIXELS // 1_000_000} million; "
            "give a smaller photo."
        )
        raise InputError(message)
    grey = decode_grey(path, data)
    if kind == "tiff":
        grey = _undo_orientation(grey, orientation)
    grey.flags.writeable = False
    if exif.size == (grey.shape[1], grey.shape[0]) or exif.size == grey.shape:
        exif = replace(exif, size=(grey.shape[1], grey.shape[0]))
    return Image(path, hashlib.sha256(data).hexdigest(), grey, orientation, exif, data)


def upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn a stored array (H, W, ...) as its EXIF orientation asks (EXIF 2.32, tag 274)."""
    if orientation >= 5:
        pixels = np.swapaxes(pixels, 0, 1)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _undo_orientation(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Decoders turn TIFF pictures upright by themselves; give back the stored array."""
    return upright(pixels, {6: 8, 8: 6}.get(orientation, orientation))


def _displayed(px: FloatArray, width: int, height: int, orientation: int) -> FloatArray:
    u, v = px[..., 0], px[..., 1]
    if orientation >= 5:
        u, v, width, height = v, u, height, width
    if orientation in (2, 3, 6, 7):
        u = width - 1 - u
    if orientation in (3, 4, 7, 8):
        v = height - 1 - v
    return np.stack([u, v], axis=-1)


def _read(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); check the name and its permissions."
        raise InputError(message) from error
    if not data:
        message = f"{path}: the file is empty; copy it from the camera again."
        raise InputError(message)
    return data


def _header(path: Path, data: bytes, kind: str) -> tuple[int, Exif, tuple[int, int]]:
    """Orientation, EXIF and claimed size, without decoding a pixel."""
    import io

    from PIL import Image as Pil

    if kind == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    limit, Pil.MAX_IMAGE_PIXELS = Pil.MAX_IMAGE_PIXELS, None
    try:
        with warnings.catch_warnings(action="ignore"), Pil.open(io.BytesIO(data)) as picture:
            orientation, exif = _exif_of(picture)
            return orientation if kind != "heic" else 1, exif, picture.size
    except Exception as error:  # each format's reader fails in its own way on a broken header
        raise damaged(path, "cut short or damaged") from error
    finally:
        Pil.MAX_IMAGE_PIXELS = limit


def _exif_of(picture: PilImage) -> tuple[int, Exif]:
    """Read the tags that matter; a broken EXIF block counts as none."""
    tags: dict[int, Any] = {}
    with suppress(Exception):
        block = picture.getexif()
        tags = {**block, **block.get_ifd(0x8769)}
    orientation: Any = tags.get(0x0112)
    size = _number(tags.get(0xA002)), _number(tags.get(0xA003))
    return int(orientation) if orientation in range(1, 9) else 1, Exif(
        make=_text(tags.get(0x010F)),
        model=_text(tags.get(0x0110)),
        lens=_text(tags.get(0xA434)),
        focal_mm=_number(tags.get(0x920A)),
        focal_35_mm=_number(tags.get(0xA405)),
        zoom=_number(tags.get(0xA404)),
        size=(int(size[0]), int(size[1])) if size[0] and size[1] else None,
    )


def _text(value: Any) -> str:
    return " ".join(value.replace("\0", " ").split()) if isinstance(value, str) else ""


def _number(value: Any) -> float | None:
    """A positive number, or None: 0 stands for unknown in these tags."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < 1e6 else None
