"""What tests of other folders can make, used here as well: each stands once."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType


def borrowed(name: str) -> ModuleType:
    """Return a file of the tests, such as ``logs/test_exchange_formats.py``, as a module."""
    spec = importlib.util.spec_from_file_location(Path(name).stem, Path(__file__).parents[1] / name)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
