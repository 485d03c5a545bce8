"""Clocks that jump in mid-lesson: the times are put right, or the sensor is left out, and either is told.

On realistic simulated lessons, each against the same lesson unspoilt: what is measured twice must agree to a fraction
of its own standard error.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from imuswing.lesson import Lesson, analyze
from imuswing.recording.model import Recording, SensorStream
from imuswing.simulate import errors_of, simulate_recording
from imuswing.simulate.lesson import Truth

ONE_EACH, TWO = 917, 903
"""Seeds of lessons in which every sensor has a clock of its own, and in which forearm and hand share one."""

ANGLES = (
    "chest_turn_top_deg",
    "chest_turn_impact_deg",
    "chest_turn_rate_peak_dps",
    "chest_turn_rate_min_dps",
    "arm_height_top_deg",
    "wrist_flexion_top_deg",
    "wrist_flexion_impact_deg",
    "wrist_ulnar_impact_deg",
)
MOMENTS = ("takeaway_s", "top_s", "impact_s")


@cache
def played(seed: int) -> tuple[Recording, Truth]:
    return simulate_recording(seed=seed, task="full", shots=6, rate=200.0, errors=errors_of("realistic"))


def lesson(seed: int) -> Recording:
    return played(seed)[0]


def truth(seed: int) -> pd.DataFrame:
    return played(seed)[1].swings


@cache
def unspoilt(seed: int) -> pd.DataFrame:
    return analyze(lesson(seed)).swings


def with_stream(seed: int, stream: SensorStream) -> Lesson:
    recording = lesson(seed)
    return analyze(replace(recording, sensors={**recording.sensors, stream.tracked_point: stream}))


def jumped(stream: SensorStream, at: float, *, by: float, lost: float = 0.0) -> SensorStream:
    """From `at` on its times are `by` s later, after `lost` s without samples."""
    kept = (stream.time < at) | (stream.time >= at + lost)
    time = np.where(stream.time < at, stream.time, stream.time + by)[kept]
    return replace(stream, time=time, gyr=stream.gyr[kept], acc=stream.acc[kept])


def between_swings(seed: int) -> float:
    """Soon after a swing that is followed by the longest pause but for the first and last two."""
    swings = unspoilt(seed)
    pauses = swings["takeaway_s"].to_numpy()[1:] - swings["finish_s"].to_numpy()[:-1]
    return float(swings["finish_s"][1 + int(np.argmax(pauses[1:-1]))]) + 1.0


def told(found: Lesson) -> list[str]:
    return [warning["text"] for warning in found.quality["recordings"][0]["warnings"]]


def assert_alike(found: pd.DataFrame, seed: int, *, names: tuple[str, ...] = ANGLES, share: float = 1.0) -> None:
    before = unspoilt(seed)
    assert len(found) == len(before)
    for name in names:
        away = np.abs(found[name] - before[name]) / before[f"{name}_se"]
        assert not np.any(away[before[name].notna() & found[name].notna()] > share), (name, away.tolist())


JUMPS = [(5.0, 0.0), (-5.0, 6.0), (0.3, 0.0), (-0.3, 0.5), (0.03, 0.0), (-0.03, 0.05)]
"""By how much, and seconds without samples before it."""


@pytest.mark.parametrize("point", ["lead_forearm", "lead_hand"])
@pytest.mark.parametrize(("by", "lost"), JUMPS)
def test_a_sensor_that_starts_anew_is_put_right(point: str, by: float, lost: float) -> None:
    stream = lesson(ONE_EACH).sensors[point]
    found = with_stream(ONE_EACH, jumped(stream, between_swings(ONE_EACH), by=by, lost=lost))
    # The joints alone tell a jump of some hundredths: through the trunk to 4 ms, in which a hand turns by 2 to 4°.
    share = 1.0 if abs(by) > 0.1 else 1.5
    assert_alike(found.swings, ONE_EACH, names=(*ANGLES, *MOMENTS), share=share)
    assert [text for text in told(found) if "times of" in text and "jump by" in text]


def test_a_chest_that_starts_anew_is_put_right() -> None:
    stream = lesson(TWO).sensors["chest"]
    found = with_stream(TWO, jumped(stream, between_swings(TWO), by=-4.7, lost=5.0))
    assert_alike(found.swings, TWO, names=(*ANGLES, *MOMENTS))
    assert any("times of chest jump by 4.7 s" in text for text in told(found))


def test_where_the_first_clock_jumps_the_others_follow_it() -> None:
    # Events are told on it, so its times stay as they are: only what is measured must be the same.
    stream = lesson(ONE_EACH).sensors["chest"]
    found = with_stream(ONE_EACH, jumped(stream, between_swings(ONE_EACH), by=0.3))
    assert_alike(found.swings, ONE_EACH)
    later = found.swings["impact_s"] - unspoilt(ONE_EACH)["impact_s"]
    expected = np.where(unspoilt(ONE_EACH)["impact_s"] < between_swings(ONE_EACH), 0.0, 0.3)
    np.testing.assert_allclose(later, expected, atol=0.01)


@pytest.mark.parametrize("point", ["lead_hand", "lead_forearm"])
def test_a_sensor_that_is_late_on_a_shared_clock_is_put_right(point: str) -> None:
    # Seven samples of 200 Hz: a receiver that stamps what arrives.
    stream = lesson(TWO).sensors[point]
    late = replace(stream, gyr=np.roll(stream.gyr, 7, axis=0), acc=np.roll(stream.acc, 7, axis=0))
    found = with_stream(TWO, late)
    assert_alike(found.swings, TWO)
    assert any(re.search(r"are 3[3-7] ms (late|early) on a clock", text) for text in told(found))


def test_a_sensor_whose_times_jump_again_and_again_is_left_out() -> None:
    stream, ends = lesson(ONE_EACH).sensors["lead_hand"], unspoilt(ONE_EACH)["finish_s"].to_numpy(float)
    for k, (by, lost) in zip((1, 3, 5, 7), ((0.6, 0.0), (-0.7, 1.0), (0.9, 0.0), (-0.5, 0.8)), strict=True):
        stream = jumped(stream, float(ends[k]) + 1.0, by=by, lost=lost)
    found = with_stream(ONE_EACH, stream)
    assert_alike(found.swings, ONE_EACH, names=tuple(name for name in ANGLES if not name.startswith("wrist")))
    # Without the hand the impact rests on two sensors and no longer on three: it is held against the truth.
    late = found.swings["impact_s"] - truth(ONE_EACH)["impact_s"]
    assert np.all(np.abs(late) < 1.96 * found.swings["impact_s_se"])
    assert found.swings["wrist_flexion_impact_deg"].isna().all()
    assert any("its times jump against the other sensors' again and again" in text for text in told(found))


@pytest.mark.parametrize(
    ("point", "share", "said"),
    [("lead_hand", 0.998, "runs 0.18"), ("lead_forearm", 0.995, "could not be aligned")],
)
def test_a_clock_of_a_wrong_rate_is_not_put_right_by_jumps(point: str, share: float, said: str) -> None:
    # 199.6 or 199 samples a second that are told as 200: laid in steps such a clock would seem right.
    stream = lesson(ONE_EACH).sensors[point]
    found = with_stream(ONE_EACH, replace(stream, time=stream.time * share))
    assert not [text for text in told(found) if "jump" in text]
    assert any(said in text for text in told(found))


@pytest.mark.parametrize("seed", [ONE_EACH, TWO])
def test_clocks_that_run_evenly_do_not_jump(seed: int) -> None:
    assert not [text for text in told(analyze(lesson(seed))) if "jump" in text or " sensor shares" in text]
