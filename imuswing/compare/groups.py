"""From a table of swings to cells: the shots of one student, task, condition and strapping-on, summed up.

A *condition* is what is compared (a block, a visit, an outcome). A *strapping* is a stretch of shots with the same
calibration and no slip of a sensor that the measure needs: errors that all its shots share cancel in differences within
it, not between two of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from imuswing.compare.settings import CompareSettings
from imuswing.errors import SettingsError
from imuswing.measures.dictionary import MEASURES, Measure
from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.vocabulary import KIND_SHOT, slipped_point

if TYPE_CHECKING:
    import pandas as pd

NEEDED = ("participant", "task", "kind")
RECORDING = ("session", "acq", "run")
"""What tells the recordings of one student and task apart."""
STRAPPING = "strapping"
"""Optional column: shots with the same value share a calibration. Without it, each recording has its own."""
FLAGS = "flags"
"""Optional column: what is told of a shot, as a list, or as text as in an exported table; a slip of a sensor counts."""


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Sums over the shots of each of C cells, for M measures whose sensors sat alike.

    person, condition, strapping: (C,) codes; persons: (participant, task) by code; conditions: names by code.
    first: (C,) place of the cell's first shot in the order of playing.
    n, mean, ss: (C, M) shots measured, their mean, their squared deviations summed.
    se2: (C, M) mean squared standard error, 0 where there is none.
    lag: (C, M) sum of products of the deviations of neighbouring shots.
    place, spread, slope: (C, M) mean shot number, its squared deviations summed, and its products with the measure's.
    """

    measures: tuple[str, ...]
    persons: tuple[tuple[str | None, str | None], ...]
    conditions: tuple[str, ...]
    person: IntArray
    condition: IntArray
    strapping: IntArray
    first: IntArray
    n: FloatArray
    mean: FloatArray
    ss: FloatArray
    se2: FloatArray
    lag: FloatArray
    place: FloatArray
    spread: FloatArray
    slope: FloatArray


def natural(label: object) -> tuple[tuple[int, int, str], ...]:
    """Sort key by which `2` comes before `10`."""
    parts = re.split(r"(\d+)", "" if label is None else str(label))
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part)


