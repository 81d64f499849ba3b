"""What the page says is said in its own steps and fields: no command, no option, no key of a job file."""

from __future__ import annotations

import re
import tomllib

import numpy as np
import pytest

from capture.page.edits import edited
from capture.page.shown import listed_feature, told_text
from capture.page.wording import page_words, typed_fault
from fit.points import Points
from fit.report.words import ADVICE, budget_entry
from fit.results import Notice
from fit.shapes import fit_circle

COMMANDS = re.compile(r"--\w|(?<!\w)-o\b|edgewright|\[\[|print_[xy]|height_u|overlay")
OF_A_PHOTO = ("caliper", "print", "height", "thickness", "focal", "lens", "corners", "target", "own", "rim", "light")


def test_no_advice_on_a_photo_names_a_command_or_a_key():
    codes = [code for code in ADVICE if not code.startswith(("cloud", "unit", "gap", "k-", "coupon"))]
    said = {code: page_words(f"{ADVICE[code].cause} {ADVICE[code].see} {ADVICE[code].do}") for code in codes}
    said |= {word: page_words(budget_entry(word)[1]) for word in OF_A_PHOTO}
    assert {code: text for code, text in said.items() if COMMANDS.search(text)} == {}


@pytest.mark.parametrize(
    "text",
    [
        "/tmp/job: cannot be written to; choose another folder with -o or change its permissions.",
        "job: holds other files; choose another folder or add --replace.",
        "a.jpg: the frame was printed in the board layout of OpenCV before 4.6; print it anew with 'edgewright target'.",
        "Faces are known poorly; shoot at 20 to 35°, or learn the lens with 'edgewright camera'.",
    ],
)
def test_what_a_command_says_names_no_command_here(text):
    assert not COMMANDS.search(page_words(text))


def test_a_fault_of_what_was_typed_names_the_field_and_not_the_line():
    told = typed_fault(
        "a.toml: line 9: [[dimension]] 'across: \"a\"': tolerance: 'x' is not a length; write it so; got 'x'."
    )
    assert told == "across: \"a\": ± allowed: 'x' is not a length; write it so."
    assert typed_fault("a.toml: line 4: [[photo]] 1: print_x: must be over 0.") == "across: must be over 0."
    assert typed_fault("The mark 'a: b' is gone.") == "The mark 'a: b' is gone."


def test_a_piece_of_a_path_goes_by_its_number():
    notice = Notice("short-arc", "path 1 2 turns by only 9°: its radius may be anything.", "path 1")
    assert told_text(notice, "mm").startswith("piece 2 turns by only 9°")
    assert told_text(Notice("x", "path 10 is long.", "path 1"), "mm") == "path 10 is long."


def test_a_form_value_is_told_once_as_that_of_the_least_zone():
    rng = np.random.default_rng(5)
    turn = rng.uniform(0, 2 * np.pi, 60)
    xyz = np.column_stack([9 * np.cos(turn), 9 * np.sin(turn), 0 * turn]) + rng.normal(0, 0.05, (60, 3)) * [1, 1, 0]
    feature = fit_circle(Points(xyz), form="minimum-zone")
    assert {"roundness", "roundness_least_squares"} <= set(feature.form)
    told = listed_feature(feature, "mm")["form"]
    assert told.count("roundness") == 1 and f"roundness {feature.form['roundness']:.2f}" in told


@pytest.mark.parametrize(("height", "kept"), [("2±0.1", False), (None, False), (2.5, True), ("0.1 in", True)])
def test_a_height_typed_with_its_own_doubt_or_left_out_takes_the_old_doubt_along(height, kept):
    text = '[[photo]]\nfile = "a.jpg"\nheight = 1.93\nheight_u = 0.02 # by micrometer\n'
    photo = tomllib.loads(edited(text, [{"do": "change photo", "index": 0, "set": {"height": height}}]))["photo"][0]
    assert photo.get("height") == height and ("height_u" in photo) is kept
