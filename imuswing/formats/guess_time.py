"""Guessing the time column and its unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from imuswing.errors import SettingsError
from imuswing.formats.mapping import DATE, TICKS, TIME_UNITS, TimeMap
from imuswing.formats.names import Name
from imuswing.formats.table import Table
from imuswing.formats.times import (
    find_wrap,
    is_usual,
    median_step,
    plausible,
    unwrap,
)
from imuswing.recording.model import FloatArray

USUAL_TICKS: Final = 32768.0
"""Hz of the watch crystal that most small sensors count by."""
NEAR: Final = 0.1


def guess_time(
    table: Table, names: Sequence[Name], *, rate: float | None, doubts: list[str]
) -> tuple[TimeMap | None, float | None]:
    """The time column of a table and its rate in Hz; no column where there is none (`rate` is then needed)."""
    where = table.source.name
    name = _column(table, names, rate)
    if name is None or (name.kind == "counter" and rate is None and _counts_rows(table.columns[name.column])):
        if rate is None:
            raise SettingsError(f"{where} has no time column; say how many samples a second it has: --rate HZ")
        return None, rate
    column = table.columns[name.column]
    if name.column in table.dates:
        return TimeMap(column=name.column, unit=DATE), rate or _rate(column, 1.0)
    wrap = find_wrap(column)
    step = median_step(unwrap(column, wrap))
    if step <= 0.0:
        if rate is None:
            raise SettingsError(f"the times of {where} ({name.column}) do not rise; say the rate: --rate HZ")
        doubts.append(f"{where}: the times ({name.column}) do not rise: taken as even at {rate:g} Hz")
        return None, rate
    unit, tick_hz = _unit(where, name, step, rate, column, doubts)
    seconds = step / tick_hz if tick_hz else step * TIME_UNITS[unit]
    return TimeMap(column=name.column, unit=unit, tick_hz=tick_hz, wrap=wrap), rate or 1.0 / seconds


def _rate(column: FloatArray, unit_s: float) -> float | None:
    step = median_step(column) * unit_s
    return 1.0 / step if step > 0 else None


def _column(table: Table, names: Sequence[Name], rate: float | None) -> Name | None:
    """The column that holds the time: by its name, a date, or because it rises."""
    by_name = [n for n in names if n.kind == "time" and n.column not in table.dates]
    dates = [n for n in names if n.column in table.dates]
    counters = [n for n in names if n.kind == "counter"]
    named = [n for n in (*by_name, *dates, *counters) if _rises(table.columns[n.column])]
    if named:
        return named[0]
    if by_name or dates:
        return (by_name or dates)[0]  # it does not rise: reading it says why
    free = [n for n in names if n.kind is None]
    return next((n for n in free if _rises(table.columns[n.column]) and _is_clock(table.columns[n.column], rate)), None)


def _rises(column: FloatArray) -> bool:
    """Whether a column rises nearly always (counters may start anew)."""
    steps = np.diff(column)
    return bool(
        len(steps)
        and np.isfinite(column).all()
        and np.mean(steps >= 0) > 0.97
        and np.mean(steps > 0) > 0.04
        and np.ptp(column) > 0
    )


def _is_clock(column: FloatArray, rate: float | None) -> bool:
    """Whether a column that rises and whose name tells nothing may be the time: a temperature rises, too."""
    if np.all(column == np.round(column)):
        return True
    step = median_step(column)
    fitting = plausible(tuple(TIME_UNITS), step)
    return any(rate is None or abs(step * TIME_UNITS[unit] * rate - 1.0) < NEAR for unit in fitting)


def _counts_rows(column: FloatArray) -> bool:
    return bool(np.median(np.diff(column)) == 1.0)


def _unit(
    where: str, name: Name, step: float, rate: float | None, column: FloatArray, doubts: list[str]
) -> tuple[str, float | None]:
    """Unit of the time, and ticks a second where it counts ticks."""
    told = name.unit if name.unit in TIME_UNITS else None
    if rate is not None:
        fitting = [unit for unit, size in TIME_UNITS.items() if abs(step * size * rate - 1.0) < NEAR]
        if fitting:
            if told and told not in fitting:
                doubts.append(f"{where}: the header says {told}, but the rate fits {fitting[0]}: taken for that")
            return fitting[0], None
        if told:
            doubts.append(
                f"{where}: its times tell {1.0 / (step * TIME_UNITS[told]):.4g} Hz, not {rate:g}: its times are taken"
            )
            return told, None
        ticks = step * rate
        if not (name.kind == "counter" or name.unit == TICKS):
            doubts.append(f"{where}: {name.column} is taken for ticks, {ticks:.5g} a second")
        return TICKS, _near_crystal(ticks)
    possible = plausible(tuple(TIME_UNITS), step)
    if name.unit == TICKS or not possible:
        ticks = USUAL_TICKS
        if not is_usual(ticks / step):
            raise SettingsError(
                f"the unit of the times of {where} ({name.column}) is not clear; say the rate: --rate HZ"
            )
        doubts.append(f"{where}: {name.column} is taken for ticks of {ticks:g} Hz; say the rate if it is another")
        return TICKS, ticks
    unit = told if told in possible else possible[0]
    if told and told != unit:
        doubts.append(f"{where}: the header says {told}, but its steps of {step:.4g} fit {unit}: taken for that")
    found = 1.0 / (step * TIME_UNITS[unit])
    if told is None and (not is_usual(found) or step == 1.0):
        doubts.append(f"{where}: {name.column} is taken for {unit}, which gives {found:.4g} Hz; check it")
    return unit, None


def _near_crystal(ticks: float) -> float:
    return USUAL_TICKS if abs(ticks / USUAL_TICKS - 1.0) < 0.01 else round(ticks, 3)
