"""A long recording analysed in parts gives what the analysis of the whole gives; on simulated lessons, cut short."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from imuswing.lesson import Lesson, analyze
from imuswing.parts import Part, PartSettings, parts_of
from imuswing.recording.model import Recording
from imuswing.settings import Settings
from imuswing.simulate import simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS, KIND_SHOT, SHOT

SHORT = PartSettings(whole_s=60.0, part_s=100.0, reach_s=20.0)
"""So that a lesson of some minutes has several parts."""
SAME_S = 0.02
"""A moment of one and the same swing; its impact is told to some ms, other moments by slow movements."""


@cache
def recorded() -> Recording:
    return simulate_recording(seed=11, task="pitch", shots=14, preset="realistic")[0]


@cache
def whole() -> Lesson:
    return analyze(recorded())


def in_parts(recording: Recording) -> Lesson:
    return analyze(recording, settings=Settings(parts=SHORT))


def test_parts_cover_all_times_and_borders_lie_in_quiet_seconds() -> None:
    recording = recorded()
    parts = parts_of(recording, SHORT)
    assert len(parts) >= 3
    assert (parts[0].begin, parts[-1].end) == (-np.inf, np.inf)
    assert all(a.end == b.begin for a, b in pairwise(parts))
    steps, shots = recording.of_type(*CALIBRATION_STEPS), recording.of_type(SHOT)
    for part in parts[1:]:
        assert all(not step.onset <= part.begin <= step.end for step in steps)
        assert all(abs(shot.onset - part.begin) > 0.5 for shot in shots)
    assert parts_of(recording, PartSettings()) == [Part()]


def test_parts_give_the_swings_of_the_whole() -> None:
    swings, expected = in_parts(recorded()).swings, whole().swings
    assert len(expected) >= 14
    assert list(swings["swing"]) == list(range(1, len(expected) + 1))
    assert list(swings["kind"]) == list(expected["kind"])
    assert list(swings["outcome"]) == list(expected["outcome"])
    np.testing.assert_allclose(swings["impact_s"], expected["impact_s"], atol=SAME_S)
    for name in ("chest_turn_rate_impact_dps", "backswing_arc_deg", "arm_height_top_deg"):
        # Two estimates of one quantity from the same swings differ by less than their errors.
        apart = np.abs(swings[name] - expected[name]) / expected[f"{name}_se"]
        assert float(np.nanmax(apart)) < 2.0, name
        # Where a practice swing would have met the ball is known worse with few shots in a part, to null at times.
        shots = expected["kind"] == KIND_SHOT
        assert swings[name][shots].notna().equals(expected[name][shots].notna())


@pytest.mark.parametrize("after_impact_s", [-0.9, -0.3, 0.3, 0.9])
def test_a_swing_across_a_border_is_found_once(after_impact_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    impacts = whole().swings["impact_s"].to_numpy()
    border = float(impacts[len(impacts) // 2]) + after_impact_s
    parts = [Part(end=border), Part(begin=border)]
    monkeypatch.setattr("imuswing.routine.parts_of", lambda *_: parts)
    np.testing.assert_allclose(analyze(recorded()).swings["impact_s"], impacts, atol=SAME_S)


def test_a_system_that_started_late_is_cut_in_the_right_places() -> None:
    """Nothing tells how much later: its own movements must, before the recording is cut."""
    recording, late = recorded(), 45.0
    last = recording.tracking_systems[-1]
    assert last != recording.tracking_systems[0]
    sensors = dict(recording.sensors)
    for point, stream in sensors.items():
        if stream.tracking_system == last:
            kept = slice(int(np.searchsorted(stream.time, late)), None)
            time = stream.time[kept] - stream.time[kept][0]
            mag = None if stream.mag is None else stream.mag[kept]
            sensors[point] = replace(stream, time=time, gyr=stream.gyr[kept], acc=stream.acc[kept], mag=mag)
    started_late = replace(recording, sensors=sensors, start_hints={})
    parts, expected = in_parts(started_late), analyze(started_late)
    np.testing.assert_allclose(parts.swings["impact_s"], expected.swings["impact_s"], atol=SAME_S)
    told = [lesson.swings["wrist_flexion_top_deg"].notna().to_numpy() for lesson in (parts, expected)]
    assert told[0].any()
    np.testing.assert_array_equal(*told)


def test_findings_and_counts_are_those_of_the_whole() -> None:
    entry, expected = in_parts(recorded()).quality["recordings"][0], whole().quality["recordings"][0]
    assert entry["calibration"]["source"] == expected["calibration"]["source"]
    assert entry["swings"] == expected["swings"]
    for point, numbers in expected["sensors"].items():
        found = entry["sensors"][point]
        assert found["samples"] == pytest.approx(numbers["samples"], rel=1e-3)
        assert found["rate_hz"] == pytest.approx(numbers["rate_hz"], rel=1e-4)
        assert found["gyro_noise_dps"] == pytest.approx(numbers["gyro_noise_dps"], rel=0.2)
