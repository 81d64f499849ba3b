"""Warnings that say the same of several features, told once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from fit.results import Notice

__all__ = ["told_once"]

_QUOTED = r"'[^']*'"
_FIGURE = r"(?<![\w.])\d+(?:\.\d+)?(?: ?(?:mm|°|%|px)(?!\w))?"


def told_once(notices: Iterable[Notice]) -> list[Notice]:
    """The notices in order, those alike but for names and figures as one: the first, then the others' names and figures."""
    groups: dict[tuple[str, str], list[Notice]] = {}
    for notice in notices:
        groups.setdefault((notice.code, _variables(notice).sub("*", notice.text)), []).append(notice)
    return [_as_one(group) for group in groups.values()]


def _variables(notice: Notice) -> re.Pattern[str]:
    """What may differ between notices that are alike: the feature or a piece of it, names in quotes, figures."""
    own = [rf"(?<!\w){re.escape(notice.feature)}(?: \d+)?(?!\w)"] if notice.feature else []
    return re.compile("|".join([_QUOTED, *own, _FIGURE]))


def _as_one(group: Sequence[Notice]) -> Notice:
    first, *others = group
    if not others:
        return first
    alike = dict.fromkeys(_difference(first, other) for other in others)
    return replace(first, text=f"{first.text} Alike: {', '.join(item for item in alike if item)}.")


def _difference(first: Notice, other: Notice) -> str:
    """What the other is about, and in brackets the figures in which it differs from the first."""
    pairs = zip(_variables(first).findall(first.text), _variables(other).findall(other.text), strict=True)
    differing = [theirs for ours, theirs in pairs if ours != theirs]
    figures = [text for text in differing if re.fullmatch(_FIGURE, text)]
    names = list(dict.fromkeys(text.strip("'") for text in differing if text not in figures))
    if other.feature != first.feature:
        pieces = [name for name in names if name.startswith(f"{other.feature} ")]
        names = [name for name in names if other.feature not in name] + (pieces or [other.feature])
    name, told = " ".join(names), ", ".join(figures)
    return f"{name} ({told})" if name and told else name or told
