"""README.md and DEVELOPERS.md: what they tell people to type exists."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import tomllib

import click
import pytest

from fit.commands.table import COMMANDS, edgewright

PAGES = ("README.md", "DEVELOPERS.md")


def fences(text: str, language: str = "") -> list[str]:
    return re.findall(rf"^```{language}\w*\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def spoken(text: str) -> list[list[str]]:
    """Every `edgewright …` in fences and between backticks, as words."""
    code = [*fences(text), *re.findall(r"`([^`\n]+)`", text)]
    joined = [part.replace("\\\n", " ") for part in code]
    calls = [call for part in joined for call in re.findall(r"(?:^|\s|/)edgewright ([^&|;\n]+)", part)]
    return [call.split() for call in calls]


@pytest.mark.parametrize("page", PAGES)
def test_fences_parse(root, page):
    text = (root / page).read_text()
    assert text.count("```") % 2 == 0
    for body in fences(text, "bash"):
        assert subprocess.run(["bash", "-n"], input=body, text=True).returncode == 0
    for body in fences(text, "toml"):
        tomllib.loads(body)
    for body in fences(text, "json"):
        json.loads(body)


def test_first_two_fences_are_one_command_each(root):
    first, second = fences((root / "README.md").read_text())[:2]
    for body in (first, second):
        assert len(body.rstrip().replace("\\\n", " ").splitlines()) == 1
    assert "edgewright photo sample_sets/bench_plate/photo1.jpg -o out/" in first
    assert "pytest" in second


@pytest.mark.parametrize("page", PAGES)
def test_commands_and_options_that_are_named_exist(root, page):
    calls = spoken((root / page).read_text())
    for name, *words in calls:
        if name.startswith("-") or name.isupper():
            continue
        assert name in COMMANDS, f"edgewright {name}"
        command = edgewright.get_command(click.Context(edgewright), name)
        if isinstance(command, click.Group) and words[:1] and words[0] in command.commands:
            command = command.commands[words[0]]
        known = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
        named = {word.split("=")[0].strip("[],.") for word in words if word.strip("[").startswith("-")}
        assert named <= {*known, "--help", "-h"}, f"edgewright {name}: {named - known}"


@pytest.mark.parametrize("page", PAGES)
def test_files_that_are_named_exist(root, page):
    text = (root / page).read_text()
    named = set(re.findall(r"\b((?:sample_sets|tests|fit|capture)/[\w./-]*\w)", text))
    missing = sorted(name for name in named if not (root / name).exists())
    assert missing == []


def test_sample_commands_run(edgewright, root, tmp_path, monkeypatch):
    """What the README runs on the samples, line by line as typed, where there is nothing but the samples."""
    typed = "".join(fences((root / "README.md").read_text(), "bash")[2:]).replace("\\\n", " ")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_sets").symlink_to(root / "sample_sets")
    for line in typed.splitlines():
        words = shlex.split(line)
        outcome = edgewright(*words[1:])
        assert outcome.code == 0, outcome.err
        assert (tmp_path / words[words.index("-o") + 1] / "results.json").exists()


def test_every_command_is_in_the_readme(root):
    named = {call[0] for call in spoken((root / "README.md").read_text())}
    assert set(COMMANDS) - named == set()
