"""What every test may use: the command line run inside this process."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from fit.commands import main


@dataclass(frozen=True)
class Outcome:
    """How a run of the command ended: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


@pytest.fixture
def edgewright(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Run `edgewright ARGS…` as from a shell; a traceback fails the test that asked for it."""

    def run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["edgewright", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as stop:
            main()
        out, err = capsys.readouterr()
        return Outcome(int(stop.value.code or 0), out, err)

    return run


@pytest.fixture(scope="session")
def root() -> Path:
    """The top of the source tree."""
    return Path(__file__).resolve().parent.parent
