"""What one source of a job gave, kept as a file of its own so that it need not be worked out again.

A stage is named by a hash of everything that goes into it. Results always go through the file, also when they are fresh,
so a second run gives the same bits.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from fit.clouds import npz_bytes
from fit.feature import Feature
from fit.points import Points
from fit.results import Notice, Source

__all__ = ["Stage", "Store", "fingerprint", "software"]

_FORMAT = 1
_ARRAYS = ("values", "cov_own", "shared", "residuals", "rejected")
_EPOCH = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, eq=False, slots=True)
class Stage:
    """Features and points of one source in one frame, with warnings, further record entries and pictures by name."""

    frame: str
    features: tuple[Feature, ...]
    points: Points | None
    notices: tuple[Notice, ...] = ()
    sources: tuple[Source, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)


def fingerprint(*parts: object) -> str:
    """Hash of JSON values; equal values give equal hashes."""
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


@cache
def software() -> str:
    """Hash of this program's own source: another version works everything out again."""
    import capture
    import fit

    digest = hashlib.sha256()
    for package in (capture, fit):
        root = Path(str(package.__file__)).parent
        for path in sorted(root.rglob("*.py")):
            digest.update(str(path.relative_to(root)).encode() + path.read_bytes())
    return digest.hexdigest()


class Store:
    """Stage files in one folder; a damaged or missing one is worked out anew."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.used: set[str] = set()

    def stage(self, name: str, key: str, work: Callable[[], Stage]) -> Stage:
        """The stage kept under a name and key, worked out if it is not there."""
        path = self.folder / f"{_file_word(name)}-{key[:20]}.zip"
        self.used.add(path.name)
        with suppress(OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile, EOFError):
            return _unpacked(path.read_bytes())
        data = _packed(work())
        self._write(path, data)
        return _unpacked(data)

    def note(self, name: str) -> dict[str, Any]:
        """A small record kept by name; empty where there is none."""
        with suppress(OSError, ValueError):
            record = json.loads((self.folder / name).read_text(encoding="utf-8"))
            return record if isinstance(record, dict) else {}
        return {}

    def keep_note(self, name: str, record: Mapping[str, Any]) -> None:
        """Keep a small record."""
        self.used.add(name)
        self._write(self.folder / name, json.dumps(record, indent=1, sort_keys=True).encode())

    def sweep(self) -> None:
        """Remove stage files that this run did not use."""
        with suppress(OSError):
            for path in self.folder.iterdir():
                if path.name not in self.used and path.suffix in (".zip", ".json", ".part"):
                    path.unlink(missing_ok=True)

    def _write(self, path: Path, data: bytes) -> None:
        """Whole or not at all; a folder that cannot be written to only costs the time of the next run."""
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, part = tempfile.mkstemp(dir=self.folder, suffix=".part")
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            os.replace(part, path)


def _file_word(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)[:60]


def _packed(stage: Stage) -> bytes:
    record = {
        "format": _FORMAT,
        "frame": stage.frame,
        "features": [_feature_record(feature) for feature in stage.features],
        "notices": [[n.code, n.text, n.feature] for n in stage.notices],
        "sources": [[s.path, s.sha256] for s in stage.sources],
        "details": stage.details,
        "files": list(stage.files),
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo("stage.json", _EPOCH), json.dumps(record))
        if stage.points is not None:
            archive.writestr(zipfile.ZipInfo("points.npz", _EPOCH), npz_bytes(stage.points))
        for name, content in stage.files.items():
            archive.writestr(zipfile.ZipInfo(f"files/{name}", _EPOCH), content)
    return buffer.getvalue()


def _unpacked(data: bytes) -> Stage:
    from fit.clouds import read_points

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        record = json.loads(archive.read("stage.json"))
        if record["format"] != _FORMAT:
            message = "another format"
            raise ValueError(message)
        files = {name: archive.read(f"files/{name}") for name in record["files"]}
        with_points = "points.npz" in archive.namelist()
        points = read_points(io.BytesIO(archive.read("points.npz"))) if with_points else None  # type: ignore[arg-type]
    return Stage(
        record["frame"],
        tuple(_feature(item) for item in record["features"]),
        points,
        tuple(Notice(*item) for item in record["notices"]),
        tuple(Source(*item) for item in record["sources"]),
        record["details"],
        files,
    )


def _feature_record(feature: Feature) -> dict[str, Any]:
    """Every number in full, unlike results.json, and the residuals too."""
    record = {slot.name: getattr(feature, slot.name) for slot in fields(feature)}
    record |= {key: record[key].tolist() for key in _ARRAYS}
    record["form"] = dict(record["form"])
    record["segments"] = [_feature_record(segment) for segment in feature.segments]
    return record


def _feature(record: Mapping[str, Any]) -> Feature:
    given = dict(record)
    given["order"], given["shared_names"] = tuple(given["order"]), tuple(given["shared_names"])
    given["segments"] = tuple(_feature(segment) for segment in given["segments"])
    given |= {key: np.array(given[key], dtype=float) for key in ("values", "cov_own", "shared", "residuals")}
    given["rejected"] = np.array(given["rejected"], dtype=int)
    return Feature(**given)
