"""Opening pictures: stored pixels whatever the tag says, and refusals in one line."""

from __future__ import annotations

import hashlib
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pil
from PIL import ImageOps

from capture.camera.image import open_image, upright
from fit.errors import InputError


def pattern(height: int = 60, width: int = 80) -> np.ndarray:
    """Levels that differ in every quadrant, smooth enough for a lossy file."""
    y, x = np.mgrid[0:height, 0:width]
    return (40 + 1.5 * x + 0.8 * y).astype(np.uint8)


def tagged(path: Path, orientation: int, array: np.ndarray | None = None) -> Path:
    picture = Pil.fromarray(pattern() if array is None else array)
    exif = picture.getexif()
    exif[0x0112] = orientation
    picture.save(path, exif=exif, **({"quality": 98} if path.suffix in {".jpg", ".heic"} else {}))
    return path


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "tif"])
def test_stored_array_ignores_the_tag(tmp_path, kind, orientation):
    image = open_image(tagged(tmp_path / f"p.{kind}", orientation))
    assert image.orientation == orientation
    assert image.size == (80, 60)
    np.testing.assert_allclose(image.grey.astype(float), pattern(), atol=3 if kind == "jpg" else 0)
    np.testing.assert_allclose(image.colour()[..., 1].astype(float), pattern(), atol=3 if kind == "jpg" else 0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_and_pixel_places_as_pillow_turns_them(tmp_path, orientation):
    """Reference: Pillow's ImageOps.exif_transpose on the same file."""
    path = tagged(tmp_path / "p.png", orientation)
    with Pil.open(path) as picture:
        reference = np.asarray(ImageOps.exif_transpose(picture))
    image = open_image(path)
    np.testing.assert_array_equal(upright(image.grey, orientation), reference)
    stored = np.array([(3, 5), (70, 11), (0, 59)])
    shown = image.to_displayed(stored)
    picked = reference[shown[:, 1].astype(int), shown[:, 0].astype(int)]
    np.testing.assert_array_equal(picked, image.grey[stored[:, 1], stored[:, 0]])
    np.testing.assert_allclose(image.to_stored(shown), stored)


@pytest.mark.parametrize("orientation", [1, 6])
def test_heic_tag_is_not_applied(tmp_path, orientation):
    """A HEIC file turns itself by its rotation property (ISO/IEC 23008-12), applied in decoding; the tag is void."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    path = tagged(tmp_path / "p.heic", orientation, np.dstack([pattern()] * 3))
    image = open_image(path)
    assert image.orientation == 1
    np.testing.assert_allclose(image.grey.astype(float), pattern(), atol=5)


def test_sixteen_bits_keep_their_precision(tmp_path):
    import cv2

    ramp = np.linspace(20000, 21000, 64 * 64).astype(np.uint16).reshape(64, 64)
    cv2.imwrite(str(tmp_path / "ramp.png"), ramp)
    image = open_image(tmp_path / "ramp.png")
    np.testing.assert_allclose(image.grey, ramp / 257.0, atol=1e-4)
    assert image.grey8.dtype == np.uint8


def test_lens_tags_and_hash(tmp_path):
    picture = Pil.fromarray(pattern())
    exif = picture.getexif()
    exif[0x010F], exif[0x0110] = "Generic", "Phone P1"
    exif.get_ifd(0x8769).update({0x920A: 4.96, 0xA405: 28, 0xA434: "main", 0xA002: 160, 0xA003: 120})
    picture.save(tmp_path / "p.jpg", exif=exif)
    image = open_image(tmp_path / "p.jpg")
    assert (image.exif.make, image.exif.model, image.exif.lens) == ("Generic", "Phone P1", "main")
    assert image.exif.focal_mm == pytest.approx(4.96, rel=1e-4)
    assert image.exif.focal_35_mm == 28
    assert image.exif.size == (160, 120)
    assert image.source.sha256 == hashlib.sha256((tmp_path / "p.jpg").read_bytes()).hexdigest()


def test_broken_exif_counts_as_none(tmp_path):
    Pil.fromarray(pattern()).save(tmp_path / "p.jpg", exif=b"Exif\0\0II*\0\xff\xff\xff\x7f")
    assert open_image(tmp_path / "p.jpg").exif.focal_35_mm is None


def test_no_picture(tmp_path):
    (tmp_path / "text.jpg").write_text("no picture at all")
    with pytest.raises(InputError, match="is not a JPEG, PNG, TIFF or HEIC"):
        open_image(tmp_path / "text.jpg")
    (tmp_path / "empty.jpg").write_bytes(b"")
    with pytest.raises(InputError, match="empty"):
        open_image(tmp_path / "empty.jpg")
    with pytest.raises(InputError, match="cannot be read"):
        open_image(tmp_path / "missing.jpg")
    with pytest.raises(InputError, match="cannot be read"):
        open_image(tmp_path)


@pytest.mark.parametrize("kind", ["jpg", "png", "tif", "heic"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.95])
def test_cut_short(tmp_path, kind, share):
    import pillow_heif

    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 255, (200, 300, 3), dtype=np.uint8)
    data = tagged(tmp_path / f"whole.{kind}", 1, noise).read_bytes()
    (tmp_path / f"cut.{kind}").write_bytes(data[: int(len(data) * share)])
    with pytest.raises(InputError, match=r"cut short|damaged"):
        open_image(tmp_path / f"cut.{kind}")


def test_damaged_inside(tmp_path, capfd):
    """The decoder fills the gap with grey and only mutters on standard error; we refuse, and it stays quiet."""
    noise = np.random.default_rng(1).integers(0, 255, (400, 300), dtype=np.uint8)
    data = tagged(tmp_path / "whole.jpg", 1, noise).read_bytes()
    middle = len(data) // 2
    (tmp_path / "hole.jpg").write_bytes(data[:middle] + data[middle + 9000 :])
    with pytest.raises(InputError, match="damaged"):
        open_image(tmp_path / "hole.jpg")
    assert capfd.readouterr().err == ""


def png_that_claims(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    packed = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def test_decompression_bomb(tmp_path):
    (tmp_path / "bomb.png").write_bytes(png_that_claims(60000, 60000))
    with pytest.raises(InputError, match="over the limit of 200 million"):
        open_image(tmp_path / "bomb.png")
