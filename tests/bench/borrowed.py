"""What studies use of the tests' own modules."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

__all__ = ["borrowed"]


def borrowed(place: str, name: str = "") -> ModuleType:
    """A module of the tests by its place below ``tests``, such as ``capture/synthetic``; `name` if its own is taken."""
    path = Path(__file__).parents[1] / f"{place}.py"
    spec = importlib.util.spec_from_file_location(name or path.stem, path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
