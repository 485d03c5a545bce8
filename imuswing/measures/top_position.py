"""The top position P: the arm's height at the top on the student's own scale, from P3 (level) to P4 (full top)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

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
    result = swings.copy()
    height = result["arm_height_top_deg"].to_numpy(dtype=float)
    position = np.full(len(result), np.nan)
    for student in result["participant"].unique():
        own = (result["participant"] == student).to_numpy()
        full = full_top_height_deg if full_top_height_deg is not None else _own_full_top(result[own])
        if full is not None and full >= LEAST_HEIGHT_DEG:
            told = own & (height >= 0.0)
            position[told] = 3.0 + height[told] / full
    result["top_position"] = position
    return result


def _own_full_top(swings: pd.DataFrame) -> float | None:
    full = swings[(swings["task"] == FULL_TASK) & (swings["kind"] == KIND_SHOT)]
    if full["block"].notna().any():
        full = full[full["block"] == BASELINE_BLOCK]
    heights = full["arm_height_top_deg"].dropna()
    return float(heights.mean()) if len(heights) else None
