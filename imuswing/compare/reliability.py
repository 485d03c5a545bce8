"""How well each measure repeats from visit to visit, over all students of a table: for studies, not for a lesson.

A visit's value is the mean of its shots. Values are taken apart as student + number of the visit + rest, by least
squares, so that a shift common to all students (getting used to the task) is not taken for error; students may have
come a different number of times. With as many visits each, the numbers are those of the balanced two-way tables:
ICC(3,1) of Shrout & Fleiss (1979, Psychol Bull 86:420), standard error of measurement of Weir (2005, J Strength Cond
Res 19:231), which Hopkins (2000, Sports Med 30:1) calls the typical error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.compare.agreement import UPPER
from imuswing.compare.groups import natural, shots_only
from imuswing.measures.dictionary import MEASURES, Measure
from imuswing.recording.model import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

LEAST_STUDENTS: Final = 3
"""With fewer students that came again, nothing is told (common practice, no source)."""

ROUNDING: Final = 1e-24
"""A variance smaller than this share of the mean square is what rounding leaves of none."""


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """How a value of N visits of a students repeats, in the measure's unit; an interval is at 95 %.

    typical_error: SD of a student's visits about their own level, the shift common to all taken out.
    detectable: smallest difference of two visits of one student that is real at 95 %, 1.96·√2·typical_error.
    icc: share of the variance of a single visit that is between students (consistency).
    shift: mean of second less first visit over the students, with its interval.
    """

    students: int
    visits: int
    typical_error: float
    typical_error_interval: tuple[float, float]
    detectable: float
    icc: float
    icc_interval: tuple[float, float]
    shift: float
    shift_interval: tuple[float, float]


def repeats(values: FloatArray, student: IntArray, visit: IntArray) -> Repeats | None:
    """From values (N,), codes of the student (N,) and the number of the visit (N,), each pair once.

    Students with a single value are left out. None where fewer than three remain or nothing varies.

    Variance between students by the method of fitting constants (Henderson 1953, Biometrics 9:226, from memory);
    with unequal numbers of visits the intervals are approximate.
    """
    from scipy.stats import chi2, f, norm

    known = np.isfinite(values)
    again = known & (np.bincount(student[known], minlength=len(student))[student] > 1)
    y = values[again]
    names, who = np.unique(student[again], return_inverse=True)
    _, when = np.unique(visit[again], return_inverse=True)
    n, a = len(y), len(names)
    if a < LEAST_STUDENTS:
        return None
    numbers = np.eye(int(when.max()) + 1)[when]
    own_y, own_numbers = _within(y[:, None], who), _within(numbers, who)
    fitted, _, rank, _ = np.linalg.lstsq(own_numbers, own_y, rcond=None)
    df = n - a - int(rank)
    if df < 1:
        return None
    rest = float(np.sum((own_y - own_numbers @ fitted) ** 2)) / df
    between = max(float(np.sum(_within(y[:, None], when) ** 2)) - rest * df, 0.0)
    if rest <= ROUNDING * float(np.mean(y**2)):
        return None
    # Degrees of freedom of the students beside the visits, and how often each counts their variance.
    df_between = a + int(rank) - numbers.shape[1]
    times = (n - numbers.shape[1]) / df_between
    ratio = between / df_between / rest
    icc = (ratio - 1.0) / (ratio + times - 1.0)
    low, high = ratio / f.ppf(UPPER, df_between, df), ratio * f.ppf(UPPER, df, df_between)
    error = rest**0.5
    shift, shift_interval = _shift(y, who, when)
    return Repeats(
        students=a,
        visits=n,
        typical_error=error,
        typical_error_interval=(
            float((rest * df / chi2.ppf(UPPER, df)) ** 0.5),
            float((rest * df / chi2.ppf(1.0 - UPPER, df)) ** 0.5),
        ),
        detectable=float(norm.ppf(UPPER)) * 2.0**0.5 * error,
        icc=icc,
        icc_interval=(float((low - 1.0) / (low + times - 1.0)), float((high - 1.0) / (high + times - 1.0))),
        shift=shift,
        shift_interval=shift_interval,
    )


def _within(columns: FloatArray, group: IntArray) -> FloatArray:
    """Columns (N, K) less their means in each group."""
    sums = np.zeros((int(group.max()) + 1, columns.shape[1]))
    np.add.at(sums, group, columns)
    return np.asarray(columns - (sums / np.bincount(group)[:, None])[group])


def _shift(y: FloatArray, who: IntArray, when: IntArray) -> tuple[float, tuple[float, float]]:
    """Mean of each student's second visit less their first, with its interval (paired t)."""
    from scipy.stats import t

    order = np.lexsort((when, who))
    starts = np.flatnonzero(np.r_[True, who[order][1:] != who[order][:-1]])
    steps = y[order][starts + 1] - y[order][starts]
    reach = float(t.ppf(UPPER, len(steps) - 1)) * float(np.std(steps, ddof=1)) / len(steps) ** 0.5
    mean = float(np.mean(steps))
    return mean, (mean - reach, mean + reach)


