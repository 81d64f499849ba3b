"""The unit of a point list: what its text says, what the user says, and what to say when neither does."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from fit.errors import InputError
from fit.points import FloatArray
from fit.units import MM_PER_INCH

__all__ = ["MM_PER_UNIT", "guess_unit", "settle_unit", "unit_in_header", "unit_in_note"]

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": MM_PER_INCH}

_WORDS = {
    "mm": "mm millimeter millimeters millimetre millimetres mms millimètre millimètres milimetros",
    "cm": "cm centimeter centimeters centimetre centimetres zentimeter",
    "m": "m meter meters metre metres",
    "inch": 'inch inches in in. ins zoll pouce pouces " ″',
}
_UNIT_OF_WORD = {word: unit for unit, words in _WORDS.items() for word in words.split()}
_SAFE_WORDS = sorted((w for w in _UNIT_OF_WORD if len(w) > 1 and w not in {"in", "in.", "ins"}), key=len, reverse=True)
_LABELLED = re.compile(
    r"\b(?:units?|uom|einheit(?:en)?|unité?s?|unidad(?:es)?)\b[\s:=;,\t\-_(\[]*"
    r"(?:of\s+\w+\s*[:=]?\s*|(?:are|is|in)\b\s*[:=]?\s*)*[\"'(\[]?\s*([a-zµ.è]+|\"|″)",
    re.IGNORECASE,
)
_SENTENCE = re.compile(
    r"\b(?:in|are|is|as|=|:)\s*[\[(\"']?(" + "|".join(map(re.escape, _SAFE_WORDS)) + r"|m(?=\W*$))\b", re.IGNORECASE
)
_OF_SOMETHING_ELSE = re.compile(r"\b(?:tip|ball|probe|stylus|diameter|dia|radius|sheet|thickness)\b", re.IGNORECASE)
_BRACKET = re.compile(r"[\[(<]\s*([a-z.]+|\"|″)\s*[\])>]", re.IGNORECASE)
_HEADER_CELL = re.compile(r"^\s*[xyz]\w*?\s*[\s_/\[(.:-]\s*([a-z.]+|\"|″)\s*[\])]?\s*$", re.IGNORECASE)


def unit_in_note(text: str) -> str | None:
    """Unit that a comment or a line before the data states, or None.

    A size such as "tip 6 mm" states no unit of the list: a number in front of the word does not count.

    Raises InputError where a unit is labelled as such but unknown.
    """
    note = text.strip().strip("#%!;/*'\" \t,").strip()
    alone = {_UNIT_OF_WORD.get(word.lower()) for word in re.split(r"[\s,;|]+", note) if word}
    if len(alone) == 1 and None not in alone:
        return alone.pop()
    if labelled := _LABELLED.search(text):
        word = labelled.group(1).lower()
        if (unit := _unit_of(word)) is None:
            message = f"the unit '{labelled.group(1)}' is not known; write mm, cm, m or inch"
            raise InputError(message)
        return unit
    if _OF_SOMETHING_ELSE.search(text):
        return None
    if sentence := _SENTENCE.search(text):
        return _unit_of(sentence.group(1).lower())
    for bracket in _BRACKET.finditer(text):
        if unit := _unit_of(bracket.group(1).lower()):
            return unit
    return None


def _unit_of(word: str) -> str | None:
    return _UNIT_OF_WORD.get(word) or _UNIT_OF_WORD.get(word.rstrip("."))


def unit_in_header(cells: Sequence[str]) -> str | None:
    """Unit in column names such as ``x_mm``, ``X [mm]``, ``y (in)`` or ``z/inch``, or in a cell of its own."""
    for cell in cells:
        found = _HEADER_CELL.match(cell)
        if found and (unit := _unit_of(found.group(1).lower())):
            return unit
    for cell in cells:
        if re.match(r"\s*units?\b", cell, re.IGNORECASE):
            return unit_in_note(cell) if re.search(r"[:=\s(\[]\s*\w", cell.strip()[4:]) else None
    return None


def settle_unit(path: str, stated: tuple[str, int] | None, option: str | None, raw: FloatArray, decimals: int) -> str:
    """Choose the unit from the file's own word (with its line) and the option, or refuse and say what the guess is."""
    if stated and option and stated[0] != option:
        message = (
            f"{path}, line {stated[1]}: the file says {stated[0]} but --unit says {option}; "
            "leave --unit out or mend the file."
        )
        raise InputError(message)
    if stated or option:
        return stated[0] if stated else str(option)
    guess, why = guess_unit(raw, decimals)
    message = (
        f"{path}: the unit is not stated in the file; add --unit mm or --unit inch. "
        f"My guess would be {guess}, because {why}; but a guess is not used."
    )
    raise InputError(message)


def guess_unit(raw: FloatArray, decimals: int) -> tuple[str, str]:
    """A guess at the unit with its reason, for the refusal's text only.

    Raw is (N, 3) in file units; decimals the most digits after the decimal sign. Lists in inch are commonly written
    with one or two digits more (common practice, no source).
    """
    spread = float(np.ptp(raw, axis=0).max())
    if decimals >= 5 and spread < 80:
        return "inch", f"the numbers have {decimals} decimals and spread over only {spread:.3g}"
    if spread == 0:
        return "mm", "a single place tells nothing and mm is the commoner unit"
    if spread < 12:
        return "inch", f"the points spread over only {spread:.3g}, which in mm would be a very small part"
    return "mm", f"the points spread over {spread:.4g}, which in inch would be {spread * 25.4 / 1000:.3g} m"
