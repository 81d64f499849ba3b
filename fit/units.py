"""Text to millimetres and radians and back: the only parser and the only formatter of sizes that people type or read.

A bare number is mm unless the caller says otherwise; a fraction without a unit is inches, because nobody writes
fractions of a millimetre. A ± that is typed is a limit, so its standard uncertainty is limit/√3 (JCGM 100:2008,
4.3.7).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import click

from fit.errors import InputError

__all__ = [
    "ANGLE",
    "LENGTH",
    "LENGTH_WITH_LIMIT",
    "MM_PER_INCH",
    "Length",
    "format_angle",
    "format_fraction",
    "format_length",
    "format_plain",
    "in_unit",
    "named_length",
    "parse_angle",
    "parse_length",
    "unit_words",
]

MM_PER_INCH = 25.4
"""Exact by definition (international yard and pound agreement, 1959)."""

_LEAST_FRACTION = MM_PER_INCH / 16
_UNITS = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "ft": 12 * MM_PER_INCH,
    "'": 12 * MM_PER_INCH,
}
_NUMBER = r"(?:\d+[\s-]+\d+/\d+|\d+/\d+|\d+(?:[.,]\d*)?|[.,]\d+)"
_TERM = re.compile(rf"\s*({_NUMBER})\s*(mm|cm|m|inches|inch|in|ft|\"|')?\s*", re.IGNORECASE)
_FIGURE = r"[+-]?\d+(?:\.\d+)?"
_SAID = re.compile(
    rf"(?<!\w)'[^']*'(?!\w)|(?<![\w.,+-])({_FIGURE}(?: ?(?:±|to|and|or|by|×|x|–|,) ?±?{_FIGURE})*)[ \u00a0]mm(?![\w²³/])"
)
"""Words in quotes, or lengths in mm as sentences hold them: ``12.3 ±0.1 mm``, ``5 to 8 mm``."""
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_QUOTES = str.maketrans({"”": '"', "“": '"', "″": '"', "’": "'", "′": "'", "−": "-", "–": "-", "\u00a0": " "})
_ANGLE_TERM = re.compile(r"\s*(\d+(?:[.,]\d*)?|[.,]\d+)\s*(degrees|degree|deg|°|rad|'|\")?\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Length:
    """A typed length in mm and the limit typed after its ±, None where none was typed."""

    value: float
    limit: float | None = None

    @property
    def u(self) -> float | None:
        """Standard uncertainty of a typed limit, mm (JCGM 100:2008, 4.3.7)."""
        return None if self.limit is None else self.limit / math.sqrt(3.0)


def parse_length(text: str, unit: str = "mm") -> Length:
    """Read a length such as ``34.9 mm``, ``1-3/8"``, ``4' 2 1/2"`` or ``1.5±2``; `unit` holds for bare numbers.

    Raises InputError where the text is not one length.
    """
    parts = _PLUS_MINUS.split(text.translate(_QUOTES).strip())
    if len(parts) > 2:
        raise _not_a_length(text)
    terms = [_terms(part, text) for part in parts]
    named = next((terms[i][-1][1] for i in range(len(terms)) if terms[i][-1][1]), None)
    fraction = any(is_fraction for part in terms for _, _, is_fraction in part)
    default = named if named not in (None, "'") else ("inch" if fraction else unit)
    values = [
        sign * sum(_in_mm(number, name or default) for number, name, _ in part) for part, sign in _signed(parts, terms)
    ]
    if len(values) == 1:
        return Length(values[0])
    if values[1] < 0:
        message = f"The limit after ± must not be negative; got '{text}'."
        raise InputError(message)
    return Length(values[0], values[1])


def _signed(
    parts: list[str], terms: list[list[tuple[float, str | None, bool]]]
) -> list[tuple[list[tuple[float, str | None, bool]], float]]:
    return [(group, -1.0 if part.lstrip().startswith("-") else 1.0) for part, group in zip(parts, terms, strict=True)]


def _in_mm(number: float, name: str) -> float:
    return number * _UNITS[name.lower()]


def _terms(part: str, whole: str) -> list[tuple[float, str | None, bool]]:
    """Cut ``4' 2 1/2"`` into its (number, unit, is a fraction) terms; only feet may be followed by a second term."""
    bare = part.strip()
    rest, found = (bare[1:].strip() if bare[:1] in ("+", "-") else bare), []
    while rest:
        match = _TERM.match(rest)
        if not match:
            raise _not_a_length(whole)
        found.append((_number(match[1], whole), match[2], "/" in match[1]))
        rest = rest[match.end() :]
    feet_first = len(found) == 2 and (found[0][1] or "").lower() in ("ft", "'")
    if not found or (len(found) > 1 and not feet_first):
        raise _not_a_length(whole)
    if feet_first and not found[1][1]:
        found[1] = (found[1][0], '"', found[1][2])
    return found


