"""What is wrong with a command line, in plain words where the library that reads it speaks of its own types."""

from __future__ import annotations

import re

import click

__all__ = ["usage_words"]

_NOT_A_NUMBER = re.compile(r"'([^']*)' is not a valid (?:float|integer)(?: range)?\.")
_OUT_OF_RANGE = re.compile(r"(\S+) is not in the range (?:([^<>\s]+)(<=?))?x(?:([<>]=?)([^<>\s]+))?\.")
_LEAST = {"<": "above", "<=": "at least", ">": "above", ">=": "at least"}
_MOST = {"<": "below", "<=": "at most"}


def usage_words(error: click.UsageError) -> str:
    """What is wrong, with the option that it is about, and where to read more."""
    where = f" (see '{error.ctx.command_path} --help')" if error.ctx else ""
    if isinstance(error, click.MissingParameter) and isinstance(error.param, click.Option):
        told = (error.param.help or "").rstrip(".")
        return f"{error.param.opts[0]} is missing: {told[:1].lower()}{told[1:]}.{where}"
    text = _NOT_A_NUMBER.sub(r"'\1' is not a number.", error.format_message())
    return _OUT_OF_RANGE.sub(_allowed, text) + where


def _allowed(found: re.Match[str]) -> str:
    """``must be at least 8 and at most 300; got 5.0.``"""
    given, low, after_low, before_high, high = found.groups()
    limits = [f"{_LEAST[after_low]} {low}"] if low else []
    if high:
        words = _MOST if before_high in _MOST else _LEAST
        limits.append(f"{words[before_high]} {high}")
    return f"must be {' and '.join(limits)}; got {float(given):g}."
