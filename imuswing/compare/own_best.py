"""A student against their own best.

Definition: the *best fifth* of a student's earlier shots are those that come nearest to what is aimed at; its last one
draws the *line*. Today's shots are held against that line: without any change about a fifth of them reach it. The
mean against a single best shot would be unfair: the best of many is partly luck.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.compare.groups import STRAPPING, shots_only
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings
from imuswing.compare.table import BY, By
from imuswing.errors import SettingsError, require_one_of
from imuswing.recording.model import FloatArray

if TYPE_CHECKING:
    import pandas as pd

Better = str | float
"""`higher`, `lower`, or the value aimed at."""

MORE_OFTEN: Final = "more often than before"
LESS_OFTEN: Final = "less often than before"
CANNOT_TELL: Final = "cannot tell yet"

COLUMNS: Final = (
    "participant",
    "task",
    "measure",
    "now",
    "n_before",
    "n_now",
    "best_mean",
    "line",
    "reached",
    "expected",
    "share",
    "share_low",
    "share_high",
    "verdict",
)


@dataclass(frozen=True, kw_only=True)
class OwnBestSettings:
    """best: share of the earlier shots that counts as the best.  least_before: earlier shots at least.

    Both common practice, no source.
    """

    best: float = 0.2
    least_before: int = 10
    compare: CompareSettings = field(default_factory=CompareSettings)

    def __post_init__(self) -> None:
        if not 0.0 < self.best < 1.0:
            raise SettingsError(f"best is {self.best!r}; it must be between 0 and 1")


def against_own_best(
    swings: pd.DataFrame, *, measure: str, better: Better, by: By, settings: OwnBestSettings | None = None
) -> pd.DataFrame:
    """The latest block or visit of each student and task against the best fifth of all their earlier shots.

    One row a participant and task with at least one earlier shot: `best_mean` of the best fifth and its `line` in the
    measure's unit; `reached` of `n_now` shots come up to the line, `expected` of them with nothing changed; `share`
    reached with its exact 95 % interval. The verdict holds `reached` against the exact distribution of such counts,
    in which the line's own uncertainty is contained (exceedances, a beta-binomial; Wilks 1942, Ann Math Stat 13:400;
    from memory). It is `cannot tell yet` with few shots, and where the error of strapping on again is over half the
    spread of the shots and the visits differ.
    """
    import pandas as pd

    settings = settings or OwnBestSettings()
    require_one_of("measure", measure, settings.compare.sizes)
    require_one_of("by", by, BY)
    shots = shots_only(swings, by, measure)
    shots = shots[shots[by].notna() & shots[measure].notna()]
    rows = []
    for (participant, task), own in shots.groupby(["participant", "task"], dropna=False, sort=False):
        now = own[by].drop_duplicates(keep="first").iloc[-1]
        before, today = own[own[by] != now], own[own[by] == now]
        if len(before):
            told = _one(before, today, measure=measure, better=better, settings=settings)
            rows.append({"participant": participant, "task": task, "measure": measure, "now": now, **told})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def best_shot(
    swings: pd.DataFrame, *, measure: str, better: Better, settings: OwnBestSettings | None = None
) -> pd.DataFrame:
    """The row of each student and task that stands for their own best: the middle shot of the best fifth.

    The very best shot is partly luck; the middle one of the best fifth the student can do again.
    """
    settings = settings or OwnBestSettings()
    require_one_of("measure", measure, settings.compare.sizes)
    shots = shots_only(swings, measure)
    shots = shots[shots[measure].notna()]
    chosen = []
    for _, own in shots.groupby(["participant", "task"], dropna=False, sort=False):
        order = np.argsort(-_merit(own[measure].to_numpy(dtype=float), better), kind="stable")
        chosen.append(own.index[order[(_count(len(own), settings) - 1) // 2]])
    return shots.loc[chosen].reset_index(drop=True)


def _merit(values: FloatArray, better: Better) -> FloatArray:
    """The higher the better."""
    if isinstance(better, str):
        require_one_of("better", better, ("higher", "lower"))
        return values if better == "higher" else -values
    return -np.abs(values - float(better))


def _count(shots: int, settings: OwnBestSettings) -> int:
    """Shots in the best fifth."""
    return max(int(np.ceil(settings.best * shots)), 1)


def _one(
    before: pd.DataFrame, today: pd.DataFrame, *, measure: str, better: Better, settings: OwnBestSettings
) -> dict[str, object]:
    from scipy.stats import betabinom, binomtest

    values = before[measure].to_numpy(dtype=float)
    merit = _merit(values, better)
    best = _count(len(values), settings)
    order = np.argsort(-merit, kind="stable")
    least = merit[order[best - 1]]
    n_now = len(today)
    reached = int(np.sum(_merit(today[measure].to_numpy(dtype=float), better) >= least))
    # With nothing changed, how many of n new shots reach the best-th of m earlier ones.
    counts = betabinom(n_now, best, len(values) - best + 1)
    more, less = float(counts.sf(reached - 1)), float(counts.cdf(reached))
    share = binomtest(reached, n_now).proportion_ci(1.0 - INTERVAL_ALPHA, method="exact")
    verdict = CANNOT_TELL
    if len(values) >= settings.least_before and _comparable(before, today, measure, settings):
        limit = INTERVAL_ALPHA / 2.0
        verdict = MORE_OFTEN if more <= limit else LESS_OFTEN if less <= limit else CANNOT_TELL
    return {
        "n_before": len(values),
        "n_now": n_now,
        "best_mean": float(np.mean(values[order[:best]])),
        "line": float(values[order[best - 1]]),
        "reached": reached,
        "expected": float(counts.mean()),
        "share": reached / n_now,
        "share_low": float(share.low),
        "share_high": float(share.high),
        "verdict": verdict,
    }


def _comparable(before: pd.DataFrame, today: pd.DataFrame, measure: str, settings: OwnBestSettings) -> bool:
    """Whether the error of strapping on again is small beside the spread, or does not enter at all."""
    keys = [STRAPPING] if STRAPPING in before.columns else ["session", "acq", "run"]
    then, now = (table[keys].fillna("").drop_duplicates() for table in (before, today))
    if len(then) == len(now) == 1 and then.to_numpy().tolist() == now.to_numpy().tolist():
        return True
    size = settings.compare.sizes[measure]
    se = before[f"{measure}_se"].to_numpy(dtype=float) if f"{measure}_se" in before.columns else np.zeros(1)
    known = se[np.isfinite(se)]
    shared = size.shared**0.5 * float(np.sqrt(np.mean(known**2))) if len(known) else 0.0
    return max(size.visit_sd, shared) <= 0.5 * float(np.std(before[measure].to_numpy(dtype=float), ddof=1))
