"""What `pip install .` carries: every module, every data file, and every library that the code imports."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

PACKAGES = ("capture", "fit")
NAMES = {"cv2": "opencv-python", "PIL": "pillow", "pillow_heif": "pillow-heif"}
"""Import name -> package name, where they differ."""


@pytest.fixture(scope="module")
def settings() -> dict:
    return tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())


def files(root: Path, suffix: str) -> list[Path]:
    return [path for name in PACKAGES for path in (root / name).rglob(f"*{suffix}") if "__pycache__" not in path.parts]


def test_every_folder_with_code_is_a_package(root):
    folders = {path.parent for path in files(root, ".py")}
    assert sorted(str(folder.relative_to(root)) for folder in folders if not (folder / "__init__.py").exists()) == []


def test_every_data_file_is_carried(root, settings):
    patterns = settings["tool"]["setuptools"]["package-data"]
    for name in PACKAGES:
        for path in files(root, ""):
            inside = path.relative_to(root)
            if path.is_dir() or path.suffix == ".py" or inside.parts[0] != name:
                continue
            tail = "/".join(inside.parts[1:])
            assert any(fnmatch(tail, pattern.removeprefix("**/")) for pattern in patterns[name]), inside


def imported(root: Path) -> set[str]:
    found = set()
    for path in files(root, ".py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {*PACKAGES, "__future__"}


def test_dependencies_are_what_the_code_imports(root, settings):
    """Nothing imported that is not declared. Open3D is declared for the user's own scripts and the read-back tests."""
    declared = {re.split(r"[<>=!;\[ ]", entry)[0] for entry in settings["project"]["dependencies"]}
    used = {NAMES.get(name, name) for name in imported(root)}
    assert used <= declared
    assert declared - used <= {"open3d"}