def _number(text: str, whole: str) -> float:
    if "/" in text:
        *units, fraction = re.split(r"[\s-]+", text)
        above, below = (int(figure) for figure in fraction.split("/"))
        if below == 0:
            raise _not_a_length(whole)
        return float(sum(int(figure) for figure in units) + Fraction(above, below))
    if re.fullmatch(r"\d+,\d{3}", text):
        message = f"'{whole}' can be read in two ways (decimal comma or thousands); write it with a point."
        raise InputError(message)
    return float(text.replace(",", "."))


def _not_a_length(text: str) -> InputError:
    return InputError(f"'{text}' is not a length; write it like 34.9 mm, 1 3/8\", 4' 2 1/2\" or 1.5±0.2.")


def named_length(text: str, what: str, unit: str = "mm") -> Length:
    """As `parse_length`; the message of an InputError begins with the option or key that is meant."""
    try:
        return parse_length(text, unit)
    except InputError as error:
        message = f"{what}: {error}"
        raise InputError(message) from error


def parse_angle(text: str) -> float:
    """Read an angle such as ``92.5``, ``92.5°``, ``45°30'`` or ``1.2 rad`` as radians."""
    rest, total, factor = text.translate(_QUOTES).strip(), 0.0, {"'": 1 / 60, '"': 1 / 3600}
    sign, rest = (-1.0, rest[1:]) if rest.startswith("-") else (1.0, rest.lstrip("+"))
    if not rest:
        raise _not_an_angle(text)
    while rest:
        match = _ANGLE_TERM.match(rest)
        if not match:
            raise _not_an_angle(text)
        name = (match[2] or "°").lower()
        number = float(match[1].replace(",", "."))
        total += number if name == "rad" else math.radians(number * factor.get(name, 1.0))
        rest = rest[match.end() :]
    return sign * total


def _not_an_angle(text: str) -> InputError:
    return InputError(f"'{text}' is not an angle; write it like 92.5, 92.5°, 45°30' or 1.2 rad.")


def unit_words(unit_out: str) -> str:
    """What to call the unit on a drawing or page."""
    return {"mm": "mm", "inch": "inch", "fraction": "inch, fractions"}[unit_out]


def format_length(
    mm: float, u95: float | None = None, unit_out: str = "mm", *, with_unit: bool = False, short: bool = False
) -> str:
    """A length for people, ``8.012 ±0.021``: as many figures as its U95 supports, U95 rounded up to two figures.

    One typed without a ± has a U95 of 0: none is told of it, for nobody knows it to be exact.
    short stops one decimal earlier (0.01 mm, 0.001 in; ``1 3/8" +.003 ±.006``), for drawings.
    """
    u95 = u95 or None
    if unit_out == "fraction":
        told = format_fraction(mm) + ("" if u95 is None else f' ±{_plain(u95 / MM_PER_INCH, 3, up=True)}"')
        return re.sub(r'([+±-])0(\.\d+)"', r"\1\2", told) if short else told
    scale, most = (1.0, 3 - short) if unit_out == "mm" else (1 / MM_PER_INCH, 4 - short)
    text = _plain(mm * scale, min(most, 2 if unit_out == "mm" else 3))
    if u95 is not None:
        text = format_plain(mm * scale, u95 * scale, most)
    return f"{text} {'mm' if unit_out == 'mm' else 'in'}" if with_unit else text


