"""Rows on a steady clock: a sensor that restarts its clock, or jumps, is carried on in its own time, with a gap."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from imuswing.live.model import TIME_COLUMN, Chunk
from imuswing.recording.model import FloatArray

JUMP_S = 0.25
"""Radio links hold samples up for less; a clock that is off by more from when its samples arrive has jumped (common
practice, no source)."""
CONFIRMED_S = 1.0
"""For so long it must seem so, unless samples came too early or their times went backwards."""
SILENT_S = 0.5
"""A system from which nothing has come for so long has dropped out (common practice, no source)."""
LONGER, LONGEST_PAUSE_S, WHOLE_S, FORGET = 1.5, 1.0, 0.1, 0.99
"""Some links send a while's samples in one go. So many times the usual pause between chunks is no drop-out, up to a
pause of 1 s; usual is a pause after which not more than 0.1 s is missing, and with each chunk it is forgotten by a
hundredth (common practice, no source)."""
NEVER_S = 10.0
"""A system that has not sent anything for so long from the start on is told of (common practice, no source)."""
FOLLOW = 0.002
"""Share by which the usual distance between arrival and own time follows later arrivals, each chunk: clocks drift."""

Change = Literal["clock_changed", "came_back"]


@dataclass(frozen=True, kw_only=True)
class Steady:
    """One system's clock against this computer's. shift: s added to its own times so far.

    delay: usual arrival minus own time, s, None before the first chunk, unless others' times rest on it.
    last: newest own time that was let through.
    arrival: of the newest chunk.  pause: the longest that nothing came of late though nothing was lost.
    late_since: arrival from which on all came late, None now.  silent: nothing comes.
    """

    shift: float = 0.0
    delay: float | None = None
    last: float = -np.inf
    arrival: float | None = None
    pause: float = 0.0
    late_since: float | None = None
    silent: bool = False

    def is_silent(self, now: float) -> bool:
        """Whether nothing has come for too long."""
        return self.arrival is not None and now - self.arrival > max(SILENT_S, LONGER * self.pause)


def steadied(clock: Steady, chunk: Chunk) -> tuple[Steady, FloatArray, Change | None]:
    """A chunk's rows with steady, increasing times; the clock after it, and what happened, if anything."""
    rows = np.array(chunk.rows)
    rows[:, TIME_COLUMN] += clock.shift
    change: Change | None = "came_back" if clock.silent else None
    delay = chunk.arrival - float(rows[-1, TIME_COLUMN])
    usual = delay if clock.delay is None else clock.delay
    off = delay - usual
    # Late samples are no jump: the radio held them up. Early ones cannot be. What goes back by less than that was sent
    # twice, or overtaken.
    late = off > JUMP_S
    if clock.arrival is None and clock.delay is not None:
        # What came before it stands on its time: it has a gap from there on.
        clock, rows = _begun(clock, rows, off)
        return replace(clock, arrival=chunk.arrival, silent=False), rows, change
    backwards = late and rows[-1, TIME_COLUMN] <= clock.last
    since = (chunk.arrival if clock.late_since is None else clock.late_since) if late else None
    if backwards or off < -JUMP_S or (since is not None and chunk.arrival - since >= CONFIRMED_S):
        step = max(off, clock.last - float(rows[0, TIME_COLUMN]) + LEAST_STEP_S)
        rows[:, TIME_COLUMN] += step
        clock = replace(clock, shift=clock.shift + step, late_since=None)
        change = "clock_changed"
    else:
        clock = replace(clock, late_since=since, delay=usual if late else min(delay, usual + FOLLOW * off))
    rows = _increasing(rows, clock.last)
    pause = clock.pause
    if len(rows) and clock.arrival is not None:
        # Samples that go on where the last ones ended were sent in one go, and nothing is lost.
        whole = change != "clock_changed" and rows[0, TIME_COLUMN] - clock.last < WHOLE_S
        pause = max(FORGET * pause, min(chunk.arrival - clock.arrival, LONGEST_PAUSE_S) if whole else 0.0)
    last = float(rows[-1, TIME_COLUMN]) if len(rows) else clock.last
    return replace(clock, last=last, pause=pause, arrival=chunk.arrival, silent=False), rows, change


def _begun(clock: Steady, rows: FloatArray, off: float) -> tuple[Steady, FloatArray]:
    """The first chunk on a time that began before it: a lost sample at its beginning, then the rows at their time."""
    rows[:, TIME_COLUMN] += off
    rows = _increasing(rows, 0.0)
    lost = np.full((1, rows.shape[1]), np.nan)
    lost[0, TIME_COLUMN] = 0.0
    rows = np.concatenate((lost, rows))
    return replace(clock, shift=clock.shift + off, last=float(rows[-1, TIME_COLUMN])), rows


def _increasing(rows: FloatArray, last: float) -> FloatArray:
    """The rows that are newer than time `last` and than all before them."""
    times = rows[:, TIME_COLUMN]
    return rows[times > np.maximum.accumulate(np.concatenate(([last], times[:-1])))]


LEAST_STEP_S = 1e-4
"""Rows of a system that went backwards are put at least so long after the last one, s."""
