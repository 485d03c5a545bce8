"""Order effects: whether a measure drifts while a block is played, and whether neighbouring shots resemble each other.

Practice, fatigue and a coach's word between shots make a block more than repeated measurements. `compare` widens its
intervals and holds back its surest verdict for them; this table shows them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.compare.groups import Cells, cells, shots_only
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings
from imuswing.compare.table import BY, By
from imuswing.errors import require_one_of

if TYPE_CHECKING:
    import pandas as pd

COLUMNS: Final = (
    "participant",
    "task",
    "measure",
    "condition",
    "n",
    "drift",
    "drift_low",
    "drift_high",
    "serial",
    "drifts",
)


def order_effects(swings: pd.DataFrame, *, by: By, settings: CompareSettings | None = None) -> pd.DataFrame:
    """One row a participant, task, measure, and part of a block or visit in one strapping-on, of three shots or more.

    `drift` is the change a shot by a straight line, in the measure's unit, with its 95 % interval; `serial` the
    lag-one correlation corrected for its mean of −1/n in independent shots; `drifts` whether the interval of the
    drift leaves out 0. Single intervals: with many measures, one in twenty is outside by chance.
    """
    import pandas as pd

    settings = settings or CompareSettings()
    require_one_of("by", by, BY)
    shots = shots_only(swings, by)
    parts = [_effects(summed) for summed in cells(shots, shots[by], settings=settings)]
    return pd.concat(parts, ignore_index=True)


def _effects(summed: Cells) -> pd.DataFrame:
    """The rows of measures whose sensors sat alike."""
    import pandas as pd
    from scipy.stats import t

    cell, measure = np.nonzero(summed.n >= 3)
    at = (cell, measure)
    n, spread, slope, ss = summed.n[at], summed.spread[at], summed.slope[at], summed.ss[at]
    drift = slope / spread
    rest = np.maximum(ss - drift * slope, 0.0) / (n - 2.0)
    half = t.ppf(1.0 - INTERVAL_ALPHA / 2.0, n - 2.0) * np.sqrt(rest / spread)
    persons = [summed.persons[k] for k in summed.person[cell]]
    return pd.DataFrame(
        {
            "participant": pd.array([person for person, _ in persons], dtype="str"),
            "task": pd.array([task for _, task in persons], dtype="str"),
            "measure": pd.array([summed.measures[k] for k in measure], dtype="str"),
            "condition": pd.array([summed.conditions[k] for k in summed.condition[cell]], dtype="str"),
            "n": n.astype(np.int64),
            "drift": drift,
            "drift_low": drift - half,
            "drift_high": drift + half,
            "serial": np.where(ss > 0.0, summed.lag[at] / np.where(ss > 0.0, ss, 1.0) + 1.0 / n, 0.0),
            "drifts": np.abs(drift) > half,
        },
        columns=list(COLUMNS),
    )
