"""A short lesson to play again: the routine and the first shots of the recording that ships with the project."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from imuswing.live.arrive import take
from imuswing.live.engine import begin, step
from imuswing.live.messages import Message
from imuswing.live.model import Session
from imuswing.live.replay import TURN_S, Replay
from imuswing.live.settings import LiveSettings
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Recording
from imuswing.recording.read import read
from imuswing.recording.write import write_recording

SHIPPED = next(iter(sorted((Path(__file__).parents[1] / "recordings").rglob("*_motion.tsv"))))
SHORT_S = 116.0
"""Its routine and its first block, of four shots, end before this."""


def cut(recording: Recording, until: float) -> Recording:
    """The recording up to a time on each sensor's own clock."""
    sensors = {}
    for point, stream in recording.sensors.items():
        count = int((stream.time <= until).sum())
        sensors[point] = replace(
            stream, time=stream.time[:count], gyr=stream.gyr[:count], acc=stream.acc[:count], mag=None
        )
    events = tuple(event for event in recording.events if event.end <= until)
    return replace(recording, sensors=sensors, events=events, source=None)


def without_routine(recording: Recording, since: float) -> Recording:
    """What came after a time, as a recording of its own; the clocks begin anew."""
    sensors = {}
    for point, stream in recording.sensors.items():
        first = int((stream.time < since).sum())
        sensors[point] = replace(
            stream, time=stream.time[first:] - stream.time[first], gyr=stream.gyr[first:], acc=stream.acc[first:]
        )
    events = tuple(replace(event, onset=event.onset - since) for event in recording.events if event.onset >= since)
    return replace(recording, sensors=sensors, events=events, source=None)


def short_lesson() -> Recording:
    """The routine and four shots, three clocks at 200 Hz."""
    return cut(read(SHIPPED), SHORT_S)


def write_short_lesson(root: Path, until: float = SHORT_S) -> Path:
    """The same, up to a time, as a dataset of its own."""
    start_dataset(root, name="Short lesson", description="Simulated, cut.", simulated=True)
    write_recording(cut(short_lesson(), until), root, acq_time=None)
    return root


def told_by(recording: Recording, *, turn_s: float = TURN_S) -> list[Message]:
    """All that the engine tells while a recording is played as fast as it goes."""
    source = Replay(recording, speed=math.inf, turn_s=turn_s)
    named = Session(participant="P1", session="02", task="chip", lead_side=recording.lead_side)
    state, settings, told = begin(named, source.heads), LiveSettings(), []
    for arrival in source.arrivals({}):
        state, _, messages = take(state, arrival, settings)
        state, more = step(state, settings)
        told += [*messages, *more]
    return told
