"""Read a point list or cloud of any kind into mm."""

from __future__ import annotations

from pathlib import Path

from fit.errors import InputError
from fit.lists.ply import read_ply
from fit.lists.pointlist import PointList
from fit.lists.text import read_text

__all__ = ["read_list"]


def read_list(path: str | Path, unit: str | None = None) -> PointList:
    """Read a point list or cloud into mm.

    Parameters
    ----------
    path : text list (comma, semicolon, tab, bar or blank separated) or PLY.
    unit : 'mm' or 'inch' where the file does not say.

    Raises
    ------
    InputError : unreadable file, bad row (with its line), unit neither stated nor given, or stated otherwise.
    """
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); check the name and its permissions."
        raise InputError(message) from error
    if raw[:4].strip() == b"ply" and raw[:3] == b"ply":
        return read_ply(str(path), raw, unit)
    if Path(path).suffix.lower() == ".ply":
        message = f"{path}: is not a PLY file (no header); export the cloud again."
        raise InputError(message)
    return read_text(str(path), _decode(str(path), raw), unit)


def _decode(path: str, raw: bytes) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16")
    if b"\0" in raw[:4096]:
        message = f"{path}: this is not a text list or PLY file; export the points as text."
        raise InputError(message)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")
