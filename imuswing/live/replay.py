"""A recording played again, sample by sample, as if its sensors were streaming."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime

import numpy as np

from imuswing.errors import SettingsError
from imuswing.live.model import TIME_COLUMN, Arrival, Chunk, SystemHead, rows_of
from imuswing.recording.model import Recording
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.prepare import prepare

TURN_S = 0.02
"""Samples are handed over so often, s: sensors send 20 to 50 packets a second (common practice, no source)."""


def taken_at(recording: Recording) -> dict[str, ClockLine]:
    """By tracking system, when its samples were taken on the first one's clock: so they arrive in their true order."""
    found = {}
    for point, report in prepare(recording).reports.items():
        found[recording.sensors[point].tracking_system] = replace(report.clock, se=0.0, drift_se=0.0, source="replay")
    for stream in recording.sensors.values():
        start = recording.start_hints.get(stream.tracking_system, 0.0)
        unknown = ClockLine(offset=start, drift=0.0, se=0.0, drift_se=0.0, source="replay")
        found.setdefault(stream.tracking_system, unknown)
    return found


class Replay:
    """Plays a recording at `speed` times its own pace; math.inf: as fast as it is taken.

    Its events come when the recording says that they were noted: a shot or tap at its onset, a span at its end.

    At other speeds than 1 an arrival's `behind_s` is what it would be at speed 1: what the turns before took longer
    than a turn lasts keeps the next ones waiting there, too.
    """

    def __init__(
        self,
        recording: Recording,
        *,
        speed: float,
        turn_s: float = TURN_S,
        clocks: Mapping[str, ClockLine] | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not speed > 0.0:
            raise SettingsError(f"speed is {speed!r}; it must be a number above 0")
        self.speed: float | None = speed
        self._turn_s, self._sleep = turn_s, sleep
        systems = recording.tracking_systems
        streams = {name: [s for s in recording.sensors.values() if s.tracking_system == name] for name in systems}
        self.heads = tuple(SystemHead.of(streams[name]) for name in systems)
        self._rows = {name: rows_of(streams[name]) for name in systems}
        clocks = clocks or taken_at(recording)
        self._arrives = {name: clocks[name](self._rows[name][:, TIME_COLUMN]) for name in systems}
        self._events = sorted(recording.events, key=lambda event: event.end)

    def take_up(self, began: datetime, delays: Mapping[str, float]) -> None:
        """As of `model.Source`; a recording knows its own times."""

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        """As of `model.Source`."""
        at = {
            name: int(np.searchsorted(rows[:, TIME_COLUMN], after[name], side="right")) if name in after else 0
            for name, rows in self._rows.items()
        }
        start = self._start(at, bool(after))
        end = max(float(times[-1]) for times in self._arrives.values())
        noted = sum(event.end <= start for event in self._events) if after else 0
        began, now, turn, backlog = time.perf_counter(), start, 0, 0.0
        while now < end + self._turn_s:
            turn += 1
            now = start + turn * self._turn_s
            late = self._wait(began, now - start)
            chunks = []
            for name, rows in self._rows.items():
                until = int(np.searchsorted(self._arrives[name], now, side="right"))
                if until > at[name]:
                    chunks.append(Chunk(system=name, rows=rows[at[name] : until], arrival=now))
                    at[name] = until
            first = noted
            while noted < len(self._events) and self._events[noted].end <= now:
                noted += 1
            behind = late if self.speed == 1.0 else backlog
            given = time.perf_counter()
            yield Arrival(now=now, chunks=tuple(chunks), events=tuple(self._events[first:noted]), behind_s=behind)
            backlog = max(0.0, backlog + time.perf_counter() - given - self._turn_s)
        if noted < len(self._events):
            yield Arrival(now=now, events=tuple(self._events[noted:]))

    def _start(self, at: Mapping[str, int], resumed: bool) -> float:
        if not resumed:
            return min(float(times[0]) for times in self._arrives.values())
        waiting = [float(times[at[name]]) for name, times in self._arrives.items() if at[name] < len(times)]
        return min(waiting, default=max(float(times[-1]) for times in self._arrives.values())) - self._turn_s

    def _wait(self, began: float, played: float) -> float:
        """Wait until it is time for what was played; by how much it is late then, s."""
        assert self.speed is not None
        late = (time.perf_counter() - began) - played / self.speed
        if late < 0.0:
            self._sleep(-late)
            return 0.0
        return late
