"""Tables of swings made up for the tests of comparisons: the numbers are chosen or drawn, nothing was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

MEASURE = "chest_continuity"


def block_table(blocks: Mapping[str, Sequence[float]], *, measure: str = MEASURE, **labels: Any) -> pd.DataFrame:
    """One recording: shots of one measure, block after block."""
    rows = [(name, value) for name, values in blocks.items() for value in values]
    table = pd.DataFrame({"block": [name for name, _ in rows], measure: [float(value) for _, value in rows]})
    known = {"participant": "P1", "session": "1", "task": "chip", "acq": None, "run": None, "kind": "shot"} | labels
    for name, value in known.items():
        table[name] = value
    table["swing"] = np.arange(1, len(table) + 1)
    table["impact_s"] = 30.0 * table["swing"]
    return table


def visit_table(visits: Mapping[str, Sequence[float]], *, measure: str = MEASURE, **labels: Any) -> pd.DataFrame:
    """Several visits, a recording each: shots of one measure."""
    parts = [
        block_table({"baseline": values}, measure=measure, **({"session": session} | labels))
        for session, values in visits.items()
    ]
    return pd.concat(parts, ignore_index=True)


def drawn(n: int, *, mean: float = 0.0, sd: float = 1.0, seed: int = 0) -> list[float]:
    """Normal numbers, by a fixed seed."""
    return [float(v) for v in mean + sd * np.random.default_rng(seed).standard_normal(n)]


def exact(n: int, *, mean: float = 0.0, sd: float = 1.0) -> list[float]:
    """Numbers with exactly this mean and SD that neither drift nor follow one another."""
    pattern = np.tile([1.0, -1.0, -1.0, 1.0], n // 4 + 1)[:n]
    pattern = pattern - pattern.mean()
    return [float(v) for v in mean + sd * pattern / pattern.std(ddof=1)]
