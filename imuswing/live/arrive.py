"""What arrives, put on steady clocks and kept; what time it is; and what is told of sensors that come and go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from imuswing.live.learn import without_clock
from imuswing.live.messages import Message, Notice
from imuswing.live.model import Arrival, Chunk, SystemHead
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State
from imuswing.live.steady import NEVER_S, Steady, steadied
from imuswing.sensors.clocks import ClockLine

LAG_S = 2.0
"""A system whose newest sample is older than this behind the others' is not waited for, nor one that has dropped out
(common practice, no source): a verdict that comes late is worth more than none."""


def take(state: State, arrival: Arrival, settings: LiveSettings) -> tuple[State, tuple[Chunk, ...], list[Message]]:
    """What arrived, put on steady clocks and kept: the rows as they are to be written, and what to tell of sensors."""
    clocks, tails = dict(state.clocks), dict(state.tails)
    began = arrival.now if state.began is None else state.began
    state = replace(state, began=began, arrived=arrival.now)
    chunks: list[Chunk] = []
    notices: list[Message] = []
    for chunk in arrival.chunks:
        before = clocks[chunk.system]
        clocks[chunk.system], rows, change = steadied(before, chunk)
        if change is not None:
            seconds = None if before.arrival is None else chunk.arrival - before.arrival
            notices += _notices(tails[chunk.system].head, change, state.now, seconds)
        if change == "clock_changed":
            state = replace(state, known=without_clock(state.known, chunk.system, settings))
        chunks.append(replace(chunk, rows=rows))
        keep = settings.keep_s if state.known.routine is not None else settings.opening_s
        tails[chunk.system] = tails[chunk.system].with_rows(rows, keep_s=keep)
    for name, clock in clocks.items():
        never = clock.arrival is None and arrival.now - began > NEVER_S
        if not clock.silent and (never or clock.is_silent(arrival.now)):
            clocks[name] = replace(clock, silent=True)
            notices += _notices(tails[name].head, "never_came" if never else "dropped_out", state.now, None)
    state = replace(state, clocks=_with_reference(clocks, arrival.now - began), tails=tails)
    return replace(_with_first_clocks(state, settings), events=(*state.events, *arrival.events)), tuple(chunks), notices


def _with_reference(clocks: Mapping[str, Steady], since_s: float) -> Mapping[str, Steady]:
    """Clocks, of which the first tells the time; where it has sent nothing, the next one's time is taken for its own.

    since_s: from the beginning until now.
    """
    first = min(clocks)
    heard = [name for name in sorted(clocks) if clocks[name].delay is not None]
    if clocks[first].delay is not None or not heard or since_s < FIRST_WITHIN_S:
        return clocks
    return {**clocks, first: replace(clocks[first], delay=clocks[heard[0]].delay)}


FIRST_WITHIN_S = 10.0
"""Sensors that are switched on together send within so long of each other (common practice, no source)."""

SAID = {
    "never_came": "The {point} sensor sends nothing: switch it on, and it is recorded from then on.",
    "dropped_out": "The {point} sensor has dropped out: check its battery and its distance.",
    "came_back": "The {point} sensor is back.",
    "clock_changed": "The {point} sensor's clock has jumped: it goes on in its own time, with a gap.",
}


def _notices(head: SystemHead, kind: str, now: float, seconds: float | None) -> list[Message]:
    return [
        Notice(
            point=sensor.tracked_point,
            kind=kind,  # type: ignore[arg-type]
            time=now,
            text=SAID[kind].format(point=sensor.tracked_point.replace("_", " ")),
            seconds=seconds,
        )
        for sensor in head.sensors
    ]


def _with_first_clocks(state: State, settings: LiveSettings) -> State:
    """Until clocks are aligned they are told by when samples arrive; and what the time is on the common clock."""
    first = min(state.tails)
    reference = state.clocks[first].delay
    known = dict(state.known.clocks)
    for name, clock in state.clocks.items():
        line = known.get(name)
        if clock.delay is None or reference is None or (line is not None and line.source != BY_ARRIVAL):
            continue
        if name == first:
            known[name] = ClockLine(offset=0.0, drift=0.0, se=0.0, drift_se=0.0, source="reference")
        else:
            offset = clock.delay - reference
            known[name] = ClockLine(
                offset=offset, drift=0.0, se=settings.arrival_se_s, drift_se=1e-4, source=BY_ARRIVAL
            )
    ends = [
        known[name].offset + (1.0 + known[name].drift) * tail.last
        for name, tail in state.tails.items()
        if name in known and tail.last is not None and not state.clocks[name].silent
    ]
    now = min((end for end in ends if end >= max(ends) - LAG_S), default=state.now)
    return replace(state, known=replace(state.known, clocks=known), now=max(now, state.now))


BY_ARRIVAL = "arrival"


def arrives_after(state: State) -> float:
    """By how much arrival times lie ahead of the common clock, s: by the system that comes soonest."""
    return min(
        (
            clock.delay - known.offset - known.drift * (state.tails[name].last or 0.0)
            for name, clock in state.clocks.items()
            if clock.delay is not None and (known := state.known.clocks.get(name)) is not None
        ),
        default=0.0,
    )
