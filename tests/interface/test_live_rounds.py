"""Sensors strapped on anew in mid-lesson and the routine done again: live measures by it, as the offline analysis does.

Two simulated visits in one recording; the second one's sensors sit elsewhere. The coach marks the steps on the page.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

import imuswing
from imuswing.live.hub import Hub
from imuswing.live.messages import Message, Routine, Shot, StepCommand
from imuswing.live.model import Arrival, Session
from imuswing.live.replay import Replay
from imuswing.live.session import Live
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Event, Recording
from imuswing.simulate import errors_of, simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS

PAUSE_S = 20.0
MEASURES = ("chest_continuity", "chest_turn_top_deg", "backswing_arc_deg", "wrist_flexion_impact_deg")


def two_visits() -> Recording:
    errors = errors_of("ideal", mount_turned=True, posture_deg=3.0, axis_deg=3.0, zero_deg=2.0, soft_tissue=1.0)
    first, again = (simulate_recording(seed=seed, task="pitch", shots=3, errors=errors)[0] for seed in (931, 932))
    later = max(float(stream.time[-1]) for stream in first.sensors.values()) + PAUSE_S
    sensors = {
        point: replace(
            stream,
            time=np.concatenate((stream.time, again.sensors[point].time + later)),
            gyr=np.concatenate((stream.gyr, again.sensors[point].gyr)),
            acc=np.concatenate((stream.acc, again.sensors[point].acc)),
        )
        for point, stream in first.sensors.items()
    }
    moved = tuple(replace(event, onset=event.onset + later) for event in again.events)
    return replace(first, sensors=sensors, events=(*first.events, *moved))


class Marked(Replay):
    """A replay whose routine is marked by taps on the page."""

    def __init__(self, recording: Recording, steps: list[Event], hub: Hub) -> None:
        super().__init__(recording, speed=math.inf)
        self.hub = hub
        taps = [(step.onset, StepCommand(action="start", step=step.trial_type)) for step in steps]
        taps += [(step.end, StepCommand(action="end", step=step.trial_type)) for step in steps]
        self.taps = sorted(taps, key=lambda tap: tap[0])

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        for arrival in super().arrivals(after):
            while self.taps and self.taps[0][0] <= arrival.now:
                self.hub.send(self.taps.pop(0)[1])
            yield arrival


def test_swings_after_a_routine_that_is_done_again_rest_on_it(tmp_path: Path) -> None:
    lesson, hub = two_visits(), Hub()
    steps = [event for event in lesson.events if event.trial_type in CALIBRATION_STEPS]
    others = tuple(event for event in lesson.events if event.trial_type not in CALIBRATION_STEPS)
    start_dataset(tmp_path / "into", name="Into", description="Simulated.", simulated=True)
    named = Session(participant="P1", session="1", task="pitch", lead_side=lesson.lead_side)
    told: list[Message] = []
    source = Marked(replace(lesson, events=others), steps, hub)
    finished = Live(tmp_path / "into", named, source, hub=hub, say=told.append).run()
    held = imuswing.read(finished.path)
    # Both rounds stand in the recording.
    assert len(held.of_type(*CALIBRATION_STEPS)) == len(steps) == 10
    swings = imuswing.analyze(held).swings
    last = {message.number: message for message in told if isinstance(message, Shot)}
    assert len(last) == len(swings) >= 6
    for shot, (_, row) in zip(last.values(), swings.iterrows(), strict=True):
        # Near the border between two verdicts either may be told: the measure says how near they are.
        for name in MEASURES:
            value = shot.measures[name].value
            assert value is not None
            assert abs(value - row[name]) < row[f"{name}_se"], (name, shot.impact_s)
    reasons = [one.reason for one in next(m for m in reversed(told) if isinstance(m, Routine)).steps]
    # All were read; how well they fit each other is the golfer's care.
    assert set(reasons) <= {None, "does_not_fit"}
