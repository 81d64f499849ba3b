"""The calculators' tables of a job: keys they take, files they name, options they stand for."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capture.jobs.read import JobFile

__all__ = ["HEADS", "known_keys", "table_files", "with_files"]

HEADS = ("bend", "rod", "seal", "clear")
_FILES = ("coupons", "results", "corners", "schedule", "gap", "fixed", "moving", "hinge_marks", "poses")
_NOT_IN_JOBS = frozenset({"unit_out", "store", "coupon_sheet", "results"})


def known_keys(head: str) -> list[str]:
    """Keys that a table takes: the options of its command, and for a rod the probe that touched it."""
    if head == "bend":
        from fit.bend.command import BendOptions

        return [field.name for field in dataclasses.fields(BendOptions) if field.name not in _NOT_IN_JOBS]
    if head == "rod":
        from fit.rod.command import RodOptions

        return ["probe", *(field.name for field in dataclasses.fields(RodOptions) if field.name not in _NOT_IN_JOBS)]
    if head == "seal":
        from fit.seal.job import DEFAULTS as SEAL

        return list(SEAL)
    from fit.clearance.job import DEFAULTS as CLEAR

    return list(CLEAR)


def with_files(table: Mapping[str, Any], folder: Path, own: Path | None = None) -> dict[str, Any]:
    """The table with paths that start from the job's folder; '@NAME' alone is a feature of the job's own result."""

    def placed(text: Any) -> Any:
        if not isinstance(text, str):
            return text
        if text.startswith("@") and own is not None:
            return f"{own}{text}"
        named = text.partition("@")[0]
        return str(folder / text) if named and (folder / named).exists() else text

    placed_table = dict(table)
    for key in _FILES:
        value = table.get(key)
        if value is not None:
            placed_table[key] = [placed(item) for item in value] if isinstance(value, list) else placed(value)
    return placed_table


def table_files(file: JobFile) -> list[str]:
    """Files that the tables name, relative to the job's folder."""
    values = [(getattr(file.job, head) or {}).get(key) for head in HEADS for key in _FILES]
    items = [item for value in values for item in (value if isinstance(value, list) else [value])]
    names = [_file_name(item, file.folder) for item in items if isinstance(item, str)]
    return list(dict.fromkeys(name for name in names if name))


def _file_name(item: str, folder: Path) -> str:
    """The file meant by FILE, FILE@NAME or a result folder; '' where there is none."""
    name = item.partition("@")[0]
    if name and (folder / name).is_dir():
        name = f"{name}/results.json"
    return name if name and (folder / name).is_file() else ""
