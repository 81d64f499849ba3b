"""Single files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from fit.errors import OutputError

__all__ = ["save_files"]


def save_files(folder: Path, files: Mapping[str, bytes], *, replace: bool) -> list[str]:
    """Write files into a folder, made if missing; returns their names.

    Raises OutputError where one is there already and `replace` is not set, or the folder cannot be written to.
    """
    if not replace and (taken := [name for name in files if (folder / name).exists()]):
        message = f"{folder / taken[0]}: is there already; give another name with -o, or add --replace."
        raise OutputError(message)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            _write(folder / name, content)
    except OSError as error:
        message = f"{folder}: cannot be written to ({error.strerror}); choose another place with -o."
        raise OutputError(message) from error
    return list(files)


def _write(path: Path, content: bytes) -> None:
    mask = os.umask(0)
    os.umask(mask)
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(part, 0o666 & ~mask)
        os.replace(part, path)
    except OSError:
        with suppress(OSError):
            os.unlink(part)
        raise
