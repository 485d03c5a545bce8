"""From a difference and its error to one of four plain verdicts, and to how many more shots would settle it."""

from __future__ import annotations

from typing import Final

import numpy as np

from imuswing.compare.difference import Differences
from imuswing.compare.families import adjust
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings
from imuswing.recording.model import BoolArray, FloatArray, IntArray

CHANGED: Final = "changed"
PROBABLY: Final = "probably changed"
NO_CHANGE: Final = "no change that matters"
CANNOT_TELL: Final = "cannot tell yet"
VERDICTS: Final = (CHANGED, PROBABLY, NO_CHANGE, CANNOT_TELL)


def judge(found: Differences, *, settings: CompareSettings) -> tuple[IntArray, FloatArray]:
    """Verdicts (P, M) as places in `VERDICTS`, and shots needed (P, M), NaN where shots alone will not tell.

    `no change that matters`: the 95 % interval lies inside ± the smallest change that matters.
    `changed`: sure after correction for all measures of the pair (Holm), and at least of the size that matters.
    `probably changed`: of that size and outside chance, but sure only by the weaker rule (false discovery rate); or
    sure, but not clearly of that size; or sure, but a drift within the blocks may explain it.
    `cannot tell yet`: everything else, and always with fewer shots than `least_shots` on either side.
    """
    worthwhile = np.array([settings.sizes[name].worthwhile for name in found.measures])
    part, size = found.estimate, np.abs(found.difference)
    enough = (part.n_a >= settings.least_shots) & (part.n_b >= settings.least_shots) & np.isfinite(found.half)
    is_goal = np.array([name in settings.goals for name in found.measures], dtype=bool)
    p = np.where(enough, found.guarded_p, np.nan)
    by_holm, by_discovery, weight = adjust(p, is_goal, goal_share=settings.goal_share)
    sure, big = by_holm <= settings.alpha, size >= worthwhile
    likely = (by_discovery <= settings.doubtful) & (p <= INTERVAL_ALPHA) & (size > found.half)
    small = enough & (size + found.guarded_half < worthwhile)
    verdict = np.select([small, sure & big & ~found.drifting, sure | (likely & big)], [2, 0, 1], default=3)
    needed = _shots_needed(found, weight, worthwhile, settings)
    # More shots cannot part a drift from a drill: only the first block played again can.
    needed[sure & found.drifting] = np.nan
    settled = (verdict == VERDICTS.index(CHANGED)) | (verdict == VERDICTS.index(NO_CHANGE))
    return verdict, np.where(settled, 0.0, needed)


def _shots_needed(
    found: Differences, weight: FloatArray, worthwhile: FloatArray, settings: CompareSettings
) -> FloatArray:
    """How many more shots on either side would settle the verdict, the spread staying as it is.

    Enough are shots that would call a change of the size seen, or of the size that matters where that is larger,
    `changed` with the chance `power`; where less than what matters is seen, they must also tell it finely enough to
    rule out that it matters, or to half of what matters.
    NaN where no number up to `most_shots` is enough.
    """
    part, size = found.estimate, np.nan_to_num(np.abs(found.difference))
    aim = np.maximum(worthwhile, size)
    fine = np.maximum(worthwhile - size, worthwhile / 2.0)
    level = settings.alpha * np.where(np.isfinite(weight), weight, 1.0 / max(len(worthwhile), 1))
    # A side with a single shot shows no spread: the other side's serves for both.
    spread_a = np.where(part.n_a > 1, part.spread_a, part.spread_b)
    spread_b = np.where(part.n_b > 1, part.spread_b, part.spread_a)
    known = (part.n_a > 1) | (part.n_b > 1)

    def enough(more: FloatArray) -> BoolArray:
        n_a, n_b = part.n_a + more, part.n_b + more
        error = np.sqrt(spread_a / np.maximum(n_a, 1.0) + spread_b / np.maximum(n_b, 1.0) + part.strap)
        told, width = _quantiles(level, settings.power, n_a + n_b - 2.0)
        return np.asarray((told * error <= aim) & ((size >= worthwhile) | (width * error <= fine)))

    least = np.maximum(settings.least_shots - np.minimum(part.n_a, part.n_b), 1.0)
    low, high = np.zeros_like(aim), np.full_like(aim, float(settings.most_shots))
    possible = enough(high)
    while np.any(high - low > 1.0):
        middle = np.floor((low + high) / 2.0)
        good = enough(middle)
        low, high = np.where(good, low, middle), np.where(good, middle, high)
    return np.where(known, np.where(possible, np.maximum(high, least), np.nan), least)


def _quantiles(level: FloatArray, power: float, df: FloatArray) -> tuple[FloatArray, FloatArray]:
    """In standard errors: a change that is told at `level` with the chance `power`, and half of the 95 % interval.

    Levels and degrees of freedom take few values each: quantiles are found once for each and looked up.
    """
    from scipy.stats import t

    levels, level_at = np.unique(level, return_inverse=True)
    dfs, df_at = np.unique(np.maximum(df, 1.0), return_inverse=True)
    told = t.ppf(1.0 - levels[:, None] / 2.0, dfs) + t.ppf(power, dfs)
    width = t.ppf(1.0 - INTERVAL_ALPHA / 2.0, dfs)
    return told[level_at, df_at].reshape(level.shape), width[df_at].reshape(level.shape)
