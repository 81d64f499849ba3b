"""What is wrong with a key of a job file, in plain words: of wrong keys, of values that do not fit, and of broken TOML."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["fault_words", "nearest", "told_place", "toml_words"]

_LISTED = ("photo", "probe", "feature", "dimension")
_TABLES = ("job", "camera", "datum", "bend", "rod", "seal", "clear")
_SHAPES = ("list_type", "model_type", "dict_type", "model_attributes_type")

_FIT = {
    "string_type": 'must be a text in quotes, "…"',
    "string_too_short": "must not be empty",
    "string_pattern_mismatch": "must be one line",
    "bool_type": "must be true or false, without quotes",
    "bool_parsing": "must be true or false, without quotes",
    "float_type": "must be a number, without quotes",
    "float_parsing": "must be a number, without quotes",
}
"""What a value must be, by the validating library's name of what it is not."""

_TWICE = "this key or section stands here twice; keep one of them"
_BACKSLASH = "a backslash in \"…\" begins a special letter; write paths with / or in '…'"
_OPEN_TEXT = "a text is not closed; end it with the quote that it began with"
_TOML = {
    "Cannot overwrite": _TWICE,
    "Cannot declare": _TWICE,
    "Cannot redefine": _TWICE,
    "Cannot mutate": _TWICE,
    "Duplicate": _TWICE,
    "Invalid value": "what follows = is no number, true, false, [list] or text in quotes; mend this line",
    "Invalid date": "what follows = is no date; put texts in quotes",
    "Expected newline": "more stands here than one value; use a decimal point, not a comma, and put texts in quotes",
    "Invalid hex value": _BACKSLASH,
    "Unescaped": _BACKSLASH,
    "Escaped character": _BACKSLASH,
    "Unterminated": _OPEN_TEXT,
    "Illegal character '\\n'": _OPEN_TEXT,
    "Expected ']": "a section's name is not closed; write it like [job] or [[photo]]",
    "Expected '='": "a key must be followed by = and its value; mend this line",
    "Invalid statement": "must be a [section], or a key = value; mend this line",
    "Invalid initial": "must be a [section], or a key = value; mend this line",
    "Unclosed": "a list opened with [ or { is not closed; close it",
}
"""What is wrong with TOML text, by how the library that reads it begins to say so."""


def toml_words(text: str) -> str:
    """What is wrong with the text of a TOML file, from the library's message."""
    own = next((words for start, words in _TOML.items() if text.startswith(start)), None)
    return own or f"is not TOML: {text[0].lower()}{text[1:]}; mend this line"


def fault_words(fault: Mapping[str, Any], where: Sequence[str | int]) -> str:
    """One fault that the validating library tells, at its place in the job."""
    key, given, kind = where[-1], fault.get("input"), str(fault["type"])
    if kind == "extra_forbidden":
        return _unknown(str(key), given, where)
    if kind == "missing":
        return f"the key '{key}' is missing; add it."
    if len(where) <= 2 and kind in _SHAPES:
        return f"'{where[0]}' must be written as {_head(str(where[0]))} with its keys below."
    if kind == "literal_error":
        told = str(fault["ctx"]["expected"]).replace(" or ", ", ").split(",")
        options = [option.strip().strip("'") for option in told]
        return f"{key} = '{given}' is not known; {nearest(str(given), options, listed=True)}."
    text = _must(fault, kind)
    got = "" if "got " in text else f"; got {_shown(given)}"
    return f"{key}: {text}{got}."


def _must(fault: Mapping[str, Any], kind: str) -> str:
    if kind == "value_error":
        return str(fault["msg"]).removeprefix("Value error, ").rstrip(".")
    if kind == "string_too_long":
        return f"must have at most {fault['ctx']['max_length']} letters; got {len(fault['input'])}"
    return _FIT.get(kind, "is not what may stand here; 'edgewright job schema' tells what may")


def _unknown(key: str, given: object, where: Sequence[str | int]) -> str:
    """A key or section that is not known, and the nearest that is."""
    if len(where) > 1:
        return f"the key '{key}' is not known; {nearest(key, _known_keys(str(where[0])), always=True)}."
    if not isinstance(given, (dict, list)):
        return f"the key '{key}' stands in no section; put it below the one it belongs to, such as [job] or [[photo]]."
    head = nearest(key, [*_TABLES, *_LISTED], always=True)
    return f"the section '{key}' is not known; {head}."


def _head(name: str) -> str:
    """A section as it is written: those of which a job may have several in double brackets."""
    return f"[[{name}]]" if name in _LISTED else f"[{name}]"


def _shown(given: object) -> str:
    """A value about as a job file writes it, cut short."""
    text = repr(given) if isinstance(given, (str, float, list, dict)) else str(given).lower()
    return text if len(text) <= 60 else text[:57] + "…"


def _known_keys(section: str) -> list[str]:
    """Keys that may stand in a section of a job file."""
    from capture.jobs import keys

    models: dict[str, type[BaseModel]] = {
        "job": keys.Head,
        "camera": keys.Camera,
        "photo": keys.PhotoKeys,
        "probe": keys.ProbeKeys,
        "datum": keys.Datum,
        "feature": keys.FeatureKeys,
        "dimension": keys.DimensionKeys,
    }
    return [field.alias or name for name, field in models[section].model_fields.items()]


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


def told_place(where: Sequence[str | int], table: Any) -> str:
    """``[[feature]] 'hole 1': `` for a place in the job, whether still a table or read."""
    if not where:
        return ""
    head = str(where[0])
    if len(where) < 2 or not isinstance(where[1], int):
        return f"{_head(head)}: "
    items = table.get(head) if isinstance(table, dict) else getattr(table, head)
    item = items[where[1]] if isinstance(items, list) and where[1] < len(items) else None
    name = item.get("name") if isinstance(item, dict) else getattr(item, "name", None)
    if not isinstance(name, str) or not name:
        return f"[[{head}]] {where[1] + 1}: "
    return f"[[{head}]] {_shown(name)}: "
