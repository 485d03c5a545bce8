"""Accelerometer and gyroscope that come in files or streams of their own, put together as one sensor."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.formats.names import KIND_WORDS, plain, read_name
from imuswing.formats.table import Table
from imuswing.recording.model import FloatArray

AXES: Final = ("x", "y", "z")


@dataclass(frozen=True, kw_only=True)
class _Part:
    """A table that holds one quantity.  kind: acc, gyr or mag.  rest: its name without the word for that."""

    table: Table
    kind: str
    rest: str


def joined(tables: Sequence[Table]) -> list[Table]:
    """The tables, with those that hold one quantity each side by side where their names otherwise agree.

    The one with more samples keeps its times; the others are interpolated to them, on the clock that both tell.
    """
    groups: dict[str, dict[int, _Part]] = {}
    for number, table in enumerate(tables):
        part = _part(table)
        if part is not None:
            groups.setdefault(part.rest, {})[number] = part
    result: dict[int, Table] = dict(enumerate(tables))
    for group in groups.values():
        if _is_sensor(list(group.values())):
            whole = _together(list(group.values()))
            result = {number: table for number, table in result.items() if number not in group}
            result[min(group)] = whole
    return [result[number] for number in sorted(result)]


def _part(table: Table) -> _Part | None:
    """What a table of one quantity holds, None where it holds several or none."""
    names = [read_name(column) for column in table.columns]
    kinds = {name.kind for name in names if name.axis is not None and name.kind in KIND_WORDS}
    words = plain(table.name)
    in_name = [kind for kind, pattern in KIND_WORDS.items() if re.search(rf"(?:^|_)(?:{pattern})\d*(?:_|$)", words)]
    bare = [column for column in table.columns if plain(column.split("[")[0].split("(")[0]) in AXES]
    if not kinds and len(in_name) == 1 and len(bare) == 3:
        (kind,) = in_name
        columns = {f"{kind}_{c}" if c in bare else c: values for c, values in table.columns.items()}
        table = replace(table, columns=columns)
    elif len(kinds) == 1:
        kind = str(next(iter(kinds)))
    else:
        return None
    rest = re.sub(rf"(?:^|_)(?:{KIND_WORDS[kind]})\d*(?=_|$)", "", words).strip("_")
    return _Part(table=table, kind=kind, rest=rest)


def _is_sensor(group: Sequence[_Part]) -> bool:
    kinds = [part.kind for part in group]
    return {"acc", "gyr"} <= set(kinds) and len(set(kinds)) == len(kinds)


def _together(group: Sequence[_Part]) -> Table:
    """One table of all columns, at the times of the part that has most."""
    main = max((part.table for part in group), key=lambda table: table.count)
    clock = _clock(main)
    columns: dict[str, FloatArray] = dict(main.columns)
    notes, doubts = list(main.notes), list(main.doubts)
    for part in group:
        other = part.table
        if other is main:
            continue
        notes += [note for note in other.notes if note not in notes]
        doubts += [doubt for doubt in other.doubts if doubt not in doubts]
        own = _clock(other)
        values = {c: v for c, v in other.columns.items() if read_name(c).axis is not None}
        if clock is None or own is None:
            if other.count != main.count:
                raise RecordingError(
                    other.source, f"has {other.count} rows beside {main.count} and no times", "export it with times"
                )
            columns |= values
        elif np.array_equal(main.columns[clock], other.columns[own]):
            columns |= values
        else:
            columns |= _at(main.columns[clock], other.columns[own], values, other)
            notes.append(
                f"{other.name} ({other.count} samples) was interpolated to the times of {main.name} ({main.count})"
            )
    name = group[0].rest or main.name
    return replace(main, name=name, columns=columns, notes=tuple(notes), doubts=tuple(doubts))


def _clock(table: Table) -> str | None:
    named = [column for column in table.columns if read_name(column).kind == "time"]
    return next(iter([*table.dates, *named]), None)


def _at(wanted: FloatArray, times: FloatArray, values: Mapping[str, FloatArray], table: Table) -> dict[str, FloatArray]:
    """Columns at other times, linear in between; NaN outside and next to lost samples."""
    if not np.all(np.diff(times) >= 0):
        raise RecordingError(table.source, "has rows out of order: its time runs backwards", "sort it by time")
    if times[-1] < wanted[0] or times[0] > wanted[-1]:
        raise RecordingError(table.source, "was not recorded at the time of its other half", "import the pair together")
    return {c: np.interp(wanted, times, v, left=np.nan, right=np.nan) for c, v in values.items()}
