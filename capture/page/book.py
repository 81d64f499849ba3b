"""One job file as the page keeps it: every change saved whole, undo and redo without end, no window's work lost.

Beside ``hatch.toml`` lies ``.hatch.toml.history``: one line of JSON per step, only ever added to. A line cut short by a
crash is passed over. A change made by another program is taken up as a step of its own.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from fit.errors import InputError, OutputError

if TYPE_CHECKING:
    from capture.jobs.read import JobFile

__all__ = ["Book", "Conflict"]


class Conflict(Exception):
    """The job was changed since the window last saw it."""


@dataclass(slots=True)
class _History:
    """Texts in order, and which of them is the present one."""

    texts: list[str] = field(default_factory=list)
    at: int = -1

    def apply(self, step: dict[str, object]) -> None:
        """Take up one line of the side file."""
        text, at = step.get("text"), step.get("at")
        if isinstance(text, str):
            self.texts = [*self.texts[: self.at + 1], text]
            self.at = len(self.texts) - 1
        elif isinstance(at, int) and 0 <= at < len(self.texts):
            self.at = at


@dataclass(slots=True)
class _Known:
    """What was read of the side file so far: its history, how many bytes of it, and which file it was."""

    history: _History = field(default_factory=_History)
    bytes: int = 0
    file: int = -1


class Book:
    """A job file and its history; `first` is its text while there is no file yet."""

    def __init__(self, path: Path, first: str = "") -> None:
        self.path = path.resolve()
        self._first = first
        self._lock = threading.RLock()
        self._known = _Known()
        self._sound: JobFile | None = None

    @property
    def exists(self) -> bool:
        """Whether the job has been saved."""
        return self.path.is_file()

    @property
    def text(self) -> str:
        """The job as it is now.

        Raises InputError where the file cannot be read as text.
        """
        if not self.exists:
            return self._first
        try:
            return self.path.read_bytes().decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            message = f"{self.path.name}: cannot be read as UTF-8 text; check the file."
            raise InputError(message) from error

    @property
    def revision(self) -> str:
        """A word that changes with every change of the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:20]

    def checked(self, revision: str) -> JobFile | None:
        """The job as it was read to be checked before it was saved, where that is the revision; reading takes time."""
        found = self._sound
        return found if found is not None and found.sha256.startswith(revision) else None

    def steps(self) -> tuple[int, int]:
        """How many steps can be undone and redone."""
        with self._lock:
            history = self._history()
            return history.at, len(history.texts) - 1 - history.at

    def change(self, revision: str, edit: Callable[[str], str]) -> None:
        """Save the job as `edit` makes it from the present text.

        Raises Conflict where `revision` is not the present one, InputError where the outcome is no sound job.
        """
        with self._lock:
            self._expect(revision)
            history = self._history()
            text = edit(self.text)
            if text != self.text or not self.exists:
                self._save(text)
                self._note({"text": text}, history)

    def scratch(self) -> Path:
        """The present text in a hidden file of its own beside the job; whoever asks removes it."""
        return self._part(self.text)

    def save(self) -> None:
        """Write a job that is not on the disk yet."""
        if not self.exists:
            self.change(self.revision, lambda text: text)

    def move(self, revision: str, step: int) -> None:
        """Undo (`step` -1) or redo (+1).

        Raises Conflict, or InputError where there is nothing to go to.
        """
        with self._lock:
            self._expect(revision)
            history = self._history()
            at = history.at + step
            if not 0 <= at < len(history.texts):
                message = "There is nothing to undo." if step < 0 else "There is nothing to redo."
                raise InputError(message)
            self._save(history.texts[at])
            self._note({"at": at}, history)

    def _expect(self, revision: str) -> None:
        if revision != self.revision:
            message = "The job was changed in another window."
            raise Conflict(message)

    def _side(self) -> Path:
        return self.path.with_name(f".{self.path.name}.history")

    def _history(self) -> _History:
        """The history up to now; where the file says something else, that is its newest step."""
        history = self._read()
        present = self.text
        if not history.texts or history.texts[history.at] != present:
            return self._note({"text": present}, history, begin=self._side().exists())
        return history

    def _read(self) -> _History:
        """The side file's history; of one that only grew, the lines added since."""
        try:
            stat = self._side().stat()
            if stat.st_ino != self._known.file or stat.st_size < self._known.bytes:
                self._known = _Known(file=stat.st_ino)
            with self._side().open("rb") as file:
                file.seek(self._known.bytes)
                data = file.read()
        except OSError:
            self._known = _Known()
            return self._known.history
        whole = data[: data.rfind(b"\n") + 1]  # a line that is being written is read once it is whole
        for line in whole.decode("utf-8", errors="replace").splitlines():
            with suppress(ValueError, AttributeError):
                self._known.history.apply(json.loads(line))
        self._known.bytes += len(whole)
        return self._known.history

    def _note(self, step: dict[str, object], history: _History, *, begin: bool = True) -> _History:
        """Add a line; the text that a job starts from comes first, also where the job is saved only now."""
        if begin:
            lines = [json.dumps(step)]
            if not self._side().exists() and history.texts:
                lines.insert(0, json.dumps({"text": history.texts[0]}))
            with suppress(OSError):
                with self._side().open("a", encoding="utf-8") as file:
                    file.write("\n" + "\n".join(lines) + "\n")
                    file.flush()
                    os.fsync(file.fileno())
                return self._read()
        self._known = _Known()  # what is not on the disk is not kept either
        history.apply(step)
        return history

    def _save(self, text: str) -> None:
        """Check the text as a job, then put it in the file's place in one step."""
        from capture.jobs.read import read_job

        part = self._part(text)
        try:
            sound = replace(read_job(part), path=self.path)
            os.replace(part, self.path)
            self._sound = sound
        except InputError as error:
            message = str(error).replace(str(part), self.path.name)
            raise InputError(message) from error
        except OSError as error:
            message = f"{self.path}: cannot be written ({error.strerror}); free some space or change its permissions."
            raise OutputError(message) from error
        finally:
            part.unlink(missing_ok=True)

    def _part(self, text: str) -> Path:
        """The text in a file of its own beside the job, on the disk."""
        mask = os.umask(0)
        os.umask(mask)
        mode = self.path.stat().st_mode & 0o777 if self.exists else 0o666 & ~mask
        try:
            handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=f".{self.path.stem}-", suffix=".toml")
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, mode)
        except OSError as error:
            message = f"{self.path}: cannot be written ({error.strerror}); free some space or change its permissions."
            raise OutputError(message) from error
        return Path(name)
