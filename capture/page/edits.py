"""Changes of a job file's text: comments, order and everything that is not touched stay as they are.

Every change is a plain record from the page, ``{"do": "add feature", …}``. What comes out is checked afterwards as any
job file is, so a change only has to put keys in their places.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from fit.errors import InputError

__all__ = ["edited", "free_name", "new_job"]

_FEATURE = ("name", "kind", "photo", "near", "about", "edge", "metal", "height", "height_u", "thickness", "closed")
_DIMENSION = ("name", "kind", "from", "to", "of", "direction", "nominal", "tolerance")
_PHOTO = ("height", "height_u", "thickness", "print_x", "print_y", "print_u")
_HEAD = ("name", "side", "face", "front", "material", "creator", "number", "unit_out")

Record = Mapping[str, Any]


def new_job(name: str, photo: str) -> str:
    """Text of a job with one photo and nothing marked in it yet."""
    return f"[job]\nname = {_item(name).as_string()}\n\n[[photo]]\nfile = {_item(photo).as_string()}\n"


def edited(text: str, changes: Sequence[Record]) -> str:
    """The job's text after all changes.

    Raises InputError for a change that names what is not there.
    """
    for change in changes:
        act = _ACTS.get(str(change.get("do")))
        if act is None:
            message = f"The change '{change.get('do')}' is not known."
            raise InputError(message)
        text = act(text, change)
    return text


def free_name(word: str, taken: Sequence[str]) -> str:
    """``hole 3``: the word with the lowest number that is not taken."""
    number = 1
    while f"{word} {number}" in taken:
        number += 1
    return f"{word} {number}"


def _add(text: str, head: str, keys: Record, known: Sequence[str]) -> str:
    """A new entry after the last of its kind, or at the end of the file."""
    import tomlkit

    table = tomlkit.table()
    for key in known:
        if keys.get(key) is not None:
            table[key] = _item(keys[key])
    before, rest = _from_last(f"{text.rstrip()}\n\n", head)
    document = tomlkit.parse(rest)
    if head not in document:
        return f"{text.rstrip()}\n\n[[{head}]]\n{table.as_string()}".lstrip()
    table.add(tomlkit.nl())
    document[head].append(table)
    return before + _ended(document)


def _from_last(text: str, head: str) -> tuple[str, str]:
    """The text cut where the last entry of a kind begins: parsing a long job takes longer than finding an edge.

    It is left whole where what comes before is no TOML by itself, since the head may then be words in a text of several
    lines.
    """
    import tomllib

    start = text.rfind(f"\n[[{head}]]\n") + 1
    if '"""' not in text and "'''" not in text:
        return text[:start], text[start:]
    try:
        tomllib.loads(text[:start])
    except tomllib.TOMLDecodeError:
        start = 0
    return text[:start], text[start:]


def _ended(document: Any) -> str:
    """The text, with one line end at its end."""
    import tomlkit

    return tomlkit.dumps(document).rstrip("\n") + "\n"


def _item(value: Any) -> Any:
    """A TOML item; way-points stay on one line."""
    import tomlkit

    return tomlkit.item(value)


def _put(table: Any, values: Record, known: Sequence[str]) -> None:
    for key, value in values.items():
        if key not in known:
            message = f"The key '{key}' cannot be changed here."
            raise InputError(message)
        if value is None:
            table.pop(key, None)
        else:
            table[key] = _item(value)
    if "height_u" in table and "height_u" not in values and _has_own(values.get("height", 0)):
        table.pop("height_u")  # of the height that is gone


def _has_own(height: object) -> bool:
    """Whether a height is left out, or typed with its own ±."""
    return height is None or (isinstance(height, str) and any(sign in height for sign in ("±", "+-", "+/-")))


