"""Warnings, refusals and advice in the words of the page: its steps and buttons in place of a job file's keys."""

from __future__ import annotations

import re

from capture.jobs.words import as_keys
from fit.units import in_unit

__all__ = ["on_page", "page_words", "typed_fault"]

_SAID = tuple(
    (re.compile(said), shown)
    for said, shown in (
        (
            r'then say edge = "\w+" for this one or edge = "\w+" for the other\.',
            "then press Take the other edge or This one is right.",
        ),
        (r"give its (?:rough )?(diameter|width)(?P<within> within \d+ %)? as about", r"type its rough \1\g<within>"),
        (r"correct near,", "move its points,"),
        (r"the metal lies \(metal\)", "the metal lies"),
        (r"\b(of|about) \[-?[\d.]+, -?[\d.]+\]", r"\1 your tap"),
        (r"put the way-point (in|near)", r"tap \1"),
        (r"way-point", "tap"),
        (r"Look at the overlay|Look at its picks picture", "Look at it enlarged"),
        (
            r"[Gg]ive print_x \(nominal ([^)]+)\) and print_y \(nominal ([^)]+)\)",
            r"type the caliper readings under 1 Print (nominal \1 across, \2 up)",
        ),
        (r"give print_x \(nominal ([^)]+)\)", r"type the reading across under 1 Print (nominal \1)"),
        (r"give print_y \(nominal ([^)]+)\)", r"type the reading up under 1 Print (nominal \1)"),
        (r"Give print_x and print_y", "Type the caliper readings under 1 Print"),
        (r"give print_x and print_y", "type the readings under 1 Print"),
        (r"Give (height|thickness)( \(and height_u\))?", r"Type the \1 under 2 Shoot"),
        (r"give (height with height_u|height|thickness)\b", "type it under 2 Shoot"),
        (r"correct print_x or print_y", "correct the reading under 1 Print"),
        (r"print it anew with 'edgewright target'", "print it anew under 1 Print"),
        (
            r"([Ll])earn the lens( once)? with ['`]edgewright camera['`]( and give \[camera\])?",
            r"\1earn the lens (Lens sheet, under 1 Print)",
        ),
        (r"give its diameter with tip and tip_u", "type its diameter in the job's file (tip, tip_u)"),
        (r"choose another folder with -o or change its permissions", "change its permissions"),
        (r"choose another folder or add replace", "give the job's file another name, or move that folder away"),
        (r"; see 'edgewright \w+ help'", ""),
    )
)

_PLACE = re.compile(r"^[^:]+: line \d+: (?:\[+\w+\]+ (?:(['\"])(.*?)\1|\d+): (?=\w+: ))?")
_FIELD = {"print_x": "across", "print_y": "up", "about": "rough size", "nominal": "should be", "tolerance": "± allowed"}
_TWICE = re.compile(r"^(.*'([^']*)' .*); got '\2'\.$")


def page_words(text: str) -> str:
    """A message of a command or a job as a reader of the page can follow it."""
    text = as_keys(text)
    for said, shown in _SAID:
        text = said.sub(shown, text)
    return text


def typed_fault(text: str) -> str:
    """What is wrong with something just typed, without the place in the job's file that it would have gone to."""
    text = _PLACE.sub(lambda found: f"{found[2]}: " if found[2] else "", text)
    text = re.sub(r"(?<![\w.])(\w+): ", lambda found: f"{_FIELD.get(found[1], found[1])}: ", text, count=2)
    return _TWICE.sub(r"\1.", text)


def on_page(text: str, unit: str) -> str:
    """The same with its lengths in the reader's unit."""
    return in_unit(page_words(text), unit)
