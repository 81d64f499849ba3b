"""What tests of the capture side share: made-up photos, and real ones where Debian's opencv-doc is installed."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    """The module `synthetic.py` beside this file."""
    spec = importlib.util.spec_from_file_location("synthetic", Path(__file__).with_name("synthetic.py"))
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def opencv_doc() -> Path:
    """Real photographs of the Debian package opencv-doc."""
    if not OPENCV_DOC.is_dir():
        pytest.skip("the Debian package opencv-doc is not installed")
    return OPENCV_DOC
