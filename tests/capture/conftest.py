"""What tests of the capture side share: made-up photos, and real ones where Debian's opencv-doc is installed."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")


def _beside(name: str) -> ModuleType:
    """A module beside this file, by its path: tests are no package."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    """Corners through a known camera, without pixels: `synthetic.py`."""
    return _beside("synthetic")


@pytest.fixture(scope="session")
def drawn() -> ModuleType:
    """Photos of a plate on printed pieces, drawn with exact edges: `drawn.py`."""
    return _beside("drawn")


@pytest.fixture(scope="session")
def opencv_doc() -> Path:
    """Real photographs of the Debian package opencv-doc."""
    if not OPENCV_DOC.is_dir():
        pytest.skip("the Debian package opencv-doc is not installed")
    return OPENCV_DOC