@dataclass(frozen=True, kw_only=True)
class MeasureRepeats:
    """One measure of one kind of shot.

    shots: measured ones.  shot_sd: SD from shot to shot within a visit, pooled; None with none to tell it from.
    shots_a_visit: harmonic mean over the visits used.  measured_se: root mean square of the shots' standard errors.
    repeats: from visit to visit, None where it cannot be told.
    """

    task: str | None
    measure: str
    shots: int
    shot_sd: float | None
    shots_a_visit: float | None
    measured_se: float | None
    repeats: Repeats | None


def reliability(swings: pd.DataFrame, *, blocks: Sequence[str] = ()) -> tuple[MeasureRepeats, ...]:
    """Each measure of each kind of shot that any shot has, over all students and visits of a table of swings.

    blocks: only shots of these, so that drills do not count as failed repeats; all where empty.
    """
    shots = shots_only(swings)
    if blocks:
        shots = shots[shots["block"].isin(list(blocks))]
    found = []
    for task in _labels(shots["task"]):
        part = shots[shots["task"].isna() if task is None else (shots["task"] == task).to_numpy(dtype=bool)]
        student, visit, cell = _codes(part)
        for measure in MEASURES:
            if measure.name in part.columns and part[measure.name].notna().any():
                found.append(_measure(part, task, measure, student, visit, cell))
    return tuple(found)


def _labels(column: pd.Series) -> list[str | None]:
    """What stands in a column, in natural order; None for what is missing."""
    labels: list[str | None] = sorted((str(label) for label in column.dropna().unique()), key=natural)
    return [*labels, None] if column.isna().any() else labels


def _codes(shots: pd.DataFrame) -> tuple[IntArray, IntArray, IntArray]:
    """Student and number of their visit of each visit (V,), and the visit of each shot (N,)."""
    import pandas as pd

    # `shots_only` has put the visits of a student in order of playing.
    names = shots["participant"].astype(str) + "\n" + shots["session"].astype(str)
    cell, visits = pd.factorize(names)
    student, _ = pd.factorize(visits.str.partition("\n").get_level_values(0))
    number = pd.Series(student).groupby(student).cumcount().to_numpy()
    return student.astype(np.intp), number.astype(np.intp), cell.astype(np.intp)


def _measure(
    shots: pd.DataFrame, task: str | None, measure: Measure, student: IntArray, visit: IntArray, cell: IntArray
) -> MeasureRepeats:
    values = shots[measure.name].to_numpy(dtype=float, na_value=np.nan)
    there = np.isfinite(values)
    count = np.bincount(cell[there], minlength=len(student))
    sums = np.bincount(cell[there], weights=values[there], minlength=len(student))
    means = np.where(count > 0, sums / np.maximum(count, 1), np.nan)
    off = values[there] - means[cell[there]]
    df = int(there.sum()) - int((count > 0).sum())
    errors = np.zeros(0)
    if measure.has_se and measure.se_name in shots.columns:
        errors = shots[measure.se_name].to_numpy(dtype=float, na_value=np.nan)[there]
        errors = errors[np.isfinite(errors)]
    used = count[count > 0]
    return MeasureRepeats(
        task=task,
        measure=measure.name,
        shots=int(there.sum()),
        shot_sd=float(np.sqrt(np.sum(off**2) / df)) if df > 0 else None,
        shots_a_visit=float(len(used) / np.sum(1.0 / used)) if len(used) else None,
        measured_se=float(np.sqrt(np.mean(errors**2))) if len(errors) else None,
        repeats=repeats(means, student, visit),
    )
