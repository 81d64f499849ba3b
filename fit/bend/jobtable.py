"""A calculator's table in a job file as the options of its command."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from typing import Any, TypeVar

from fit.errors import InputError

__all__ = ["options_of_table"]

T = TypeVar("T")


def options_of_table(kind: type[T], table: Mapping[str, Any], where: str) -> T:
    """Options from a job's table: keys are the options' names, lists stand for comma lists, numbers for their text.

    where names the table in messages, such as ``[bend]``. Raises InputError for unknown keys, with the nearest known
    one, for missing ones and for values of another kind.
    """
    fields = {item.name: item for item in dataclasses.fields(kind)}  # type: ignore[arg-type]
    given = {}
    for key, value in table.items():
        if key not in fields:
            near = difflib.get_close_matches(key, fields, n=1, cutoff=0.4)
            hint = f"; did you mean '{near[0]}'?" if near else f"; known are {', '.join(fields)}."
            message = f"{where}: unknown key '{key}'{hint}"
            raise InputError(message)
        given[key] = _as_typed(value, str(fields[key].type), f"{where}: {key}")
    missing = [
        name
        for name, item in fields.items()
        if item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING and name not in given
    ]
    if missing:
        message = f"{where}: '{missing[0]}' is missing."
        raise InputError(message)
    return kind(**given)


def _as_typed(value: Any, kind: str, where: str) -> Any:
    """A TOML value in the form the command line gives."""
    if kind.startswith("bool"):
        if isinstance(value, bool):
            return value
    elif kind.startswith("float") and isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    elif kind.startswith("tuple"):
        items = value if isinstance(value, list) else [value]
        return tuple(_text(item, where) for item in items)
    elif kind.startswith("str"):
        return ",".join(_text(item, where) for item in value) if isinstance(value, list) else _text(value, where)
    message = f"{where}: '{value}' is not what this key takes."
    raise InputError(message)


def _text(value: Any, where: str) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        message = f"{where}: '{value}' must be a number or text."
        raise InputError(message)
    return value if isinstance(value, str) else repr(value)
