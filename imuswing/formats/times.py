"""Sample times from a time column: unit, counters that wrap, packets that share a time, rows out of order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.formats.mapping import DATE, TICKS, TIME_UNITS, TimeMap
from imuswing.recording.model import FloatArray

WRAPS: Final = (2.0**8, 2.0**16, 2.0**24, 2.0**32)
"""Where counters of sensors start anew."""
SINCE_1970_S: Final = 6.3e8
"""A time larger than this (1990) counts from 1970; no sensor runs that long."""
RATES: Final = (20.0, 2500.0)
"""Slowest and fastest rates of sensors that are worn, Hz (common practice, no source)."""
USUAL_RATES: Final = (
    20, 25, 26, 30, 40, 50, 52, 60, 64, 75, 80, 100, 104, 112, 119, 120, 125, 128, 150, 160, 180, 200, 208, 225, 238,
    240, 250, 256, 280, 300, 400, 416, 476, 500, 512, 560, 600, 800, 833, 952, 1000, 1024, 1125, 1200, 1600, 2000,
)  # fmt: skip
"""Rates that can be set in the data sheets of common sensors (from memory)."""


@dataclass(frozen=True, kw_only=True)
class Times:
    """time: (N,) s from the first sample, increasing.  rate: Hz.  start: first sample on the file's own clock, s.

    absolute: whether that clock counts from 1970.  notes: what was done, in sentences.
    """

    time: FloatArray
    rate: float
    start: float
    absolute: bool
    notes: tuple[str, ...] = ()


def even_times(count: int, rate: float) -> Times:
    """Times of a file that has none."""
    return Times(time=np.arange(count) / rate, rate=rate, start=0.0, absolute=False)


def to_times(column: FloatArray, how: TimeMap, *, source: Path, rate: float | None, above: int | None = None) -> Times:
    """The times of a column; RecordingError where they are missing, run backwards or stand still.

    above: lines above the first row in a text file, None for files that have no lines.
    """
    if len(column) < 2:
        raise RecordingError(source, "has fewer than two samples", "record longer")
    if np.isnan(column).any():
        place = _place(int(np.argmax(np.isnan(column))), above)
        raise RecordingError(source, f"has no time in {place}", "delete it, or import with --rate and no time")
    notes: list[str] = []
    unwrapped = unwrap(column, how.wrap)
    if how.wrap is not None and unwrapped is not column:
        turns = round((unwrapped[-1] - column[-1]) / how.wrap)
        notes.append(f"the counter of {source.name} started anew {turns} times and was carried on")
    steps = np.diff(unwrapped)
    if (steps < 0).any():
        raise _backwards(source, unwrapped, int(np.argmax(steps < 0)), above)
    factor = _factor(how)
    start = float(unwrapped[0]) * factor
    seconds = (unwrapped - unwrapped[0]) * factor
    if seconds[-1] <= 0.0:
        raise RecordingError(source, "has the same time in all rows", "import with --rate and no time column")
    if (steps == 0).any():
        share = float(np.mean(steps == 0))
        notes.append(
            f"{100 * share:.0f} % of the rows of {source.name} share the time of the row before: spread evenly"
        )
        seconds = spread(seconds)
    usual = 1.0 / float(np.median(np.diff(seconds)))
    mean = (len(seconds) - 1) / float(seconds[-1])
    nominal = rate if rate is not None else nice(mean if abs(usual / mean - 1) < 0.02 else usual)
    gaps = int(np.count_nonzero(np.diff(seconds) > 3.0 / nominal))
    if gaps:
        notes.append(f"{source.name} has {gaps} gaps in time; the samples keep their true times")
    absolute = how.unit == DATE or start > SINCE_1970_S
    return Times(time=seconds, rate=nominal, start=start, absolute=absolute, notes=tuple(notes))


def _factor(how: TimeMap) -> float:
    if how.unit == TICKS:
        assert how.tick_hz is not None, "a map with ticks has tick_hz"
        return 1.0 / how.tick_hz
    return 1.0 if how.unit == DATE else TIME_UNITS[how.unit]


def unwrap(column: FloatArray, wrap: float | None) -> FloatArray:
    """A counter that starts anew at `wrap` carried on; the column itself where it does not."""
    if wrap is None:
        return column
    fell = np.diff(column) < -0.5 * wrap
    if not fell.any():
        return column
    carried: FloatArray = column + wrap * np.concatenate(([0.0], np.cumsum(fell)))
    return carried


def find_wrap(column: FloatArray) -> float | None:
    """Where a counter starts anew, None where it does not: falls by about the size of a counter's range."""
    steps = np.diff(column)
    if not (steps < 0).any() or np.any(column < 0) or np.any(column != np.floor(column)):
        return None
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    falls = steps[steps < 0]
    for wrap in WRAPS:
        if column.max() < wrap and np.all(falls + wrap > 0) and np.median(falls + wrap) < 20 * max(usual, 1.0):
            return wrap
    return None


def spread(seconds: FloatArray) -> FloatArray:
    """Times of packets, whose samples share one, spread evenly: strictly increasing, from 0."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(seconds) > 0)))
    if len(first) < 2:
        return seconds
    step = float(np.median(np.diff(seconds[first]) / np.diff(first)))
    ends = np.append(first, len(seconds))
    knots = np.append(seconds[first], seconds[first[-1]] + step * (len(seconds) - first[-1]))
    even: FloatArray = np.interp(np.arange(len(seconds)), ends, knots)
    return even - even[0]


def nice(rate: float) -> float:
    """The usual rate within 1 %, else the rate to three decimals."""
    near = min(USUAL_RATES, key=lambda usual: abs(usual / rate - 1.0))
    return float(near) if abs(near / rate - 1.0) < 0.01 else round(rate, 3)


def is_usual(rate: float) -> bool:
    """Whether a rate is within 3 % of one that sensors have."""
    return min(abs(usual / rate - 1.0) for usual in USUAL_RATES) < 0.03


def median_step(column: FloatArray) -> float:
    """The usual step of a column per row, packets taken into account; 0 where it does not rise."""
    finite = column[np.isfinite(column)]
    steps = np.diff(finite)
    if len(steps) == 0:
        return 0.0
    usual = float(np.median(steps))
    if usual > 0.0 and np.mean(steps == 0) < 0.02:
        return usual
    rising = steps[steps >= 0]
    return float(np.mean(rising)) if len(rising) else 0.0


def plausible(units: Sequence[str], step: float) -> list[str]:
    """The units in which a step of a time column gives a rate that sensors have."""
    return [unit for unit in units if step > 0 and RATES[0] <= 1.0 / (step * TIME_UNITS[unit]) <= RATES[1]]


def _place(row: int, above: int | None) -> str:
    """Where a row stands, for a person: lines and rows count from 1."""
    return f"row {row + 1}" if above is None else f"line {above + row + 1}"


def _backwards(source: Path, column: FloatArray, index: int, above: int | None) -> RecordingError:
    place, later = _place(index + 1, above), float(column[index + 1])
    if abs(later - column[0]) <= 0.02 * abs(column[index] - column[0]):
        return RecordingError(
            source, f"starts its time anew in {place}, so it holds two recordings", "cut it there and import each"
        )
    return RecordingError(source, f"has rows out of order: time runs backwards in {place}", "sort it by time")