def _found(document: Any, head: str, change: Record) -> tuple[int, Any]:
    """Number and table of the entry that a change names; dimensions and photos go by their number."""
    listed = document.get(head, [])
    wanted = change.get("name") if head == "feature" else change.get("index")
    for i, table in enumerate(listed):
        if (table.get("name") if head == "feature" else i) == wanted:
            return i, table
    message = f"The job has no {head} '{wanted}' any more; another window may have removed it."
    raise InputError(message)


def _change_feature(document: Any, change: Record) -> None:
    _, table = _found(document, "feature", change)
    values = change.get("set", {})
    _put(table, values, _FEATURE)
    if values.get("name"):
        _rename(document, str(change["name"]), str(values["name"]))


def _remove_feature(document: Any, change: Record) -> None:
    """Also removes the sizes that need it."""
    index, _ = _found(document, "feature", change)
    del document["feature"][index]
    name = str(change["name"])
    sizes = document.get("dimension", [])
    for i in reversed(range(len(sizes))):
        if any(_base(used) == name for used in _names(sizes[i])):
            del sizes[i]
    _drop_empty(document)


def _change_dimension(document: Any, change: Record) -> None:
    _put(_found(document, "dimension", change)[1], change.get("set", {}), _DIMENSION)


def _remove_dimension(document: Any, change: Record) -> None:
    index, _ = _found(document, "dimension", change)
    del document["dimension"][index]
    _drop_empty(document)


def _drop_empty(document: Any) -> None:
    for head in ("feature", "dimension"):
        if head in document and not len(document[head]):
            del document[head]


def _change_photo(document: Any, change: Record) -> None:
    _put(_found(document, "photo", change)[1], change.get("set", {}), _PHOTO)


def _change_head(document: Any, change: Record) -> None:
    import tomlkit

    if "job" not in document:
        document["job"] = tomlkit.table()
    _put(document["job"], change.get("set", {}), _HEAD)


def _base(reference: str) -> str:
    """``outline`` of ``outline.3``."""
    name, dot, number = reference.rpartition(".")
    return name if dot and name and number.isdigit() else reference


def _names(table: Any) -> list[str]:
    """Features that a dimension or a made feature refers to."""
    of = table.get("of", [])
    return [str(v) for v in (table.get("from"), table.get("to"), *([of] if isinstance(of, str) else of)) if v]


def _rename(document: Any, old: str, new: str) -> None:
    """A feature's new name wherever the job refers to it."""

    def renamed(value: Any) -> Any:
        text = str(value)
        return new + text[len(old) :] if _base(text) == old else value

    for table in (*document.get("dimension", []), *document.get("feature", [])):
        for key in ("from", "to", "on"):
            if key in table:
                table[key] = renamed(table[key])
        _rename_list(table, "of", renamed)
    datum = document.get("datum", {})
    for key in ("primary", "secondary", "tertiary", "edge", "corner"):
        if key in datum:
            datum[key] = renamed(datum[key])
    _rename_list(datum, "holes", renamed)


def _rename_list(table: Any, key: str, renamed: Callable[[Any], Any]) -> None:
    if key not in table:
        return
    value = table[key]
    table[key] = renamed(value) if isinstance(value, str) else [renamed(item) for item in value]


def _in_place(act: Callable[[Any, Record], None]) -> Callable[[str, Record], str]:
    """A change of the parsed document as a change of the text."""

    def changed(text: str, change: Record) -> str:
        import tomlkit

        document = tomlkit.parse(text)
        act(document, change)
        return tomlkit.dumps(document)

    return changed


_ACTS: Mapping[str, Callable[[str, Record], str]] = {
    "add feature": lambda text, change: _add(text, "feature", change.get("keys", {}), _FEATURE),
    "add dimension": lambda text, change: _add(text, "dimension", change.get("keys", {}), _DIMENSION),
    "change feature": _in_place(_change_feature),
    "remove feature": _in_place(_remove_feature),
    "change dimension": _in_place(_change_dimension),
    "remove dimension": _in_place(_remove_dimension),
    "change photo": _in_place(_change_photo),
    "change head": _in_place(_change_head),
}
