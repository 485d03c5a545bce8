"""The top position P: the arm's height at the top on the student's own scale, from P3 (level) to P4 (full top)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from imuswing.recording.model import BoolArray
from imuswing.vocabulary import KIND_SHOT

if TYPE_CHECKING:
    import pandas as pd

FULL_TASK = "full"
BASELINE_BLOCK = "baseline"
LEAST_HEIGHT_DEG = 10.0
"""A full top lower than this makes no scale (common practice, no source)."""


def with_top_position(
    swings: pd.DataFrame, *, full_top_height_deg: float | None = None, tops: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """`swings` with `top_position` = 3 + arm height at the top / the student's own height at a full top.

    full_top_height_deg: the setting; without it, by student, the mean over shots of task `full` in block `baseline`
    (all of their shots of that task where no block is marked). Null without either, and below P3.
    tops: the means by student, where those shots stand elsewhere; None takes them from `swings`.
    """
    result = swings.copy()
    height = result["arm_height_top_deg"].to_numpy(dtype=float)
    if full_top_height_deg is None:
        known = own_full_tops(swings) if tops is None else tops
        full = result["participant"].map(dict(known)).to_numpy(dtype=float)
    else:
        full = np.where(result["participant"].notna(), full_top_height_deg, np.nan)
    own = np.where(full >= LEAST_HEIGHT_DEG, full, np.nan)
    result["top_position"] = np.where(height >= 0.0, 3.0 + height / own, np.nan)
    return result


def own_full_tops(swings: pd.DataFrame) -> dict[str, float]:
    """By student the mean height at a full top, for those of whom one is known.

    One pass for all of them, and summed in the order of size, so that it does not matter how rows are arranged.
    """
    import pandas as pd

    student, labels = pd.factorize(swings["participant"])
    height = swings["arm_height_top_deg"].to_numpy(dtype=float)
    full = _is(swings["task"], FULL_TASK) & _is(swings["kind"], KIND_SHOT) & (student >= 0)
    marked = np.zeros(len(labels), dtype=bool)
    marked[student[full & swings["block"].notna().to_numpy()]] = True
    full[full] = ~marked[student[full]] | _is(swings["block"], BASELINE_BLOCK)[full]
    rows = np.flatnonzero(full & np.isfinite(height))
    rows = rows[np.lexsort((height[rows], student[rows]))]
    who, first, number = np.unique(student[rows], return_index=True, return_counts=True)
    means = np.add.reduceat(height[rows], first) / number if len(who) else ()
    return dict(zip((str(labels[code]) for code in who), map(float, means), strict=True))


def _is(column: pd.Series, word: str) -> BoolArray:
    return (column == word).to_numpy(dtype=bool, na_value=False)
