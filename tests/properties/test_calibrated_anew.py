"""A routine that is done again within a recording: it serves the swings after it, the first one those before.

Two simulated visits one after the other in one recording, the sensors strapped on at random each time. Measured in one
go they must tell what each tells by itself, to a fraction of its standard error.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from imuswing.lesson import Lesson, analyze
from imuswing.recording.model import Event, Recording
from imuswing.simulate import errors_of, simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS

PAUSE_S = 20.0
MEASURES = (
    "impact_s",
    "chest_turn_top_deg",
    "shoulder_tilt_address_deg",
    "chest_turn_rate_min_dps",
    "backswing_arc_deg",
    "arm_height_top_deg",
    "wrist_flexion_top_deg",
    "wrist_ulnar_impact_deg",
)


@cache
def visit(seed: int) -> Recording:
    """A person's errors only, and none of the sensors, which would tell one visit's from the other's."""
    errors = errors_of("ideal", mount_turned=True, posture_deg=3.0, axis_deg=3.0, zero_deg=2.0, soft_tissue=1.0)
    return simulate_recording(seed=seed, task="pitch", shots=4, errors=errors)[0]


@cache
def later_by() -> float:
    return max(float(stream.time[-1]) for stream in visit(931).sensors.values()) + PAUSE_S


def joined(second: tuple[Event, ...]) -> Recording:
    """The two visits in one recording; second: events of the second one, on its own times."""
    first, again = visit(931), visit(932)
    sensors = {}
    for point, stream in first.sensors.items():
        other = again.sensors[point]
        sensors[point] = replace(
            stream,
            time=np.concatenate((stream.time, other.time + later_by())),
            gyr=np.concatenate((stream.gyr, other.gyr)),
            acc=np.concatenate((stream.acc, other.acc)),
        )
    moved = tuple(replace(event, onset=event.onset + later_by()) for event in second)
    return replace(first, sensors=sensors, events=(*first.events, *moved))


@cache
def both() -> Lesson:
    return analyze(joined(visit(932).events))


def assert_as_alone(found: pd.DataFrame, alone: pd.DataFrame, later_s: float, share: float) -> None:
    assert list(found["kind"]) == list(alone["kind"])
    for name in MEASURES:
        moved = later_s if name == "impact_s" else 0.0
        away = np.abs(found[name].to_numpy(float) - moved - alone[name].to_numpy(float))
        assert np.all(away < share * alone[f"{name}_se"].to_numpy(float)), (name, away)


def test_each_round_serves_the_swings_after_it() -> None:
    found = both().swings
    first, second = analyze(visit(931)).swings, analyze(visit(932)).swings
    assert len(found) == len(first) + len(second)
    assert_as_alone(found.iloc[: len(first)], first, 0.0, 0.7)
    assert_as_alone(found.iloc[len(first) :], second, later_by(), 0.7)
    # Sensors that were strapped on anew have not slipped.
    assert not [flag for flags in found["flags"] for flag in flags if "slipped" in flag]


def test_the_quality_record_says_so() -> None:
    entry = both().quality["recordings"][0]
    steps = [event for event in visit(932).events if event.trial_type in CALIBRATION_STEPS]
    (anew,) = entry["calibration"]["anew"]
    assert anew["since_s"] == round(min(step.onset for step in steps) + later_by(), 2)
    assert set(anew["axes_se_deg"]) == {"chest", "lead_forearm", "lead_hand"}
    (told,) = [warning["text"] for warning in entry["warnings"] if "anew" in warning["text"]]
    assert f"minute {anew['since_s'] / 60.0:.1f}" in told


def test_a_step_that_is_put_right_at_once_begins_no_new_round() -> None:
    recording = visit(931)
    stand = next(event for event in recording.events if event.trial_type == "stand")
    twice = replace(stand, duration=0.5 * stand.duration)
    lesson = analyze(replace(recording, events=(*recording.events, replace(twice, onset=twice.onset + twice.duration))))
    assert lesson.quality["recordings"][0]["calibration"]["anew"] == []


def test_a_step_that_one_round_lacks_comes_from_the_other_if_it_fits() -> None:
    # The bows are forgotten, and the whole routine is done again after the last swing with nothing strapped on anew.
    recording = visit(931)
    routine = [event for event in recording.events if event.trial_type in CALIBRATION_STEPS]
    first = tuple(event for event in recording.events if event.trial_type != "bow")
    twice = {
        point: replace(
            stream,
            time=np.concatenate((stream.time, stream.time + later_by())),
            gyr=np.tile(stream.gyr, (2, 1)),
            acc=np.tile(stream.acc, (2, 1)),
        )
        for point, stream in recording.sensors.items()
    }
    again = tuple(replace(event, onset=event.onset + later_by()) for event in routine)
    found = analyze(replace(recording, sensors=twice, events=(*first, *again))).swings
    whole = analyze(recording).swings
    assert_as_alone(found.iloc[: len(whole)], whole, 0.0, 0.7)
    lean = "chest_lean_address_deg_se"
    assert np.all(found[lean][: len(whole)] < 1.05 * whole[lean])
