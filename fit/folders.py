"""A result folder that is whole at every moment: built beside its place under another name, then exchanged at once."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from fit.errors import OutputError
from fit.results import FORMAT

__all__ = ["check_folder", "put_folder"]

_EXCHANGE = 2
_AT_FDCWD = -100
_DROPPINGS = frozenset({".DS_Store", ".directory", "Thumbs.db", "desktop.ini"})
"""What file managers leave in a folder that was only looked at; kept, but no reason to refuse."""


def check_folder(out: str | Path, replace: bool = False) -> None:
    """Refuse a folder that results cannot go into, before any long work.

    Raises OutputError where it is a file, not writable, or holds other things than an earlier result and `replace`
    is not set.
    """
    out = Path(out).resolve()
    _restore(out)
    ground = next(place for place in (out, *out.parents) if place.exists())
    if not ground.is_dir():
        message = f"{ground}: is a file, not a folder; give another name with -o."
        raise OutputError(message)
    for place in {ground, out.parent} if out.exists() else {ground}:
        if not os.access(place, os.W_OK | os.X_OK):
            message = f"{place}: cannot be written to; choose another folder with -o or change its permissions."
            raise OutputError(message)
    strangers = [name for name in _strangers(out) if name not in _DROPPINGS]
    if strangers and not replace:
        told = f"holds other things than an earlier result ({strangers[0]})"
        message = f"{out}: {told}; choose another folder or add --replace."
        raise OutputError(message)


def listed_files(out: Path) -> list[str]:
    """Files that an earlier result in this folder lists as its own; none where there is no result of ours."""
    try:
        record = json.loads((out / "results.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        return []
    names = record.get("files", [])
    plain = [name for name in names if isinstance(name, str) and name == os.path.basename(name)]
    return ["results.json", *(name for name in plain if name not in ("results.json", "", ".", ".."))]


def _strangers(out: Path) -> list[str]:
    if not out.is_dir():
        return []
    own = set(listed_files(out))
    return sorted(item.name for item in out.iterdir() if item.name not in own or item.is_dir())


def put_folder(out: str | Path, files: Mapping[str, bytes], *, replace: bool = False) -> None:
    """Write the files as the whole result in `out`; whatever happens, `out` holds either the earlier result or this.

    Files of others that `replace` allowed to be there stay; only files that an earlier result listed go away.
    """
    check_folder(out, replace)
    out = Path(out).resolve()
    strangers = _strangers(out)
    if clash := [name for name in strangers if name in files]:
        told = "is not from an earlier result and would be overwritten"
        message = f"{out / clash[0]}: {told}; move it or choose another folder."
        raise OutputError(message)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        _sweep(out)
        build = Path(tempfile.mkdtemp(prefix=f".{out.name}.new-{os.getpid()}-", dir=out.parent))
        try:
            _build(build, out, files, strangers)
            _bring(build, out, files)
        finally:
            shutil.rmtree(build, ignore_errors=True)
    except OSError as error:
        message = (
            f"{out}: cannot be written ({error.strerror or error}); free some space or choose another folder with -o."
        )
        raise OutputError(message) from error


def _build(build: Path, out: Path, files: Mapping[str, bytes], strangers: list[str]) -> None:
    mode = out.stat().st_mode & 0o7777 if out.is_dir() else 0o777 & ~_umask()
    for name, content in files.items():
        with open(build / name, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    for name in strangers:
        _link(out / name, build / name)
    build.chmod(mode)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _link(source: Path, target: Path) -> None:
    """A second name for the same file, so that it never is in one place only while folders change places."""
    if source.is_dir() and not source.is_symlink():
        shutil.copytree(source, target, symlinks=True, copy_function=_link_file)
        return
    _link_file(str(source), str(target))


def _link_file(source: str, target: str) -> None:
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError:
        shutil.copy2(source, target, follow_symlinks=False)


def _bring(build: Path, out: Path, files: Mapping[str, bytes]) -> None:
    """Put the built folder in its place in one step where the system can, else file by file with results.json last."""
    if not out.exists():
        build.rename(out)
        return
    if _holds_process(out) or os.path.ismount(out):
        _file_by_file(build, out, files)
        return
    if not _exchange(build, out):
        _two_renames(build, out)


def _holds_process(out: Path) -> bool:
    """Whether the working folder lies in `out`: a shell standing there must not find itself in a deleted folder."""
    here = Path.cwd()
    return here == out or out in here.parents


def _file_by_file(build: Path, out: Path, files: Mapping[str, bytes]) -> None:
    earlier = set(listed_files(out))
    for name in sorted(files, key=lambda name: name == "results.json"):
        os.replace(build / name, out / name)
    for name in earlier - set(files):
        (out / name).unlink(missing_ok=True)


def _exchange(build: Path, out: Path) -> bool:
    """Swap two folders in one step (Linux renameat2, RENAME_EXCHANGE); False where the system cannot."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        return False
    done = call(_AT_FDCWD, os.fsencode(build), _AT_FDCWD, os.fsencode(out), _EXCHANGE)
    if done == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(code, os.strerror(code))


def _aside(out: Path) -> Path:
    return out.with_name(f".{out.name}.earlier")


def _two_renames(build: Path, out: Path) -> None:
    out.rename(_aside(out))
    build.rename(out)
    shutil.rmtree(_aside(out), ignore_errors=True)


def _restore(out: Path) -> None:
    """Bring back an earlier result that was left aside when a run was killed between two renames."""
    if not out.exists() and _aside(out).is_dir():
        _aside(out).rename(out)


def _sweep(out: Path) -> None:
    """Remove what killed runs left beside the folder; those of running processes stay."""
    prefix = f".{out.name}.new-"
    for item in out.parent.iterdir():
        if not item.name.startswith(prefix):
            continue
        owner = item.name[len(prefix) :].split("-")[0]
        if not (owner.isdigit() and _is_running(int(owner))):
            shutil.rmtree(item, ignore_errors=True)


def _is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
