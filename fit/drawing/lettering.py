"""Widths of letters, so that text can be placed before it is drawn."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

__all__ = ["CAP_HEIGHT", "clean", "fitted", "text_width"]

CAP_HEIGHT = 0.718
"""Height of capitals over font size in Helvetica (its published font metrics); metric-compatible fonts share it."""

_CHARACTERS = "".join(map(chr, range(32, 127))) + "°±²³·×÷ØøµäöüÄÖÜßéèàåÅç–—‘’“”•…½¼¾"
_PLAIN = (
    "278 278 355 556 556 889 667 191 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 278 "
    "278 584 584 584 556 1015 667 667 722 722 667 611 778 722 278 500 667 556 833 722 778 667 778 722 667 611 722 "
    "667 944 667 667 611 278 278 278 469 556 333 556 556 500 556 556 278 556 556 222 222 500 222 833 556 556 556 "
    "556 333 500 278 556 500 722 500 500 500 334 260 334 584 400 584 333 333 278 584 584 778 611 556 556 556 556 "
    "667 778 722 611 556 556 556 556 667 500 556 1000 222 222 333 333 350 1000 834 834 834"
)
_BOLD = (
    "278 333 474 556 556 889 722 238 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 333 "
    "333 584 584 584 611 975 722 722 722 722 667 611 778 722 278 556 722 611 833 722 778 667 778 722 667 611 722 "
    "667 944 667 667 611 333 278 333 584 556 333 556 611 556 611 556 333 611 611 278 278 556 278 889 611 611 611 "
    "611 389 556 333 611 556 778 556 556 500 389 280 389 584 400 584 333 333 278 584 584 778 611 611 556 611 611 "
    "722 778 722 611 556 556 556 556 722 556 556 1000 278 278 500 500 350 1000 834 834 834"
)
_WIDTHS = dict(zip(_CHARACTERS, map(int, _PLAIN.split()), strict=True))
_BOLD_WIDTHS = dict(zip(_CHARACTERS, map(int, _BOLD.split()), strict=True))


def text_width(text: str, height: float, *, bold: bool = False) -> float:
    """Width of a text whose capitals are `height` high, mm (letter widths of Helvetica's font metrics)."""
    widths = _BOLD_WIDTHS if bold else _WIDTHS
    return sum([widths.get(character, 667) for character in text]) * height / CAP_HEIGHT / 1000.0


def clean(text: str) -> str:
    """The text in letters that every PDF reader has (Windows-1252); accents beyond it are dropped, signs become ?."""
    kept, text = [], " ".join(text.split())
    if text.isascii() and text.isprintable():
        return text
    for character in text:
        plain = character if _has(character) else unicodedata.normalize("NFKD", character)[0]
        kept.append(plain if _has(plain) else "?")
    return "".join(kept)


def _has(character: str) -> bool:
    try:
        character.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return character.isprintable()


def fitted(text: str, height: float, width: float, *, bold: bool = False) -> str:
    """The text cut with … where it is wider than `width`."""
    if text_width(text, height, bold=bold) <= width + 1e-6:
        return text
    kept: Sequence[str] = text
    while kept and text_width("".join(kept) + "…", height, bold=bold) > width:
        kept = kept[:-1]
    return "".join(kept) + "…"
