"""A student against their own best.

Definition: the *best fifth* of a student's earlier shots are those that come nearest to what is aimed at; its last one
draws the *line*. Today's shots are held against that line: without any change about a fifth of them reach it. The
mean against a single best shot would be unfair: the best of many is partly luck.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from imuswing.compare.groups import shots_only, strappings
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings, Size
from imuswing.compare.table import BY, By
from imuswing.errors import SettingsError, require_one_of
from imuswing.measures.dictionary import BY_NAME
from imuswing.recording.model import FloatArray, IntArray

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
    values, errors = shots[measure].to_numpy(dtype=float), _errors(shots, measure)
    conditions = shots[by].to_numpy(dtype=object)
    ((_, strapping),) = strappings(shots, [BY_NAME[measure]], settings=settings.compare)
    rows = []
    for (participant, task), own in _students(shots):
        now = _latest(conditions[own])
        today = conditions[own] == now
        if today.all():
            continue
        then = own[~today]
        row = {"participant": participant, "task": task, "measure": measure, "now": now}
        row |= _counted(values[then], values[own[today]], better=better, settings=settings)
        same = len(set(strapping[own].tolist())) == 1
        size = settings.compare.sizes[measure]
        if len(then) < settings.least_before or not (same or _comparable(values[then], errors[then], size)):
            row["verdict"] = CANNOT_TELL
        rows.append(row)
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
    values = shots[measure].to_numpy(dtype=float)
    chosen = []
    for _, own in _students(shots):
        order = np.argsort(-_merit(values[own], better), kind="stable")
        chosen.append(own[order[(_count(len(own), settings) - 1) // 2]])
    return shots.iloc[chosen].reset_index(drop=True)


def _students(shots: pd.DataFrame) -> list[tuple[tuple[Any, Any], IntArray]]:
    """Rows of each student and task, in order of playing."""
    groups = shots.groupby(["participant", "task"], dropna=False, sort=False).indices
    return [((key[0], key[1]), np.asarray(rows)) for key, rows in groups.items()]


def _latest(conditions: npt.NDArray[np.object_]) -> object:
    """The condition that began last."""
    return list(dict.fromkeys(conditions.tolist()))[-1]


def _errors(shots: pd.DataFrame, measure: str) -> FloatArray:
    name = f"{measure}_se"
    if name not in shots.columns:
        return np.zeros(len(shots))
    return np.asarray(np.nan_to_num(shots[name].to_numpy(dtype=float, na_value=np.nan)))


def _merit(values: FloatArray, better: Better) -> FloatArray:
    """The higher the better."""
    if isinstance(better, str):
        require_one_of("better", better, ("higher", "lower"))
        return values if better == "higher" else -values
    return np.asarray(-np.abs(values - float(better)))


def _count(shots: int, settings: OwnBestSettings) -> int:
    """Shots in the best fifth."""
    return max(int(np.ceil(settings.best * shots)), 1)


def _counted(before: FloatArray, today: FloatArray, *, better: Better, settings: OwnBestSettings) -> dict[str, Any]:
    best = _count(len(before), settings)
    merit = _merit(before, better)
    order = np.argsort(-merit, kind="stable")
    reached = int(np.sum(_merit(today, better) >= merit[order[best - 1]]))
    more, less, expected, low, high = _chances(reached, len(today), best, len(before))
    limit = INTERVAL_ALPHA / 2.0
    return {
        "n_before": len(before),
        "n_now": len(today),
        "best_mean": float(np.mean(before[order[:best]])),
        "line": float(before[order[best - 1]]),
        "reached": reached,
        "expected": expected,
        "share": reached / len(today),
        "share_low": low,
        "share_high": high,
        "verdict": MORE_OFTEN if more <= limit else LESS_OFTEN if less <= limit else CANNOT_TELL,
    }


@lru_cache(maxsize=4096)
def _chances(reached: int, now: int, best: int, before: int) -> tuple[float, float, float, float, float]:
    """With nothing changed: chance of as many or more, of as many or fewer, and the mean; limits of the share."""
    from scipy.stats import betabinom, binomtest

    counts = betabinom(now, best, before - best + 1)
    share = binomtest(reached, now).proportion_ci(1.0 - INTERVAL_ALPHA, method="exact")
    more, less = float(counts.sf(reached - 1)), float(counts.cdf(reached))
    return more, less, float(counts.mean()), float(share.low), float(share.high)


def _comparable(values: FloatArray, errors: FloatArray, size: Size) -> bool:
    """Whether the error of strapping on again is small beside the spread of the shots."""
    shared = float(np.sqrt(size.shared * np.mean(errors**2)))
    return max(size.visit_sd, shared) <= 0.5 * float(np.std(values, ddof=1))
