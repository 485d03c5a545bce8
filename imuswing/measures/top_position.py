"""The top position P: the arm's height at the top on the student's own scale, from P3 (level) to P4 (full top)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.vocabulary import KIND_SHOT

if TYPE_CHECKING:
    import pandas as pd

FULL_TASK = "full"
BASELINE_BLOCK = "baseline"
LEAST_HEIGHT_DEG = 10.0
"""A full top lower than this makes no scale (common practice, no source)."""


def with_top_position(swings: pd.DataFrame, *, full_top_height_deg: float | None = None) -> pd.DataFrame:
    """`swings` with `top_position` = 3 + arm height at the top / the student's own height at a full top.

    full_top_height_deg: the setting; without it, by student, the mean over shots of task `full` in block `baseline`
    (all of their shots of that task where no block is marked). Null without either, and below P3.
    """
    import pandas as pd

    result = swings.copy()
    height = result["arm_height_top_deg"].to_numpy(dtype=float)
    student, labels = pd.factorize(result["participant"])
    if full_top_height_deg is None:
        full = _own_full_tops(result, student, len(labels))
    else:
        full = np.full(len(labels), full_top_height_deg)
    # A row of nobody (-1) takes the scale that is appended last: none.
    own = np.append(np.where(full >= LEAST_HEIGHT_DEG, full, np.nan), np.nan)[student]
    result["top_position"] = np.where(height >= 0.0, 3.0 + height / own, np.nan)
    return result


def _own_full_tops(swings: pd.DataFrame, student: IntArray, count: int) -> FloatArray:
    """(count,) by student the mean height at a full top, NaN where none is known.

    One pass for all of them, and summed in the order of size, so that it does not matter how rows are arranged.
    """
    height = swings["arm_height_top_deg"].to_numpy(dtype=float)
    full = _is(swings["task"], FULL_TASK) & _is(swings["kind"], KIND_SHOT) & (student >= 0)
    marked = np.zeros(count, dtype=bool)
    marked[student[full & swings["block"].notna().to_numpy()]] = True
    full &= ~marked[student] | _is(swings["block"], BASELINE_BLOCK)
    rows = np.flatnonzero(full & np.isfinite(height))
    rows = rows[np.lexsort((height[rows], student[rows]))]
    means = np.full(count, np.nan)
    who, first, number = np.unique(student[rows], return_index=True, return_counts=True)
    if len(who):
        means[who] = np.add.reduceat(height[rows], first) / number
    return means


def _is(column: pd.Series, word: str) -> BoolArray:
    return (column == word).to_numpy(dtype=bool, na_value=False)
