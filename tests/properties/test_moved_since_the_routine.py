"""Sensors that were moved after the routine that serves: told, corrected or left out, never taken as they are.

One simulated lesson is cut in two recordings of a visit, so that the second rests on the routine of the first; in the
second the samples of a sensor are turned, as if it had been put on anew. What is true comes from the simulation.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from imuswing.lesson import Lesson, analyze
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Recording, SensorStream
from imuswing.recording.read import read
from imuswing.recording.write import write_recording
from imuswing.simulate import errors_of, simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS, CHEST, LEAD_FOREARM, LEAD_HAND

# Errors of a sensor's own axes would be turned with the samples, which a strap does not do.
OWN_AXES = ("gyro_scale", "acc_scale", "gyro_cross", "acc_cross", "acc_bias", "gyro_bias_dps", "gyro_drift_dps")
ONE_CLOCK = ("clock_offset_s", "clock_drift_ppm")
SLANTING = np.array([0.36, 0.48, 0.8])


@cache
def lesson() -> tuple[Recording, pd.DataFrame]:
    errors = errors_of("realistic", missing_steps=0.0, **dict.fromkeys((*OWN_AXES, *ONE_CLOCK), 0.0))
    recording, truth = simulate_recording(seed=803, task="pitch", shots=10, errors=errors)
    return recording, truth.swings.sort_values("impact_s")


def turned(stream: SensorStream, axis: FloatArray, angle_deg: float, since_s: float) -> SensorStream:
    matrix = Rotation.from_rotvec(np.radians(angle_deg) * axis).as_matrix()
    gyr, acc, later = stream.gyr.copy(), stream.acc.copy(), stream.time >= since_s
    gyr[later], acc[later] = gyr[later] @ matrix.T, acc[later] @ matrix.T
    return replace(stream, gyr=gyr, acc=acc, mag=None)


def second_half(folder: Path, point: str | None = None, angle_deg: float = 0.0, task: str = "pitch") -> Lesson:
    """The later recording of two, one sensor turned between them."""
    recording, truth = lesson()
    cut_s = float(truth["impact_s"].iloc[4:6].mean())
    start_dataset(folder, name="made up", description="made up, simulated", simulated=True)
    for k, (low, high) in enumerate(((-np.inf, cut_s), (cut_s, np.inf))):
        sensors = {}
        for name, stream in recording.sensors.items():
            if k and name == point:
                stream = turned(stream, SLANTING, angle_deg, -np.inf)
            here = (stream.time >= low) & (stream.time < high)
            time = stream.time[here]
            sensors[name] = replace(stream, time=time - time[0], gyr=stream.gyr[here], acc=stream.acc[here], mag=None)
        moved = [replace(e, onset=e.onset - k * cut_s) for e in recording.events if low <= e.onset < high]
        part = replace(recording, sensors=sensors, events=tuple(moved), run=str(k + 1), task=task if k else "pitch")
        start = datetime(2026, 1, 5, 9) + timedelta(seconds=k * cut_s)
        path = write_recording(part, folder, acq_time=start)[0]
    return analyze(read(path))


def told(found: Lesson) -> str:
    return " ".join(warning["text"] for warning in found.quality["recordings"][0]["warnings"])


def away(found: Lesson, measure: str) -> FloatArray:
    """Errors in standard errors."""
    _, truth = lesson()
    later = truth.iloc[-len(found.swings) :]
    error = found.swings[measure].to_numpy(float) - later[measure].to_numpy(float)
    return np.asarray(error / found.swings[f"{measure}_se"].to_numpy(float))


def test_nothing_is_told_of_sensors_that_stayed(tmp_path: Path) -> None:
    found = second_half(tmp_path)
    assert found.quality["recordings"][0]["calibration"]["source"].endswith("_motion.tsv")
    assert "otherwise than in the recording" not in told(found)
    assert not any("slipped" in flag for flags in found.swings["flags"] for flag in flags)
    assert np.all(np.abs(away(found, "arm_height_top_deg")) < 2.0)


@pytest.mark.parametrize(
    ("point", "measure"), [(LEAD_FOREARM, "arm_height_top_deg"), (LEAD_HAND, "wrist_flexion_impact_deg")]
)
def test_an_arm_sensor_put_on_anew_is_told_and_its_measures_are_less_sure_or_left_out(
    tmp_path: Path, point: str, measure: str
) -> None:
    found = second_half(tmp_path, point, 25.0)
    assert f"At address the {point.replace('_', ' ')} is held" in told(found)
    assert all(f"{point}_may_have_slipped" in flags for flags in found.swings["flags"])
    assert np.all(np.nan_to_num(np.abs(away(found, measure))) < 3.0)


def test_a_chest_sensor_put_on_anew_is_set_right(tmp_path: Path) -> None:
    found = second_half(tmp_path, CHEST, 25.0)
    assert "The chest sensor sits" in told(found)
    for measure in ("shoulder_tilt_address_deg", "chest_lean_impact_deg"):
        assert np.all(np.abs(away(found, measure)) < 2.0), measure


def test_another_task_may_be_played_from_another_posture(tmp_path: Path) -> None:
    """Half of what a moved sensor of the same task shows is told as nothing between two tasks."""
    assert "is held" not in told(second_half(tmp_path / "chip", LEAD_FOREARM, 12.0, task="chip"))
    assert "is held" in told(second_half(tmp_path / "pitch", LEAD_FOREARM, 12.0))


@pytest.mark.parametrize("point", [LEAD_FOREARM, LEAD_HAND])
def test_a_strap_turned_round_the_arm_after_the_routine_contradicts_the_swings(point: str) -> None:
    """Gravity hardly shows a turn about the hanging arm; the wrist, which has no such freedom, does."""
    recording, _ = lesson()
    stand = next(event for event in recording.events if event.trial_type == "stand")
    end_s = max(event.end for event in recording.events if event.trial_type in CALIBRATION_STEPS)
    stream = recording.sensors[point]
    hanging = (stream.time > stand.onset) & (stream.time < stand.end)
    up = np.nanmean(stream.acc[hanging], axis=0)
    moved = turned(stream, up / np.linalg.norm(up), 70.0, end_s + 3.0)
    found = analyze(replace(recording, sensors={**recording.sensors, point: moved}))
    assert "The swings contradict what the routine says of how forearm and hand sensors sit" in told(found)
    assert found.swings["wrist_flexion_impact_deg"].isna().all()
    assert all("wrist_contradicts_calibration" in flags for flags in found.swings["flags"])
    untouched = analyze(recording)
    assert "contradict" not in told(untouched)
    assert untouched.swings["wrist_flexion_impact_deg"].notna().all()


@pytest.mark.parametrize("point", [CHEST, LEAD_FOREARM, LEAD_HAND])
def test_a_sensor_put_on_upside_down_after_the_routine_is_told(point: str) -> None:
    recording, _ = lesson()
    end_s = max(event.end for event in recording.events if event.trial_type in CALIBRATION_STEPS)
    stream = recording.sensors[point]
    still = np.nanmean(stream.acc[:200], axis=0)
    across = np.cross(still, [0.0, 0.0, 1.0] if abs(still[2]) < 7.0 else [1.0, 0.0, 0.0])
    moved = turned(stream, across / np.linalg.norm(across), 180.0, end_s + 3.0)
    found = analyze(replace(recording, sensors={**recording.sensors, point: moved}))
    assert f"By its calibration the {point.replace('_', ' ')} stands" in told(found)
    assert all(f"{point}_may_have_slipped" in flags for flags in found.swings["flags"])
    measure = "shoulder_tilt_impact_deg" if point == CHEST else "wrist_flexion_impact_deg"
    assert found.swings[measure].isna().all()
