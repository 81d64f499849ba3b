"""Read a job file: TOML to checked keys, every mistake told with file, line, key and the nearest known key."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.jobs.lines import KeyPath, key_lines, line_of
from fit.errors import InputError

if TYPE_CHECKING:
    from capture.jobs.keys import Job

__all__ = ["JobFile", "nearest", "read_job"]

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
        return InputError(f"{self.path}: line {line_of(self.lines, where)}: {_told(where, self.job)}{text}")


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
        message = f"{path}: {_toml_words(str(error), data)}"
        raise InputError(message) from error


def _toml_words(text: str, data: bytes) -> str:
    """What is wrong with the TOML, its line first."""
    words, _, place = text.rpartition(" (at ")
    line = place.partition(",")[0].removesuffix(")")
    if not words or not line.startswith("line "):
        last = data.rstrip().count(b"\n") + 1
        words, line = text.removesuffix(" (at end of document)"), f"line {last}"
    said = {"Cannot overwrite a value": "this key stands here twice"}.get(words, f"{words[0].lower()}{words[1:]}")
    return f"{line}: is not TOML: {said}; mend this line."


def _first_fault(path: Path, lines: Mapping[KeyPath, int], error: Any, table: dict[str, Any]) -> InputError:
    """The mistake that stands first in the file, and how many more there are."""
    # a key that is missing is most often there under a wrong name, so that is told first
    told = error.errors(include_url=False)
    faults = sorted(told, key=lambda fault: (fault["type"] == "missing", line_of(lines, fault["loc"])))
    first, more = faults[0], len(faults) - 1
    where = [part for part in first["loc"] if not _is_branch(part)]
    text = f"{path}: line {line_of(lines, where)}: {_told(where[:-1], table)}{_words(first, where)}"
    return InputError(text + (f" ({more} more to mend)" if more else ""))


def _is_branch(part: object) -> bool:
    """Whether a part of a location names a branch of a union and not a key of the file."""
    return isinstance(part, str) and (part.startswith(("literal[", "function-", "constrained-")) or part == "float")


def _words(fault: Mapping[str, Any], where: Sequence[str | int]) -> str:
    key, given = where[-1], fault.get("input")
    known = _known_keys(where[:-1])
    if fault["type"] == "extra_forbidden":
        return f"the key '{key}' is not known; {nearest(str(key), known, always=True)}."
    if fault["type"] == "missing":
        return f"the key '{key}' is missing; add it."
    if isinstance(key, int) or str(key) in ("job", "camera", "photo", "probe", "datum", "feature", "dimension"):
        heads = f"[[{where[0]}]]" if where[0] in ("photo", "probe", "feature", "dimension") else f"[{where[0]}]"
        if len(where) <= 2 and fault["type"] in ("list_type", "model_type", "dict_type", "model_attributes_type"):
            return f"'{where[0]}' must be written as {heads} with its keys below."
    if fault["type"] == "literal_error":
        options = [
            option.strip().strip("'") for option in str(fault["ctx"]["expected"]).replace(" or ", ", ").split(",")
        ]
        return f"{key} = '{given}' is not known; {nearest(str(given), options, listed=True)}."
    text = str(fault["msg"]).removeprefix("Value error, ").rstrip(".")
    text = text[0].lower() + text[1:] if text.startswith("Input should") else text
    got = "" if "got " in text else f"; got {_shown(given)}"
    return f"{key}: {text.replace('input should be', 'must be')}{got}."


def _shown(given: object) -> str:
    text = repr(given)
    return text if len(text) <= 60 else text[:57] + "…"


def _known_keys(where: Sequence[str | int]) -> list[str]:
    """Keys that may stand in a table of the job file."""
    from capture.jobs.keys import Job

    if not where:
        return list(Job.model_fields)
    kinds = {"job": "Head", "camera": "Camera", "photo": "PhotoKeys", "probe": "ProbeKeys", "datum": "Datum"}
    kinds |= {"feature": "FeatureKeys", "dimension": "DimensionKeys"}
    import capture.jobs.keys as keys

    model = getattr(keys, kinds.get(str(where[0]), "Job"))
    return [field.alias or name for name, field in model.model_fields.items()]


def nearest(word: str, known: Sequence[str], *, always: bool = False, listed: bool = False) -> str:
    """``the nearest known one is 'x'``, and what else is known where that is hardly like the word, or if `listed`.

    always : name the nearest one however little it is like the word.
    """
    close = difflib.get_close_matches(word.lower(), known, 1, 0.5)
    best = close or (difflib.get_close_matches(word.lower(), known, 1, 0.0) if always else [])
    told = [f"the nearest known one is '{best[0]}'"] if best else []
    if listed or not close:
        told.append(f"known are {', '.join(known)}" if known else "there is none")
    return "; ".join(told)


def _told(where: Sequence[str | int], table: Any) -> str:
    """``[[feature]] 'hole 1': `` for a place in the job."""
    if not where:
        return ""
    head = str(where[0])
    if len(where) < 2 or not isinstance(where[1], int):
        return f"[{head}]: "
    items = table.get(head) if isinstance(table, dict) else getattr(table, head)
    item = items[where[1]] if isinstance(items, list) and where[1] < len(items) else None
    name = item.get("name") if isinstance(item, dict) else getattr(item, "name", None)
    return f"[[{head}]] {name!r}: " if isinstance(name, str) and name else f"[[{head}]] {where[1] + 1}: "
