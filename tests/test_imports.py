"""What is loaded when, and in which direction packages know each other."""

from __future__ import annotations

import re
import resource
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

HEAVY = (
    "cv2",
    "ezdxf",
    "matplotlib",
    "numba",
    "numpy",
    "open3d",
    "PIL",
    "pillow_heif",
    "pydantic",
    "reportlab",
    "scipy",
)
HELP_SECONDS = 0.3  # of processor time, start of the interpreter included
LIST_MODULES = "import sys; print(*sorted({name.partition('.')[0] for name in sys.modules}))"


def loaded_by(statement: str) -> set[str]:
    """Top-level packages in memory after this statement ran in a fresh interpreter."""
    command = [sys.executable, "-c", f"{statement}\n{LIST_MODULES}"]
    return set(subprocess.run(command, check=True, capture_output=True, text=True).stdout.split())


def test_help_loads_nothing_heavy():
    run = "import sys, contextlib, io\nsys.argv = ['edgewright', '--help']\nfrom fit.commands import main\n"
    run += "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n    main()"
    assert loaded_by(run).isdisjoint(HEAVY)


def test_packages_load_nothing_heavy():
    assert loaded_by("import capture, fit").isdisjoint(set(HEAVY) - {"numpy"})


def test_fits_load_nothing_heavy():
    """Every probe fits, with the minimum zone too: a library that takes a third of a second to load stays out of it."""
    run = "import numpy\nfrom fit.points import Points\nfrom fit.shapes import fit_sphere\n"
    run += "fit_sphere(Points(numpy.random.default_rng(1).normal(size=(30, 3))), form='minimum-zone')"
    assert loaded_by(run).isdisjoint(set(HEAVY) - {"numpy"})


def test_check_sees_a_heavy_import():
    assert "numpy" in loaded_by("import numpy")


def test_help_is_quick():
    program = Path(sysconfig.get_path("scripts")) / "edgewright"
    used = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([program, "--help"], check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(used) < HELP_SECONDS


def test_import_contract_holds(root):
    """import-linter: data flows capture -> fit, and fit never imports capture."""
    program = Path(sysconfig.get_path("scripts")) / "lint-imports"
    outcome = subprocess.run([program, "--no-cache"], cwd=root, capture_output=True, text=True)
    assert outcome.returncode == 0, outcome.stdout


def test_fit_names_capture_only_as_text(root):
    found = [
        f"{path.relative_to(root)}:{number}"
        for path in (root / "fit").rglob("*.py")
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if re.match(r"\s*(from|import)\s+capture\b", line)
    ]
    assert found == []


@pytest.mark.parametrize("rule", ["TID253", "F", "E"])
def test_source_follows_the_settings(root, rule):
    """ruff: no heavy import at module level, nothing unused, no line too long."""
    command = [sys.executable, "-m", "ruff", "check", "--no-cache", "--select", rule, "capture", "fit"]
    outcome = subprocess.run(command, cwd=root, capture_output=True, text=True)
    assert outcome.returncode == 0, outcome.stdout
