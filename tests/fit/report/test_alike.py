"""Warnings that say the same of several features are told once, and nothing that differs is lost."""

from __future__ import annotations

from dataclasses import replace

from fit.commands.show import result_table
from fit.report.alike import told_once
from fit.results import Notice, Results


def _outside(name: str, mm: int) -> Notice:
    return Notice("outside-target", f"'{name}' reaches {mm} mm outside the target; put a target there too.", name)


def test_one_line_for_each_kind_of_warning() -> None:
    short = [Notice("short-arc", f"rim {i} is too short: {4 + i} mm to {9 + i}.5 mm.", "rim") for i in (1, 2)]
    notices = [_outside("hole 1", 50), *short, _outside("edge", 50), _outside("hole 2", 7)]
    lines = [line for line in result_table(Results("bench", warnings=notices)) if line]
    assert lines == [
        "outside-target (hole 1): 'hole 1' reaches 50 mm outside the target; put a target there too. "
        "Alike: edge, hole 2 (7 mm).",
        "short-arc (rim): rim 1 is too short: 5 mm to 10.5 mm. Alike: rim 2 (6 mm, 11.5 mm).",
    ]


def test_photos_and_features_are_both_named() -> None:
    told = told_once(
        replace(_outside(name, mm), text=f"In photo '{photo}': {_outside(name, mm).text}")
        for photo in ("left", "right")
        for name, mm in (("hole 1", 5), ("rim", 6))
    )
    assert [notice.text.partition("Alike: ")[2] for notice in told] == ["rim (6 mm), right, right rim (6 mm)."]


def test_what_differs_in_words_stays_apart() -> None:
    notices = [
        Notice("two-edges", "Two edges lie 0.3 mm apart; the outer one is taken.", "a"),
        Notice("two-edges", "Two edges lie 0.4 mm apart; the inner one is taken.", "b"),
        Notice("low-contrast", "Two edges lie 0.3 mm apart; the outer one is taken.", "c"),
        Notice("unit-assumed", "mm is assumed."),
    ]
    assert told_once(notices) == notices


def test_names_without_quotes_and_with_figures_in_them() -> None:
    """A feature's own name may hold figures, signs and words of the text."""
    notices = [
        Notice("undecided", f"Not fitted: 7 points fit no shape. Say what {n} is with --fit '{n}=KIND'.", n)
        for n in ("hole_1", "rim (2", "slot 3.5 mm")
    ]
    (told,) = told_once(notices)
    assert told.text.endswith("--fit 'hole_1=KIND'. Alike: rim (2, slot 3.5 mm.")
