"""The script that prints the accuracy of the orientation step: it runs, and its table is complete and finite."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import numpy as np
from orientation_chain_for_tests import chain

SCRIPTS = Path(__file__).parents[2] / "scripts"


def test_one_row_group_of_the_table() -> None:
    assert chain is sys.modules["orientation_chain"]
    spec = importlib.util.spec_from_file_location("orientation_tables", SCRIPTS / "orientation_tables.py")
    assert spec is not None
    assert spec.loader is not None
    tables = importlib.util.module_from_spec(spec)
    sys.modules["orientation_tables"] = tables
    spec.loader.exec_module(tables)
    usual = next(one for one in tables.CIRCUMSTANCES if one.name == "usual flaws")
    errors, told, seconds = tables.chain_rows(usual, 1)
    assert set(errors) == set(tables.METHODS)
    for name, rows in errors.items():
        values = np.degrees(np.array(rows))
        assert values.shape == (tables.SWINGS, 5), name
        assert np.isfinite(values).all(), name
        assert np.max(values) < 10.0, name
    assert np.mean(told) > 0.8
    assert 0.0 < seconds < 1.0


def test_help_tells_what_is_printed() -> None:
    run = subprocess.run(
        [str(SCRIPTS / "orientation_accuracy"), "--help"], check=True, capture_output=True, text=True, timeout=60
    )
    for word in ("--sessions", "--slow", "BROAD", "rig", "smoother"):
        assert word in run.stdout
