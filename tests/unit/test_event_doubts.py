"""Events that cannot belong to a recording, where sensors have sent nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sensors_for_tests import recording_of, turning_sensor

from imuswing.errors import RecordingError
from imuswing.recording.model import Event
from imuswing.swings.event_doubts import refuse_other_times


def test_a_sensor_without_a_sample_tells_no_length() -> None:
    good, stream = turning_sensor(), turning_sensor(tracked_point="chest")
    empty = replace(stream, time=stream.time[:0], gyr=stream.gyr[:0], acc=stream.acc[:0], mag=None)
    inside = [Event(onset=time, duration=0.0, trial_type="shot") for time in (2.0, 4.0, 6.0, 8.0)]
    for chest in (empty, replace(empty, tracking_system="a")):
        recording = recording_of(good, chest)
        refuse_other_times(recording.with_events(tuple(inside)))
        with pytest.raises(RecordingError, match="4 of 4 events lie outside the recording, which lasts 60 s"):
            refuse_other_times(recording.with_events(tuple(replace(e, onset=1e3 * e.onset) for e in inside)))
