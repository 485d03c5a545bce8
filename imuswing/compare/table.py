"""`compare`: each later block or visit against the first, one row a participant, task, measure and pair."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from imuswing.compare.difference import Differences, differences
from imuswing.compare.groups import Cells, cells, shots_only
from imuswing.compare.settings import CompareSettings
from imuswing.compare.verdict import VERDICTS, judge
from imuswing.errors import SettingsError, require_one_of
from imuswing.recording.model import BoolArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

By = Literal["block", "session"]
BY: Final = ("block", "session")

COLUMNS: Final = (
    "participant",
    "task",
    "measure",
    "a",
    "b",
    "n_a",
    "n_b",
    "mean_a",
    "mean_b",
    "difference",
    "difference_low",
    "difference_high",
    "detectable",
    "verdict",
    "shots_needed",
)


def compare(swings: pd.DataFrame, *, by: By, settings: CompareSettings | None = None) -> pd.DataFrame:
    """Each later block or visit against the first, from the swings' table of `analyze`; struck shots only.

    Blocks are ordered by when they were first played, visits by their labels (`2` before `10`). Blocks are compared
    within a strapping-on where they share one, and averaged over several; visits, and blocks of different recordings,
    carry the error of strapping on again. A column `strapping` (`compare.files.read_results` makes it) says which shots
    share a calibration; otherwise every recording has its own. A slip that `flags` tell begins another strapping-on for
    the measures that need the sensor.

    Returns a table with `COLUMNS`, measures in their own units, in the dictionary's order; a measure that neither side
    has is left out. `difference` is b − a with its 95 % interval; `detectable` half that interval; numbers that
    cannot be had are null. `shots_needed` counts for either side: 0 where the verdict stands, null where shots alone
    will not tell. Raises `SettingsError` where a column is missing or `settings.against` names nothing.
    """
    settings = settings or CompareSettings()
    return differences_table(found_differences(swings, by=by, settings=settings), settings=settings)


def found_differences(swings: pd.DataFrame, *, by: By, settings: CompareSettings) -> Differences:
    """The differences behind the table, as arrays."""
    require_one_of("by", by, BY)
    shots = shots_only(swings, by)
    return differences(
        cells(shots, shots[by], settings=settings), partial(_order, settings=settings), settings=settings
    )


def differences_table(found: Differences, *, settings: CompareSettings) -> pd.DataFrame:
    """The table of `compare` from the arrays."""
    import pandas as pd

    verdict, needed = judge(found, settings=settings)
    half, part = found.half, found.estimate
    pair, measure = at = _rows(found)
    pairs = found.pairs
    persons = [found.persons[k] for k in pairs.person[pair]]

    def text(values: list[str | None]) -> pd.api.extensions.ExtensionArray:
        return pd.array(values, dtype="str")

    return pd.DataFrame(
        {
            "participant": text([person for person, _ in persons]),
            "task": text([task for _, task in persons]),
            "measure": text([found.measures[k] for k in measure]),
            "a": text([found.conditions[k] for k in pairs.a[pair]]),
            "b": text([found.conditions[k] for k in pairs.b[pair]]),
            "n_a": part.n_a[at].astype(np.int64),
            "n_b": part.n_b[at].astype(np.int64),
            "mean_a": part.mean_a[at],
            "mean_b": part.mean_b[at],
            "difference": found.difference[at],
            "difference_low": (found.difference - half)[at],
            "difference_high": (found.difference + half)[at],
            "detectable": half[at],
            "verdict": text([VERDICTS[k] for k in verdict[at]]),
            "shots_needed": pd.array(needed[at], dtype="Float64").astype("Int64"),
        },
        columns=list(COLUMNS),
    )


def drifting_rows(found: Differences) -> BoolArray:
    """For each row of the table (N,), whether a drift within the blocks may explain the difference."""
    return np.asarray(found.drifting[_rows(found)])


def apart_rows(found: Differences) -> BoolArray:
    """For each row of the table (N,), whether the two sides have no strapping-on in common, with shots enough in it."""
    return ~np.asarray(found.same[_rows(found)])


def _rows(found: Differences) -> tuple[IntArray, IntArray]:
    """Pair and measure of each row of the table: all that either side has shots of."""
    pair, measure = np.nonzero(found.estimate.n_a + found.estimate.n_b > 0)
    return pair, measure


def _order(summed: Cells, settings: CompareSettings) -> list[list[int]]:
    """Each person's conditions by when they were first played, `settings.against` before all."""
    order: list[list[int]] = [[] for _ in summed.persons]
    for k in np.argsort(summed.first, kind="stable"):
        conditions, condition = order[summed.person[k]], int(summed.condition[k])
        if condition not in conditions:
            conditions.append(condition)
    if settings.against is None:
        return order
    if settings.against not in summed.conditions:
        listed = ", ".join(repr(name) for name in summed.conditions) or "none"
        raise SettingsError(f"there is no {settings.against!r} to compare against; there are: {listed}")
    first = summed.conditions.index(settings.against)
    # A student without it has nothing to be compared with.
    return [[first, *(c for c in conditions if c != first)] if first in conditions else [] for conditions in order]
