"""Parts made up by a generator, for tests that draw, write or report something."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def parts() -> ModuleType:
    """The functions of made_parts.py."""
    path = Path(__file__).with_name("made_parts.py")
    spec = importlib.util.spec_from_file_location("made_parts", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
