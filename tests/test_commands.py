"""Every command of the table: it exists, explains itself, and turns bad input away in one line."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from fit.commands.table import COMMANDS

OFFERED = ("target", "camera", "photo", "probe", "path", "bend", "rod", "seal", "clear")
"""Commands that users and scripts rely on by name."""


@pytest.fixture
def in_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "noise.jpg").write_bytes(bytes(range(256)) * 40)
    (tmp_path / "words.csv").write_text("neither numbers\nnor a header\n")
    (tmp_path / "results.json").write_text('{"format": "something else"}')
    return tmp_path


def test_offered_commands_are_in_the_table():
    assert set(OFFERED) <= set(COMMANDS)


def test_every_command_that_is_written_is_in_the_table(root):
    written = {
        f"{package}.commands.{path.stem}"
        for package in ("capture", "fit")
        for path in (root / package / "commands").glob("[!_]*.py")
        if path.stem != "table" and re.search(r"^@click\.(command|group)", path.read_text(), re.MULTILINE)
    }
    assert written == {place.partition(":")[0] for place, _ in COMMANDS.values()}


@pytest.mark.parametrize("name", COMMANDS)
def test_command_explains_itself(edgewright, name):
    outcome = edgewright(name, "--help")
    assert outcome.code == 0
    assert f"edgewright {name}" in outcome.out
    assert outcome.err == ""


@pytest.mark.parametrize("name", COMMANDS)
def test_command_is_in_the_table_under_its_own_name(name):
    module, _, attribute = COMMANDS[name][0].partition(":")
    assert getattr(import_module(module), attribute).name == name


@pytest.mark.parametrize("flag", ["-h", "--help"])
def test_help_lists_every_command_with_its_line(edgewright, flag):
    shown = " ".join(edgewright(flag).out.split())
    for name, (_, line) in COMMANDS.items():
        assert f"{name} {line}" in shown


def test_version_is_the_packages(edgewright):
    assert edgewright("--version").out == "edgewright, version 0.1.0\n"


BAD = [
    ("nonsense",),
    ("--nonsense",),
    ("target",),
    ("camera", "-o", "camera.json"),
    ("camera", "missing.jpg", "-o", "camera.json"),
    ("camera", "noise.jpg", "-o", "camera.json"),
    ("photo",),
    ("photo", "missing.jpg", "-o", "out"),
    ("photo", "empty", "-o", "out"),
    ("photo", "noise.jpg", "-o", "out"),
    ("photo", "noise.jpg", "-o", "out", "--height", "tall"),
    ("photo", "noise.jpg", "-o", "out", "--height", "nan"),
    ("photo", "noise.jpg", "-o", "out", "--height-u", "-1"),
    ("photo", "noise.jpg", "-o", "out", "--print-x", "0"),
    ("photo", "noise.jpg", "-o", "out", "--unit-out", "furlong"),
    ("photo", "noise.jpg"),
    ("photo", "noise.jpg", "-o", "out", "--camera", "results.json"),
    ("probe", "-o", "out"),
    ("probe", "missing.csv", "-o", "out"),
    ("probe", "empty", "-o", "out", "--unit", "mm"),
    ("probe", "words.csv", "-o", "out"),
    ("probe", "words.csv", "-o", "out", "--unit", "furlong"),
    ("path", "missing.csv", "-o", "out"),
    ("path", "empty", "-o", "out", "--unit", "mm"),
    ("path", "words.csv", "-o", "out", "--unit", "mm"),
    ("bend", "results.json", "-o", "out"),
    ("bend", "--legs", "40", "--angles", "ninety", "--radius", "1", "--thickness", "1", "-o", "out"),
    ("rod", "missing.csv", "-o", "out", "--rod-diameter", "6"),
    ("rod", "words.csv", "-o", "out", "--rod-diameter", "-6"),
    ("seal", "--pieces", "", "--offset", "3", "-o", "out"),
    ("seal", "missing.json", "--path", "edge", "-o", "out"),
    ("seal", "results.json", "--path", "edge", "-o", "out"),
    ("clear", "--fixed", "missing.ply", "--moving", "missing.ply", "-o", "out"),
    ("clear", "--fixed", "empty", "--moving", "empty", "--slide", "0,0,1", "--travel", "0:1:1", "-o", "out"),
    ("clear", "--fixed", "words.csv", "--moving", "words.csv", "--slide", "up", "--travel", "0:1:1", "-o", "out"),
]


@pytest.mark.parametrize("arguments", BAD, ids=" ".join)
def test_bad_input_ends_in_one_line_and_writes_nothing(edgewright, in_empty_folder, arguments):
    before = sorted(path.name for path in in_empty_folder.iterdir())
    outcome = edgewright(*arguments)
    assert outcome.code == 2
    assert outcome.out == ""
    assert outcome.err.startswith("edgewright: ")
    assert outcome.err.count("\n") == 1
    assert len(outcome.err) > len("edgewright: ") + 10
    assert "None" not in outcome.err
    assert sorted(path.name for path in in_empty_folder.iterdir()) == before


ROD = ("rod", "--corners", "0,0,0; 100,0,0; 100,80,0", "-o", "out", "--rod-diameter")


@pytest.mark.parametrize(
    ("option", "arguments"),
    [
        ("--rod-diameter", (*ROD, "nan", "--radius", "24")),
        ("--radius", (*ROD, "8", "--radius", "24, 1e308")),
        ("--schedule", ("rod", "--schedule", "40:0:90; far", "--rod-diameter", "8", "--radius", "24", "-o", "out")),
        ("--free", ("seal", "--pieces", "400", "--offset", "3", "--free", "soft", "-o", "out")),
        ("--height", ("photo", "noise.jpg", "-o", "out", "--height", "nan")),
    ],
)
def test_a_wrong_length_names_its_option(edgewright, in_empty_folder, option, arguments):
    outcome = edgewright(*arguments)
    assert outcome.code == 2
    assert option in outcome.err.split("is not a length")[0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("photo", "a.jpg"), "-o is missing: folder for the results; made if missing."),
        (("photo", "a.jpg", "-o", "out", "--height-u", "x"), "'--height-u': 'x' is not a number."),
        (("photo", "a.jpg", "-o", "out", "--height-u", "0"), "'--height-u': must be above 0; got 0."),
        (("expect", "--tilt", "80"), "'--tilt': must be at least 0 and at most 60; got 80."),
        (("expect", "--strips", "-1"), "'--strips': must be at least 0; got -1."),
    ],
)
def test_what_is_wrong_with_an_option_is_told_in_plain_words(edgewright, arguments, words):
    outcome = edgewright(*arguments)
    assert outcome.code == 2 and words in outcome.err and f"see 'edgewright {arguments[0]} --help'" in outcome.err


@pytest.mark.parametrize("arguments", [(), ("job",)])
def test_who_asks_for_nothing_gets_the_help(edgewright, arguments):
    outcome = edgewright(*arguments)
    assert (outcome.code, outcome.err) == (0, "") and outcome.out == edgewright(*arguments, "--help").out


def test_json_is_alone_on_standard_output(edgewright, root, tmp_path):
    samples = root / "sample_sets/seal_channel"
    arguments = ("--tip", "3", "--points", "centre", "--plane", samples / "deck.csv", "--json")
    outcome = edgewright("path", samples / "edge_walk.csv", "-o", tmp_path / "out", *arguments)
    assert outcome.code == 0
    assert json.loads(outcome.out) == json.loads((tmp_path / "out" / "results.json").read_text())
    assert outcome.err == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_behind_standard_output_is_one_line(tmp_path):
    command = [sys.executable, "-c", "from fit.commands import main; main()", "target", "frame", "-o", "frame.pdf"]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, cwd=tmp_path, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.strip() == "edgewright: The output: cannot be read or written (No space left on device)."


def test_ctrl_c_while_starting_is_one_line():
    """Stopped in an import, where Python itself would show its own traceback."""
    stopping = "import sys\nclass Stop:\n    def find_spec(self, name, *_):\n        if name == 'click':\n"
    stopping += "            raise KeyboardInterrupt\nsys.meta_path.insert(0, Stop())\n"
    command = [sys.executable, "-c", f"{stopping}from fit.commands import main\nmain()"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "edgewright: Stopped; nothing was written.\n")
