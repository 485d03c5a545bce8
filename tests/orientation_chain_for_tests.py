"""The bench of `scripts/orientation_accuracy`, for the tests: `scripts/` is no package, so it is loaded by its path."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType


def _load() -> ModuleType:
    path = Path(__file__).parents[1] / "scripts" / "orientation_chain.py"
    spec = importlib.util.spec_from_file_location("orientation_chain", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["orientation_chain"] = module
    spec.loader.exec_module(module)
    return module


chain = _load()
