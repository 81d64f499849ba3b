"""What the page can open: jobs and photos of one folder, samples copied into it, photos handed in; printed targets."""

from __future__ import annotations

import hashlib
import re
import shutil
import sys
import threading
from pathlib import Path

import capture
from capture.jobs.save import save_files
from capture.page.desk import Desk
from capture.page.edits import new_job
from fit.errors import InputError, OutputError

__all__ = ["SAMPLES", "Shelf"]

SAMPLES = {
    "bench_plate": "Hatch plate: one photo in the printed frame",
    "tower_flange": "Tower flange: point lists of an arm from two places",
    "seal_channel": "Seal channel: one edge walk of an arm and its rubber seal",
}
PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
_SAFE = re.compile(r"\w[^<>:\"/\\|?*\x00-\x1f\x7f]{0,99}")
"""What every file system takes as a name."""
_MOST_LISTED = 60


class Shelf:
    """Open jobs by a word made from their path; only files of `folder` and copied samples can be opened."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self._desks: dict[str, Desk] = {}
        self._lock = threading.Lock()

    def desk(self, word: str) -> Desk | None:
        """An open job."""
        return self._desks.get(word)

    def open(self, path: Path) -> str:
        """Open a job file, or the job that lies (or will lie) beside a photo; returns its word."""
        path = path.resolve()
        first = ""
        if path.suffix.lower() in PICTURES:
            first, path = new_job(path.stem, path.name), path.with_suffix(".toml")
        elif path.suffix.lower() != ".toml":
            message = f"{path.name}: is neither a job file (.toml) nor a photo."
            raise InputError(message)
        word = hashlib.sha256(str(path).encode()).hexdigest()[:12]
        with self._lock:
            self._desks.setdefault(word, Desk(path, first))
        return word

    def open_listed(self, name: str) -> str:
        """Open a file of the folder by its plain name."""
        if name not in self.files():
            message = f"There is no job or photo '{name[:80]}' in the folder."
            raise InputError(message)
        return self.open(self.folder / name)

    def files(self) -> list[str]:
        """Jobs and photos of the folder, jobs first, newest first."""
        found = [p for p in self.folder.iterdir() if not p.name.startswith(".") and p.is_file() and not p.is_symlink()]
        kept = [p for p in found if p.suffix.lower() in (*PICTURES, ".toml") and p.name != "pyproject.toml"]
        kept.sort(key=lambda p: (p.suffix.lower() != ".toml", -p.stat().st_mtime))
        return [p.name for p in kept[:_MOST_LISTED]]

    def samples(self) -> dict[str, str]:
        """Samples that came with the program, by folder."""
        return {name: words for name, words in SAMPLES.items() if (_sample_folder(name) / "job.toml").is_file()}

    def open_sample(self, name: str) -> str:
        """Copy a sample into the folder, unless it is there already, and open its job."""
        if name not in self.samples():
            message = f"There is no sample '{name[:80]}'."
            raise InputError(message)
        source, target = _sample_folder(name), self.folder / name
        if source.resolve() == target.resolve() or not (target / "job.toml").is_file():
            target = self._copied(source, target)
        return self.open(target / "job.toml")

    def _copied(self, source: Path, target: Path) -> Path:
        target = target if source.resolve() != target.resolve() else target.with_name(f"{target.name}-copy")
        try:
            target.mkdir(exist_ok=True)
            for item in source.iterdir():
                if item.is_file() and not (target / item.name).exists() and item.suffix != ".py":
                    shutil.copyfile(item, target / item.name)
        except OSError as error:
            message = f"{target}: the sample cannot be copied there ({error.strerror}); start in a folder of your own."
            raise OutputError(message) from error
        return target

    def take(self, name: str, content: bytes) -> str:
        """Save a photo that was handed in under a name that is free; returns the name."""
        stem, ending = Path(name).stem.strip(), Path(name).suffix.lower()
        if ending not in PICTURES or not _SAFE.fullmatch(stem) or "/" in name or "\\" in name:
            message = "Give a photo with a plain name that ends in .jpg, .png, .tif or .heic."
            raise InputError(message)
        if not content:
            message = f"{name}: the file is empty."
            raise InputError(message)
        number, free = 2, f"{stem}{ending}"
        while (self.folder / free).exists() and (self.folder / free).read_bytes() != content:
            free, number = f"{stem}-{number}{ending}", number + 1
        if not (self.folder / free).exists():
            save_files(self.folder, {free: content}, replace=False)
        return free


def _sample_folder(name: str) -> Path:
    """Where a sample lies: beside the packages in the tree, among the shared files once installed."""
    tree = Path(str(capture.__file__)).resolve().parent.parent
    beside = tree / "sample_sets" / name
    return beside if beside.is_dir() else Path(sys.prefix) / "share" / "edgewright" / "sample_sets" / name


def target_pdf(kind: str, paper: str) -> bytes:
    """A printed piece as PDF.

    Raises InputError for a kind or paper that is not known.
    """
    from capture.printing.pdf import pdf_bytes
    from capture.printing.write import KINDS, pages_of

    if kind not in KINDS or paper not in ("a4", "letter"):
        message = "There is no such target."
        raise InputError(message)
    return pdf_bytes(pages_of(kind, paper, 0, None))
