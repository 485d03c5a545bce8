"""Sensors put on, named or read wrongly, from the recording to the tables and to what `check` says.

The faults are put into a simulated lesson by the test, so what is wrong is known; what is still told is held against
that lesson's truth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from imuswing.cli import main
from imuswing.errors import RecordingError
from imuswing.lesson import Lesson, analyze
from imuswing.recording.model import Recording, SensorStream
from imuswing.recording.write import start_dataset, write_recording
from imuswing.simulate import simulate_recording

Change = Callable[[Recording], Recording]
WRIST = "wrist_flexion_impact_deg"
CHEST = ["chest_turn_rate_impact_dps", "chest_turn_top_deg", "shoulder_tilt_impact_deg", "chest_continuity"]
ARM = ["backswing_arc_deg", "arm_height_top_deg"]


@pytest.fixture(scope="module")
def lesson() -> tuple[Recording, pd.DataFrame]:
    recording, truth = simulate_recording(seed=906, task="pitch", shots=4, rate=100.0, preset="realistic")
    return recording, truth.swings


def changed(point: str, change: Callable[[SensorStream], SensorStream]) -> Change:
    return lambda recording: replace(recording, sensors={**recording.sensors, point: change(recording.sensors[point])})


def exchanged(one: str, other: str) -> Change:
    def change(recording: Recording) -> Recording:
        swapped = {
            one: replace(recording.sensors[other], tracked_point=one),
            other: replace(recording.sensors[one], tracked_point=other),
        }
        return replace(recording, sensors={**recording.sensors, **swapped})

    return change


MIRROR = np.array([1.0, -1.0, 1.0])
FAULTS: dict[str, tuple[Change, list[str], str, list[str]]] = {
    "chest, one gyroscope axis flipped": (
        changed("chest", lambda s: replace(s, gyr=s.gyr * MIRROR)),
        ["chest_left_out"],
        "the chest sensor is left out: gravity turns in it as if its gyroscope's axes x, y, z were x, -y, z",
        [*CHEST],
    ),
    "chest, one accelerometer axis flipped": (
        changed("chest", lambda s: replace(s, acc=s.acc * MIRROR)),
        ["chest_left_out"],
        "the chest sensor is left out: gravity turns in it as if its gyroscope's axes x, y, z were -x, y, -z",
        [*CHEST],
    ),
    "hand, left-handed axes": (
        changed("lead_hand", lambda s: replace(s, gyr=s.gyr * MIRROR, acc=s.acc * MIRROR)),
        ["lead_hand_left_out"],
        "the lead hand sensor is left out: gravity turns in it as if its gyroscope's axes x, y, z were -x, -y, -z",
        [WRIST],
    ),
    "forearm, read at half its range": (
        changed("lead_forearm", lambda s: replace(s, gyr=s.gyr / 2.0)),
        ["lead_forearm_left_out"],
        "the lead forearm sensor is left out: gravity turns in it as if its gyroscope read 0.50 times what it should",
        [WRIST, *ARM],
    ),
    "forearm and hand swapped": (
        exchanged("lead_forearm", "lead_hand"),
        ["lead_forearm_left_out", "lead_hand_left_out"],
        "the lead forearm sensor turns while the lead hand sensor rests, which no arm does",
        [WRIST, *ARM],
    ),
    "chest and hand swapped": (
        exchanged("chest", "lead_hand"),
        ["chest_left_out", "lead_hand_left_out"],
        "the chest sensor moves faster than the lead hand sensor",
        [WRIST, *CHEST],
    ),
    "chest, accelerometer upside down": (
        changed("chest", lambda s: replace(s, acc=-s.acc)),
        ["chest_turns_backwards"],
        "The chest sensor turns away from the target on the way down, where another turns towards it: its measures are "
        "left out.",
        [*CHEST],
    ),
}


def faulty_flags(told: Lesson) -> set[str]:
    endings = ("_left_out", "_turns_backwards")
    return {flag for flags in told.swings["flags"] for flag in flags if flag.endswith(endings)}


def texts(told: Lesson) -> list[str]:
    return [warning["text"] for warning in told.quality["recordings"][0]["warnings"] if warning["level"] == "problem"]


def test_a_lesson_put_on_rightly_has_none_of_the_flags(lesson: tuple[Recording, pd.DataFrame]) -> None:
    told = analyze(lesson[0])
    assert faulty_flags(told) == set()
    assert texts(told) == []
    assert told.swings[[*CHEST, *ARM, WRIST]].notna().all(axis=None)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_told_and_what_rests_on_it_is_null(fault: str, lesson: tuple[Recording, pd.DataFrame]) -> None:
    recording, truth = lesson
    change, flags, text, null = FAULTS[fault]
    told = analyze(change(recording), orientations=True)
    assert len(told.swings) == len(truth)
    assert all(set(flags) <= set(each) for each in told.swings["flags"])
    assert faulty_flags(told) == set(flags)
    assert texts(told) == [text]
    assert told.swings[null].isna().all(axis=None)
    if set(null) >= set(CHEST):
        assert told.swings["chest_verdict"].isna().all()
    for name in {*CHEST, *ARM} - set(null):
        value, se = told.swings[name].to_numpy(float), told.swings[f"{name}_se"].to_numpy(float)
        assert np.isfinite(value).all()
        # One in 2 million errors of a normal distribution passes five standard errors.
        assert np.max(np.abs(value - truth[name].to_numpy(float)) / se) < 5.0


@pytest.mark.parametrize("worn", [("chest", "lead_forearm", "lead_hand"), ("chest",)])
def test_a_wrong_lead_side_is_refused(worn: tuple[str, ...], lesson: tuple[Recording, pd.DataFrame]) -> None:
    recording = replace(lesson[0], sensors={point: lesson[0].sensors[point] for point in worn})
    assert len(analyze(recording).swings) > 2
    with pytest.raises(RecordingError, match=r"lead side is the right one; correct `lead_side` in participants.tsv"):
        analyze(replace(recording, lead_side="right"))


def test_check_and_analyze_say_so(
    lesson: tuple[Recording, pd.DataFrame], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change, _, text, _ = FAULTS["chest, one gyroscope axis flipped"]
    start_dataset(tmp_path / "lessons", name="made up", description="simulated", simulated=True)
    paths = write_recording(change(lesson[0]), tmp_path / "lessons", acq_time=None)
    assert main(["check", str(paths[0])]) == 0
    printed = capsys.readouterr().out
    assert f"PROBLEM: {text[:1].upper()}{text[1:]}. Correct order and signs of its axes" in printed
    assert "axes are not known" not in printed
    assert main(["analyze", str(paths[0]), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "the chest sensor is left out: gravity turns in it" in page
    assert "its sensor was left out of the whole recording" in page
