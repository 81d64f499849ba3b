"""Decode picture files to their stored pixels, and refuse what can only be read in part."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError

__all__ = ["damaged", "decode_colour", "decode_grey", "kind_of"]

_KINDS = {b"\xff\xd8\xff": "jpeg", b"\x89PNG\r\n\x1a\n": "png", b"II*\x00": "tiff", b"MM\x00*": "tiff"}
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})


def kind_of(data: bytes) -> str:
    """Name of the file's format by its first bytes; empty where it is none that is read."""
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        return "heic"
    return next((kind for magic, kind in _KINDS.items() if data.startswith(magic)), "")


def damaged(path: Path, how: str) -> InputError:
    """The error for a picture that cannot be read whole."""
    return InputError(f"{path}: the picture is {how}; copy it from the camera again.")


def decode_colour(path: Path, data: bytes) -> NDArray[np.uint8]:
    """(H, W, 3) BGR, 8 bits; a TIFF comes upright, whatever its tag."""
    kind = kind_of(data)
    pixels = _decode_heic(path, data) if kind == "heic" else _decode(path, data, kind, True)
    return pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)


def decode_grey(path: Path, data: bytes) -> NDArray[Any]:
    """(H, W) in levels 0 to 255: uint8, or float32 where the file has 16 bits; a TIFF comes upright, whatever its tag."""
    kind = kind_of(data)
    if kind == "heic":
        import cv2

        return np.asarray(cv2.cvtColor(_decode_heic(path, data), cv2.COLOR_BGR2GRAY))
    grey = _decode(path, data, kind, False)
    if grey.dtype == np.uint8:
        return grey
    return (grey.astype(np.float32) / np.float32(257)) if grey.dtype == np.uint16 else grey.astype(np.float32)


def _decode(path: Path, data: bytes, kind: str, colour: bool) -> NDArray[Any]:
    """Decode with OpenCV, which reads grey straight from a JPEG's luma; refuse what it could only read in part."""
    import cv2

    if kind == "jpeg" and data.find(b"\xff\xd9", max(data.find(b"\xff\xda"), 0)) < 0:
        raise damaged(path, "cut short")
    mode = cv2.IMREAD_COLOR if colour else cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH
    with _messages() as messages:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), mode | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise damaged(path, "cut short or damaged")
    # libjpeg fills what it could not decode with grey and only says so on standard error.
    if any(word in b"".join(messages) for word in (b"premature end", b"Premature end")):
        raise damaged(path, "damaged inside")
    return pixels


def _decode_heic(path: Path, data: bytes) -> NDArray[np.uint8]:
    import pillow_heif

    try:
        picture = pillow_heif.open_heif(data, convert_hdr_to_8bit=True, bgr_mode=True)
        return np.ascontiguousarray(np.asarray(picture)[..., :3])
    except Exception as error:  # the library raises many kinds on broken files
        raise damaged(path, "cut short or damaged") from error


@contextmanager
def _messages() -> Iterator[list[bytes]]:
    """Catch what the C decoders write to standard error, so that people see one line of ours instead."""
    caught: list[bytes] = []
    try:
        saved = os.dup(2)
    except OSError:  # no standard error at all, as under a service
        yield caught
        return
    with tempfile.TemporaryFile() as sink:
        os.dup2(sink.fileno(), 2)
        try:
            yield caught
        finally:
            os.dup2(saved, 2)
            os.close(saved)
            sink.seek(0)
            caught.append(sink.read())
