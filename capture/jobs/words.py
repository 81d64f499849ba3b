"""Messages of the single commands in the words of a job file."""

from __future__ import annotations

import re

__all__ = ["as_keys"]

_OPTION = re.compile(r"(?<![\w-])--([a-z][a-z0-9]*(?:-[a-z0-9]+)*)")
_OTHER = {"camera": "[camera]", "dim": "dimension", "fit": "feature", "datum": "[datum]"}


def as_keys(text: str) -> str:
    """``--print-x`` as ``print_x``: options of commands have the same names as a job's keys."""
    text = text.replace(
        "use 'edgewright page' or 'edgewright run'",
        "add a [[feature]] with near, read off the grid of 'edgewright job new'",
    )
    return _OPTION.sub(lambda found: _OTHER.get(found[1], found[1].replace("-", "_")), text)