def shots_only(swings: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """The struck shots, sorted as they were played, with every label column there; needs `columns` too."""
    for name in (*NEEDED, *columns):
        if name not in swings.columns:
            raise SettingsError(f"the table of swings has no column {name!r}; it must be one that analyze wrote")
    shots = swings[(swings["kind"] == KIND_SHOT).to_numpy(dtype=bool, na_value=False)].copy()
    for name in RECORDING:
        if name not in shots.columns:
            shots[name] = None
    ranks = [_natural_ranks(shots[name]) for name in ("participant", "task", "session", "run", "acq")]
    times = shots["impact_s"].to_numpy(dtype=float) if "impact_s" in shots.columns else np.zeros(len(shots))
    return shots.iloc[np.lexsort((times, *ranks[::-1]))]


def _natural_ranks(labels: pd.Series) -> IntArray:
    import pandas as pd

    codes, names = pd.factorize(labels, use_na_sentinel=True)
    order = sorted(range(len(names)), key=lambda k: natural(names[k]))
    rank = np.empty(len(names) + 1, dtype=np.intp)
    rank[order] = np.arange(1, len(names) + 1)
    rank[-1] = 0  # a label that is not there comes first
    return np.asarray(rank[codes])


def cells(shots: pd.DataFrame, conditions: pd.Series, *, settings: CompareSettings) -> list[Cells]:
    """Sum up `shots` (from `shots_only`) by condition, a label a shot; shots without a label are left out.

    One for all measures, or where a sensor slipped one for those that it serves and one for the others. All have the
    same persons and conditions.
    """
    there = conditions.notna().to_numpy(dtype=bool)
    shots, labels = shots[there], conditions[there]
    measures = tuple(m for m in MEASURES if m.name in shots.columns and m.name in settings.sizes)
    person, persons = _codes(shots, ["participant", "task"])
    condition, names = _factorize(labels)
    people = tuple((_plain(p), _plain(t)) for p, t in persons)
    return [
        _summed(
            shots, sat, people, tuple(str(name) for name in names), np.stack((person, condition, strapping), axis=1)
        )
        for sat, strapping in strappings(shots, measures, settings=settings)
    ]


def strappings(
    shots: pd.DataFrame, measures: Sequence[Measure], *, settings: CompareSettings
) -> list[tuple[tuple[str, ...], IntArray]]:
    """Measures whose sensors sat alike, and for each shot (N,) the code of its strapping; one group at least.

    A slip counts for measures whose error is shared by a strapping-on; when a moment is, it does not change. What has
    slipped in two recordings, or since the one that lent both its routine, need not sit alike in them.
    """
    recording, _ = _codes(shots, list(RECORDING))
    keys = [STRAPPING] if STRAPPING in shots.columns else list(RECORDING)
    slipped = _slipped(shots)
    groups: dict[tuple[str, ...], list[str]] = {}
    for measure in measures:
        moved = measure.needs if settings.sizes[measure.name].shared > 0.0 else ()
        groups.setdefault(tuple(p for p in moved if p in slipped), []).append(measure.name)
    found = []
    for points, names in (groups or {(): []}).items():
        table = shots.assign(**{f"{point} slipped": np.where(slipped[point], recording, -1) for point in points})
        code, _ = _codes(table, ["participant", "task", *keys, *(f"{point} slipped" for point in points)])
        found.append((tuple(names), code))
    return found


def _slipped(shots: pd.DataFrame) -> dict[str, BoolArray]:
    """By tracked point of which a slip, sure or not, is told, whether a shot (N,) came after it."""
    if FLAGS not in shots.columns:
        return {}
    told: dict[str, BoolArray] = {}
    for k, flags in enumerate(shots[FLAGS]):
        for flag in _words(flags):
            if point := slipped_point(flag):
                told.setdefault(point, np.zeros(len(shots), dtype=np.bool_))[k] = True
    return told


def _words(flags: Any) -> list[str]:
    """The flags of a shot; none where there is no value."""
    if isinstance(flags, str):
        return re.split("[; ]", flags)
    return list(flags) if isinstance(flags, (list, tuple, np.ndarray)) else []


def _summed(
    shots: pd.DataFrame,
    measures: tuple[str, ...],
    persons: tuple[tuple[str | None, str | None], ...],
    conditions: tuple[str, ...],
    codes: IntArray,
) -> Cells:
    """codes: (N, 3) of person, condition and strapping."""
    person, condition, strapping = codes.T
    number = _count_within(strapping)
    cell, order, starts = _contiguous(codes)
    values = shots[list(measures)].to_numpy(dtype=float, na_value=np.nan)[order]
    errors = _errors(shots, measures)[order]
    sums = _sums(values, errors, number[order].astype(float), cell, starts)
    head = order[starts]
    return Cells(
        measures=measures,
        persons=persons,
        conditions=conditions,
        person=person[head],
        condition=condition[head],
        strapping=strapping[head],
        first=head,
        **sums,
    )


def _plain(label: Any) -> str | None:
    return None if label is None or label != label else str(label)


def _factorize(labels: Iterable[Any]) -> tuple[IntArray, Any]:
    import pandas as pd

    codes, names = pd.factorize(pd.Series(labels), use_na_sentinel=False)
    return codes.astype(np.intp), names


def _codes(table: pd.DataFrame, columns: list[str]) -> tuple[IntArray, list[tuple[Any, ...]]]:
    """One code a combination of labels, in order of appearance, missing ones included; and the combinations."""
    parts = [_factorize(table[name]) for name in columns]
    joint = np.stack([codes for codes, _ in parts], axis=1)
    _, first, inverse = np.unique(joint, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    code = np.empty(len(order), dtype=np.intp)
    code[order] = np.arange(len(order))
    rows = joint[np.sort(first)]
    return code[np.ravel(inverse)], [tuple(names[k] for k, (_, names) in zip(row, parts, strict=True)) for row in rows]


def _count_within(codes: IntArray) -> IntArray:
    """0, 1, 2 … within each code, in order."""
    order = np.argsort(codes, kind="stable")
    ordered = codes[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(codes) else np.zeros(0, dtype=np.intp)
    count = np.arange(len(codes)) - np.repeat(starts, np.diff(np.r_[starts, len(codes)]))
    result = np.empty(len(codes), dtype=np.intp)
    result[order] = count
    return result


def _contiguous(keys: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Cell of each sorted row, the row order that keeps cells together in order of playing, and each cell's start."""
    _, inverse = np.unique(keys, axis=0, return_inverse=True)
    inverse = np.ravel(inverse)
    order = np.argsort(inverse, kind="stable")
    cell = inverse[order]
    starts = np.flatnonzero(np.r_[True, cell[1:] != cell[:-1]]) if len(cell) else np.zeros(0, dtype=np.intp)
    return cell, order, starts


def _errors(shots: pd.DataFrame, measures: tuple[str, ...]) -> FloatArray:
    errors = np.full((len(shots), len(measures)), np.nan)
    for k, name in enumerate(measures):
        if f"{name}_se" in shots.columns:
            errors[:, k] = shots[f"{name}_se"].to_numpy(dtype=float, na_value=np.nan)
    return errors


def _sums(
    values: FloatArray, errors: FloatArray, number: FloatArray, cell: IntArray, starts: IntArray
) -> dict[str, FloatArray]:
    """The (C, M) sums of `Cells` from rows that stand cell by cell, in two passes so that nothing cancels."""
    if not len(values):
        return {name: np.zeros((0, values.shape[1])) for name in SUMS}
    there = np.isfinite(values)

    def total(rows: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(rows, starts, axis=0))

    n = total(there.astype(float))
    some = np.maximum(n, 1.0)
    mean, place = total(np.where(there, values, 0.0)) / some, total(there * number[:, None]) / some
    off = np.where(there, values - mean[cell], 0.0)
    ahead = np.where(there, number[:, None] - place[cell], 0.0)
    pairs = np.zeros_like(off)
    pairs[:-1] = off[:-1] * off[1:] * (cell[:-1] == cell[1:])[:, None]
    known = there & np.isfinite(errors)
    se2 = total(np.where(known, errors, 0.0) ** 2) / np.maximum(total(known.astype(float)), 1.0)
    return {
        "n": n,
        "mean": np.where(n > 0, mean, np.nan),
        "ss": total(off**2),
        "se2": se2,
        "lag": total(pairs),
        "place": place,
        "spread": total(ahead**2),
        "slope": total(off * ahead),
    }


SUMS = ("n", "mean", "ss", "se2", "lag", "place", "spread", "slope")