def format_angle(radians: float, u95: float | None = None, *, with_unit: bool = True) -> str:
    """An angle in degrees for people, with its U95."""
    text = format_plain(math.degrees(radians), None if u95 is None else math.degrees(u95), 3)
    if not with_unit:
        return text
    return text.replace(" ±", "° ±") + "°"


def format_plain(value: float, u95: float | None, most: int = 3) -> str:
    """A number and its U95 at the number of decimals that U95 supports, at most `most`."""
    if not u95:
        return _plain(value, min(most, 2))
    decimals = min(most, max(0, 1 - math.floor(math.log10(u95))))
    return f"{_plain(value, decimals)} ±{_plain(u95, decimals, up=True)}"


def _plain(value: float, decimals: int, *, up: bool = False) -> str:
    if up:
        value = math.ceil(value * 10**decimals - 1e-6) / 10**decimals
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def format_fraction(mm: float, denominator: int = 64) -> str:
    """A length as ``4 23/32" +0.007"``: the nearest fraction to 1/16, 1/32 or 1/64 and the rest in inches."""
    inches = mm / MM_PER_INCH
    nearest = Fraction(round(abs(inches) * denominator), denominator)
    whole, part = divmod(nearest, 1)
    rest = abs(inches) - float(nearest)
    sign = "-" if inches < 0 and nearest else ""
    figure = " ".join(str(item) for item in (whole, part) if item) or "0"
    tail = "" if abs(rest) < 0.0005 else f' {"+" if rest > 0 else "-"}{abs(rest):.3f}"'
    return f'{sign}{figure}"{tail}'


def in_unit(text: str, unit_out: str) -> str:
    """A sentence whose lengths are in mm, such as a warning, with them in the reader's unit; quoted words stay."""
    if unit_out == "mm":
        return text

    def told(match: re.Match[str]) -> str:
        if match[1] is None:
            return match[0]
        words = re.sub(_FIGURE, lambda figure: _said(figure[0], match[1], figure.start(), unit_out), match[1])
        return words if unit_out == "fraction" else f"{words} in"

    return _SAID.sub(told, text)


def _said(figure: str, whole: str, start: int, unit_out: str) -> str:
    """One figure in inches: as fine as it was in mm; sizes, not deviations, as fractions where those are wanted."""
    mm, decimals = float(figure), len(figure.partition(".")[2])
    is_size = figure[0].isdigit() and not whole[:start].endswith("±") and mm >= _LEAST_FRACTION
    if unit_out == "fraction" and is_size:
        return format_fraction(mm)
    text = f"{mm / MM_PER_INCH:{'+' if figure[0] == '+' else ''}.{(2, 3, 3, 4)[min(decimals, 3)]}f}"
    return f'{text}"' if unit_out == "fraction" else text


if TYPE_CHECKING:
    _FloatType = click.ParamType[float]
    _LimitBase = click.ParamType[Length]
else:  # older releases of click have no type parameter
    _FloatType = _LimitBase = click.ParamType


class _LengthType(_FloatType):
    """A click option that takes any way of writing a length and gives mm."""

    name = "length"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, (int, float)):
            return float(value)
        length = _or_fail(self, str(value), param, ctx)
        if length.limit is not None:
            self.fail(f"'{value}' has a ± where only a size is taken.", param, ctx)
        return length.value


class _LimitType(_LimitBase):
    """A click option that takes a length with or without a ± and gives a `Length`."""

    name = "length[±limit]"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Length:
        return value if isinstance(value, Length) else _or_fail(self, str(value), param, ctx)


class _AngleType(_FloatType):
    """A click option that takes degrees (or radians by name) and gives radians."""

    name = "angle"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            return parse_angle(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


def _or_fail(
    kind: _FloatType | _LimitBase, text: str, param: click.Parameter | None, ctx: click.Context | None
) -> Length:
    try:
        return parse_length(text)
    except InputError as error:
        kind.fail(str(error), param, ctx)


LENGTH = _LengthType()
LENGTH_WITH_LIMIT = _LimitType()
ANGLE = _AngleType()
