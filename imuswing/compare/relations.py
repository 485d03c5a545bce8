"""How the outcome of a shot goes with what the body did, student by student; nothing is said where data cannot say it.

A relation is no cause: a thin shot and a slow chest may both come from something else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.compare.difference import Differences, differences
from imuswing.compare.families import holm
from imuswing.compare.groups import Cells, cells, shots_only
from imuswing.compare.settings import CompareSettings
from imuswing.errors import require_one_of
from imuswing.recording.model import FloatArray

if TYPE_CHECKING:
    import pandas as pd

RELATED: Final = (
    "chest_continuity",
    "shoulder_tilt_rate_impact_dps",
    "wrist_flexion_impact_deg",
    "wrist_ulnar_impact_deg",
)
OTHER, THIS = "other", "this"
HIGHER: Final = "higher"
LOWER: Final = "lower"

COLUMNS: Final = (
    "participant",
    "task",
    "outcome",
    "measure",
    "n_with",
    "n_without",
    "mean_with",
    "mean_without",
    "difference",
    "difference_low",
    "difference_high",
    "relation",
)


@dataclass(frozen=True, kw_only=True)
class RelationSettings:
    """What is looked at and how sure it must be.

    measures: looked at.  least_shots: of an outcome, and of other noted outcomes (common practice, no source).
    alpha: chance of one or more false relations for one student and task, over all outcomes and measures (Holm 1979).
    compare: the settings of the differences.
    """

    measures: tuple[str, ...] = RELATED
    least_shots: int = 5
    alpha: float = 0.05
    compare: CompareSettings = field(default_factory=CompareSettings)

    def __post_init__(self) -> None:
        for name in self.measures:
            require_one_of("measure", name, self.compare.sizes)


def relate(swings: pd.DataFrame, *, settings: RelationSettings | None = None) -> pd.DataFrame:
    """Shots with one outcome against all other shots with a noted outcome, within strapping-ons.

    One row a participant, task, outcome (in lower case) and measure with at least `least_shots` on either side;
    `difference` is with − without with its own 95 % interval. `relation` is `higher` or `lower` where it is sure after
    correction for all outcomes and measures of that student and task, and null where the data cannot say it.
    """
    import pandas as pd

    settings = settings or RelationSettings()
    shots = shots_only(swings, "outcome")
    outcome = shots["outcome"].astype("str").str.strip().str.lower()
    outcome = outcome.where(shots["outcome"].notna() & (outcome != ""))
    keep = [n for n in shots.columns if n not in settings.compare.sizes or n in settings.measures]
    shots = shots[keep]
    counts = outcome.value_counts()
    parts = []
    for word in sorted(counts.index[counts >= settings.least_shots]):
        label = pd.Series(np.where(outcome == word, THIS, OTHER), index=shots.index).where(outcome.notna())
        summed = cells(shots, label, settings=settings.compare)
        parts.append(_rows(str(word), differences(summed, _order, settings=settings.compare), settings))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({n: [] for n in (*COLUMNS, "p")})
    table["relation"] = pd.array(_relations(table, settings), dtype="str")
    return table.sort_values(["participant", "task"], kind="stable", ignore_index=True)[list(COLUMNS)]


def _order(summed: Cells) -> list[list[int]]:
    """Others first, for those who have both kinds of shots."""
    if set(summed.conditions) != {OTHER, THIS}:
        return [[] for _ in summed.persons]
    both = [summed.conditions.index(OTHER), summed.conditions.index(THIS)]
    has = [set(summed.condition[summed.person == k].tolist()) for k in range(len(summed.persons))]
    return [both if len(codes) == 2 else [] for codes in has]


def _rows(word: str, found: Differences, settings: RelationSettings) -> pd.DataFrame:
    import pandas as pd

    part, half, p = found.estimate, found.half, found.guarded_p
    # Between strapping-ons a relation would mix with the error of strapping on: only shots of the same one count.
    said = found.same & (np.minimum(part.n_a, part.n_b) >= settings.least_shots) & np.isfinite(p)
    pair, measure = np.nonzero(said)
    at = (pair, measure)
    persons = [found.persons[k] for k in found.pairs.person[pair]]
    return pd.DataFrame(
        {
            "participant": pd.array([person for person, _ in persons], dtype="str"),
            "task": pd.array([task for _, task in persons], dtype="str"),
            "outcome": pd.array([word] * len(persons), dtype="str"),
            "measure": pd.array([found.measures[k] for k in measure], dtype="str"),
            "n_with": part.n_b[at].astype(np.int64),
            "n_without": part.n_a[at].astype(np.int64),
            "mean_with": part.mean_b[at],
            "mean_without": part.mean_a[at],
            "difference": found.difference[at],
            "difference_low": (found.difference - half)[at],
            "difference_high": (found.difference + half)[at],
            "p": p[at],
        }
    )


def _relations(table: pd.DataFrame, settings: RelationSettings) -> list[str | None]:
    relation: list[str | None] = [None] * len(table)
    groups = table.reset_index().groupby(["participant", "task"], dropna=False, sort=False)["index"]
    for _, rows in groups:
        p: FloatArray = table["p"].to_numpy()[rows.to_numpy()]
        adjusted = holm(p[None], np.full(len(p), 1.0 / len(p)))[0]
        for row, value in zip(rows, adjusted, strict=True):
            if value <= settings.alpha:
                relation[row] = HIGHER if table["difference"].iloc[row] > 0 else LOWER
    return relation
