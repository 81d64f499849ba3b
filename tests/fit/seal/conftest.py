"""Paths for seal tests."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def made() -> ModuleType:
    """The functions of made_paths.py."""
    path = Path(__file__).with_name("made_paths.py")
    spec = importlib.util.spec_from_file_location("made_paths", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
