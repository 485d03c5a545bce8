"""How a table of swings is spread: counts of what there is, each measure's distribution by kind of shot, flags."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.compare.groups import natural, shots_only
from imuswing.measures.dictionary import MEASURES, VERDICT_COLUMN, VERDICTS
from imuswing.recording.model import IntArray

if TYPE_CHECKING:
    import pandas as pd

PERCENTILES: Final = (5.0, 25.0, 50.0, 75.0, 95.0)
BINS: Final = 24
EDGES: Final = (0.5, 99.5)
"""Percentiles of all shots between which a measure is drawn, so that a stray value does not flatten the rest."""


@dataclass(frozen=True, kw_only=True)
class TaskCount:
    """What there is of one kind of shot: students, visits and recordings with a swing, swings, shots by verdict."""

    task: str | None
    students: int
    visits: int
    recordings: int
    swings: int
    shots: int
    verdicts: dict[str, int]


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """One measure over the shots of one kind, in its unit.

    shots: all of that kind.  measured: those with a number.  percentiles: at `PERCENTILES`.
    sd_between: SD of the students' means, None with one student.
    bins: (B,) shots in equal steps from `low` to `high`, which all kinds of shot share; what lies beyond is in none.
    """

    task: str | None
    measure: str
    shots: int
    measured: int
    students: int
    mean: float
    sd: float | None
    sd_between: float | None
    percentiles: tuple[float, ...]
    low: float
    high: float
    bins: IntArray


@dataclass(frozen=True, kw_only=True)
class FlagCount:
    """How many swings, of how many students, carry a flag."""

    flag: str
    swings: int
    students: int


def task_counts(swings: pd.DataFrame) -> tuple[TaskCount, ...]:
    """What there is of each kind of shot, most shots first."""
    shots = shots_only(swings)
    keys = [name for name in ("participant", "session", "acq", "run") if name in swings.columns]
    found = []
    for task in swings["task"].unique():
        own, struck = (_of_task(table, task) for table in (swings, shots))
        told = Counter(struck[VERDICT_COLUMN].dropna()) if VERDICT_COLUMN in struck else Counter[str]()
        found.append(
            TaskCount(
                task=None if task != task or task is None else str(task),
                students=int(own["participant"].nunique(dropna=False)),
                visits=len(own[keys[:2]].drop_duplicates()),
                recordings=len(own[keys].drop_duplicates()),
                swings=len(own),
                shots=len(struck),
                verdicts={verdict: int(told[verdict]) for verdict in VERDICTS},
            )
        )
    return tuple(sorted(found, key=lambda count: (-count.shots, natural(count.task))))


def distributions(swings: pd.DataFrame) -> tuple[Distribution, ...]:
    """Each measure that any struck shot has, by kind of shot (most shots first); kinds without a number left out."""
    shots = shots_only(swings)
    tasks = [count.task for count in task_counts(swings)]
    found = []
    for measure in MEASURES:
        if measure.name not in shots.columns:
            continue
        everything = shots[measure.name].to_numpy(dtype=float, na_value=np.nan)
        known = everything[np.isfinite(everything)]
        if not len(known):
            continue
        low, high = (float(end) for end in np.percentile(known, EDGES))
        if high <= low:
            low, high = low - 0.5, high + 0.5
        parts = [_distribution(_of_task(shots, task), task, measure.name, low, high) for task in tasks]
        found += [part for part in parts if part is not None]
    return tuple(found)


def _of_task(table: pd.DataFrame, task: object) -> pd.DataFrame:
    missing = task is None or task != task
    return table[(table["task"].isna() if missing else table["task"] == task).to_numpy(dtype=bool, na_value=False)]


def _distribution(shots: pd.DataFrame, task: str | None, name: str, low: float, high: float) -> Distribution | None:
    values = shots[name].to_numpy(dtype=float, na_value=np.nan)
    there = np.isfinite(values)
    known = values[there]
    if not len(known):
        return None
    means = shots[there].groupby("participant", dropna=False)[name].mean().to_numpy(dtype=float)
    return Distribution(
        task=task,
        measure=name,
        shots=len(shots),
        measured=len(known),
        students=len(means),
        mean=float(np.mean(known)),
        sd=float(np.std(known, ddof=1)) if len(known) > 1 else None,
        sd_between=float(np.std(means, ddof=1)) if len(means) > 1 else None,
        percentiles=tuple(float(value) for value in np.percentile(known, PERCENTILES)),
        low=low,
        high=high,
        bins=np.histogram(known, bins=BINS, range=(low, high))[0].astype(np.intp),
    )


def flag_counts(swings: pd.DataFrame) -> tuple[FlagCount, ...]:
    """Every flag in the table, the commonest first."""
    if "flags" not in swings.columns:
        return ()
    rows: Counter[str] = Counter()
    people: dict[str, set[str]] = {}
    for participant, flags in zip(swings["participant"], swings["flags"], strict=True):
        for flag in set(flags if isinstance(flags, (list, tuple, np.ndarray)) else ()):
            rows[str(flag)] += 1
            people.setdefault(str(flag), set()).add(str(participant))
    return tuple(
        FlagCount(flag=flag, swings=count, students=len(people[flag]))
        for flag, count in sorted(rows.items(), key=lambda item: (-item[1], item[0]))
    )
