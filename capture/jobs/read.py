"""Read a job file: TOML to checked keys, every mistake told with file, line, key and the nearest known key."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.jobs.faults import fault_words, told_place, toml_words
from capture.jobs.lines import KeyPath, key_lines, line_of
from fit.errors import InputError

if TYPE_CHECKING:
    from capture.jobs.keys import Job

__all__ = ["JobFile", "read_job"]

_MOST_BYTES = 5_000_000


@dataclass(frozen=True, eq=False, slots=True)
class JobFile:
    """A job as read: its keys, its path, the hash of its bytes, and the line of every key."""

    job: Job
    path: Path
    sha256: str
    lines: Mapping[KeyPath, int]

    @property
    def folder(self) -> Path:
        """Folder that the job's own paths start from."""
        return self.path.parent

    def fault(self, where: Sequence[str | int], text: str) -> InputError:
        """An error at a key of the job."""
        return InputError(f"{self.path}: line {line_of(self.lines, where)}: {told_place(where, self.job)}{text}")


def read_job(path: str | Path) -> JobFile:
    """Read and check a job file.

    Raises InputError with the first mistake in it: its line, key and the nearest known key.
    """
    from pydantic import ValidationError

    from capture.jobs.check import check_job
    from capture.jobs.keys import Job

    path = Path(path)
    data = _bytes(path)
    table = _table(path, data)
    lines = key_lines(data.decode("utf-8"))
    try:
        job = Job.model_validate(table)
    except ValidationError as error:
        raise _first_fault(path, lines, error, table) from None
    found = JobFile(job, path, hashlib.sha256(data).hexdigest(), lines)
    check_job(found)
    return found


def _bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except IsADirectoryError as error:
        message = f"{path}: is a folder; give the job file itself, such as {path / 'job.toml'}."
        raise InputError(message) from error
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); make one with 'edgewright job new FILE…'."
        raise InputError(message) from error
    if len(data) > _MOST_BYTES:
        message = f"{path}: is too large for a job file ({len(data)} bytes); give the TOML file."
        raise InputError(message)
    return data


def _table(path: Path, data: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        message = f"{path}: line {line}: is not UTF-8 text; save the job file as UTF-8."
        raise InputError(message) from error
    except tomllib.TOMLDecodeError as error:
        message = f"{path}: {_toml_fault(str(error), data)}"
        raise InputError(message) from error


def _toml_fault(text: str, data: bytes) -> str:
    """What is wrong with the TOML, its line first."""
    words, _, place = text.rpartition(" (at ")
    line = place.partition(",")[0].removesuffix(")")
    if not words or not line.startswith("line "):
        last = data.rstrip().count(b"\n") + 1
        words, line = text.removesuffix(" (at end of document)"), f"line {last}"
    return f"{line}: {toml_words(words)}."


def _first_fault(path: Path, lines: Mapping[KeyPath, int], error: Any, table: dict[str, Any]) -> InputError:
    """The mistake that stands first in the file, and how many more there are."""
    # a key that is missing is most often there under a wrong name, so that is told first
    told = error.errors(include_url=False)
    faults = sorted(told, key=lambda fault: (fault["type"] == "missing", line_of(lines, fault["loc"])))
    first, more = faults[0], len(faults) - 1
    where = first["loc"]
    text = f"{path}: line {line_of(lines, where)}: {told_place(where[:-1], table)}{fault_words(first, where)}"
    return InputError(text + (f" ({more} more to mend)" if more else ""))
