"""Samples that are lost, wrong or over range: what rests on them is null or says so, and nothing else changes.

On a realistic simulated lesson, each against the same lesson unspoilt: what is measured twice must agree to a fraction
of its own standard error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from imuswing.lesson import Lesson, analyze
from imuswing.recording.model import FloatArray, Recording, SensorStream
from imuswing.sensors.prepare import prepare
from imuswing.simulate import errors_of, simulate_recording
from imuswing.simulate.lesson import Truth

ARM = ("backswing_arc_deg", "arm_height_top_deg")
CHEST = ("chest_turn_top_deg", "shoulder_tilt_impact_deg", "chest_turn_rate_peak_dps", "chest_turn_rate_min_dps")
WRIST = ("wrist_flexion_top_deg", "wrist_flexion_impact_deg", "wrist_ulnar_impact_deg")
MOMENTS = ("top_s", "impact_s")

Change = Callable[[FloatArray, FloatArray, FloatArray], None]
"""Changes gyr (N, 3) rad/s and acc (N, 3) m/s² at times (N,) s in place."""


@cache
def lesson() -> tuple[Recording, Truth]:
    return simulate_recording(seed=917, task="full", shots=6, rate=200.0, errors=errors_of("realistic"))


@cache
def unspoilt() -> pd.DataFrame:
    return analyze(lesson()[0]).swings


def with_change(points: tuple[str, ...], change: Change) -> pd.DataFrame:
    return lesson_with_change(points, change).swings


def lesson_with_change(points: tuple[str, ...], change: Change) -> Lesson:
    recording = lesson()[0]
    sensors: dict[str, SensorStream] = dict(recording.sensors)
    for point in points:
        stream = sensors[point]
        gyr, acc = np.array(stream.gyr), np.array(stream.acc)
        change(gyr, acc, stream.time)
        sensors[point] = replace(stream, gyr=gyr, acc=acc)
    return analyze(replace(recording, sensors=sensors))


def span_of_swings(first: int, last: int) -> tuple[float, float]:
    swings = unspoilt()
    return float(swings["takeaway_s"][first]) - 3.0, float(swings["impact_s"][last]) + 3.0


def assert_alike(found: pd.DataFrame, names: tuple[str, ...], *, share: float, rows: list[int] | None = None) -> None:
    """Equal to within a share of the standard error that the unspoilt lesson tells."""
    rows = rows if rows is not None else list(range(len(unspoilt())))
    for name in names:
        before, after = unspoilt().iloc[rows], found.iloc[rows]
        away = np.abs(after[name].to_numpy(float) - before[name].to_numpy(float)) / before[f"{name}_se"].to_numpy(float)
        assert np.all(away < share), (name, away)


def gone(start: float, end: float) -> Change:
    def change(gyr: FloatArray, acc: FloatArray, time: FloatArray) -> None:
        inside = (time > start) & (time < end)
        gyr[inside], acc[inside] = np.nan, np.nan

    return change


def test_wrong_numbers_in_single_rows_change_nothing() -> None:
    rng = np.random.default_rng(0)

    def change(gyr: FloatArray, acc: FloatArray, time: FloatArray) -> None:
        rows = np.concatenate((rng.integers(0, len(time), 15), np.searchsorted(time, unspoilt()["impact_s"] - 0.06)))
        gyr[rows] += rng.normal(0.0, 20.0, (len(rows), 3))
        acc[rows] += rng.normal(0.0, 80.0, (len(rows), 3))

    found = with_change(("chest", "lead_forearm", "lead_hand"), change)
    assert len(found) == len(unspoilt())
    assert_alike(found, (*ARM, *CHEST, *WRIST, *MOMENTS), share=0.7)


def test_a_chest_that_is_gone_for_two_swings_has_no_rates_there() -> None:
    lesson_found = lesson_with_change(("chest",), gone(*span_of_swings(2, 3)))
    found = lesson_found.swings
    assert len(found) == len(unspoilt())
    # Its curves are not those of what fills the gap either; others are.
    spoilt = lesson_found.curves.groupby("swing")["chest_turn_rate_dps"].apply(lambda curve: curve.isna().all())
    assert np.flatnonzero(spoilt).tolist() == [2, 3]
    assert lesson_found.curves["arm_height_deg"].notna().all()
    for name in (*CHEST, "chest_turn_rate_impact_dps", "shoulder_tilt_rate_impact_dps", "chest_stall_probability"):
        already = np.flatnonzero(unspoilt()[name].isna()).tolist()
        assert np.flatnonzero(found[name].isna()).tolist() == sorted({*already, 2, 3}), name
    assert found["chest_verdict"].isna().tolist() == found["chest_turn_top_deg"].isna().tolist()
    assert_alike(found, (*ARM, *WRIST), share=0.5)
    assert_alike(found, CHEST, share=0.5, rows=[k for k in range(len(found)) if k not in (2, 3)])


def test_a_hand_that_is_gone_for_two_swings_turns_no_forearm() -> None:
    # Filled samples of the hand must not tell how the forearm's sensor sits: the tie sees both.
    found = with_change(("lead_hand",), gone(*span_of_swings(2, 3)))
    assert len(found) == len(unspoilt())
    for name in WRIST:
        assert np.flatnonzero(found[name].isna()).tolist() == [2, 3], name
    assert_alike(found, ARM, share=0.7)


def test_a_hand_that_is_over_range_for_long_tells_no_wrist_at_impact() -> None:
    # A hand turns by 1000 °/s and more before impact (common practice, no source): such a sensor misses half of it.
    def change(gyr: FloatArray, acc: FloatArray, time: FloatArray) -> None:
        np.clip(gyr, -np.radians(500.0), np.radians(500.0), out=gyr)

    found = with_change(("lead_hand",), change)
    assert len(found) == len(unspoilt())
    for name in ("wrist_flexion_impact_deg", "wrist_ulnar_impact_deg"):
        assert found[name].isna().all(), name
    assert_alike(found, ARM, share=0.7)


def test_a_gap_of_the_forearm_in_the_downswing_loses_no_swing() -> None:
    # What fills the gap shows the swing's shape; its moments rest on the other sensors' shock, within their errors.
    report = prepare(lesson()[0]).reports["lead_forearm"]
    # On the forearm's own clock.
    impact = (float(unspoilt()["impact_s"][2]) - report.clock_offset_s) / (1.0 + 1e-6 * report.clock_drift_ppm)
    found = with_change(("lead_forearm",), gone(impact - 0.13, impact - 0.01))
    assert len(found) == len(unspoilt())
    assert "lead_forearm_samples_unusable" in found["flags"][2]
    assert_alike(found, ("impact_s",), share=2.0)
    assert_alike(found, CHEST, share=0.7)
    others = [k for k in range(len(found)) if k != 2]
    assert_alike(found, (*ARM, *WRIST), share=0.7, rows=others)


def without_forearm_at(found: pd.DataFrame, rows: list[int]) -> None:
    """No swing is lost: the hand stands in in some rows. The chest's measures stay, the arm's are null there."""
    assert len(found) == len(unspoilt())
    assert list(found["kind"]) == list(unspoilt()["kind"])
    assert [k for k in range(len(found)) if "events_from_hand" in found["flags"][k]] == rows
    for name in (*ARM, *WRIST):
        assert set(rows) <= set(np.flatnonzero(found[name].isna()).tolist()), name
    for name in ("takeaway_s", *MOMENTS, *CHEST):
        assert np.all(np.abs(found[name] - unspoilt()[name])[rows] < 1.96 * found[f"{name}_se"][rows]), name
    others = [k for k in range(len(found)) if k not in rows]
    # What comes after a long gap of the forearm is known less well than without it.
    assert_alike(found, ("takeaway_s", *MOMENTS, *ARM, *CHEST, *WRIST), share=1.0, rows=others)


def test_a_forearm_that_is_gone_for_two_swings_leaves_them_to_the_hand() -> None:
    without_forearm_at(with_change(("lead_forearm",), gone(*span_of_swings(2, 3))), [2, 3])


def test_a_swing_that_the_hand_stands_in_for_learns_its_impact_from_the_others() -> None:
    found = with_change(("lead_forearm",), gone(*span_of_swings(3, 3)))
    assert_alike(found, ("impact_s",), share=1.0, rows=[3])
    # Alone it would be known half as well (measured without the others).
    assert found["impact_s_se"][3] < 1.5 * unspoilt()["impact_s_se"][3]


def test_a_gap_soon_after_a_swing_takes_nothing_from_it() -> None:
    middle = 0.5 * float(unspoilt()["finish_s"][3] + unspoilt()["takeaway_s"][4])
    found = with_change(("lead_forearm",), gone(middle - 1.5, middle + 1.5))
    assert len(found) == len(unspoilt())
    assert not [flag for flags in found["flags"] for flag in flags if flag == "events_from_hand"]
    assert_alike(found, (*MOMENTS, *ARM, *CHEST, *WRIST), share=0.7)


def test_a_forearm_whose_battery_gives_out_loses_no_swing() -> None:
    recording = lesson()[0]
    stream = recording.sensors["lead_forearm"]
    until = stream.time < span_of_swings(4, 4)[0]
    ended = replace(stream, time=stream.time[until], gyr=stream.gyr[until], acc=stream.acc[until])
    found = analyze(replace(recording, sensors={**recording.sensors, "lead_forearm": ended})).swings
    without_forearm_at(found, list(range(4, len(unspoilt()))))
    # What is not seen has not slipped.
    assert not [flag for flags in found["flags"] for flag in flags if "slipped" in flag]


def test_moments_in_a_stretch_that_cannot_be_bridged_tell_no_angle() -> None:
    report = prepare(lesson()[0]).reports["lead_forearm"]
    impact = (float(unspoilt()["impact_s"][2]) - report.clock_offset_s) / (1.0 + 1e-6 * report.clock_drift_ppm)
    # Gravity before and after tells the turn through the quarter of a second to a few degrees, not its course.
    found = with_change(("lead_forearm",), gone(impact - 0.125, impact + 0.125))
    assert len(found) == len(unspoilt())
    for name in ("wrist_flexion_impact_deg", "wrist_ulnar_impact_deg"):
        assert np.flatnonzero(found[name].isna()).tolist() == [2], name
    assert "wrist_flexion_impact_too_uncertain" in found["flags"][2]
    assert_alike(found, ("wrist_flexion_address_deg", *ARM), share=0.7)
    assert_alike(found, ("wrist_flexion_top_deg",), share=2.0)
    assert_alike(found, CHEST, share=0.7, rows=[k for k in range(len(found)) if k != 2])


def test_a_top_among_lost_samples_may_be_anywhere_among_them() -> None:
    report = prepare(lesson()[0]).reports["lead_forearm"]
    tops = (unspoilt()["top_s"].to_numpy(float) - report.clock_offset_s) / (1.0 + 1e-6 * report.clock_drift_ppm)

    def change(gyr: FloatArray, acc: FloatArray, time: FloatArray) -> None:
        for top in tops:
            gone(top - 0.05, top + 0.05)(gyr, acc, time)

    found = with_change(("lead_forearm",), change)
    assert len(found) == len(unspoilt())
    # A uniform distribution's standard deviation is its length over √12.
    assert np.all(found["top_s_se"] > 0.9 * 0.1 / np.sqrt(12.0))
    assert np.all(found["top_s_se"] < 1.2 * np.hypot(0.11 / np.sqrt(12.0), unspoilt()["top_s_se"]))
    assert np.all(np.abs(found["top_s"] - unspoilt()["top_s"]) < 1.96 * found["top_s_se"])


def test_a_pause_of_the_recording_costs_the_wrist_nothing() -> None:
    # The same lesson twice, half a minute apart. A filled gap is the calmest rest of all: were it taken for one, its
    # rate would pass for the gyroscopes' bias, and headings drift apart for a minute before and after.
    recording = lesson()[0]
    reports = prepare(recording).reports
    later = max(float(stream.time[-1]) for stream in recording.sensors.values()) + 30.0
    sensors = {}
    for point, stream in recording.sensors.items():
        on_own_clock = later / (1.0 + 1e-6 * reports[point].clock_drift_ppm)
        time = np.concatenate((stream.time, stream.time + on_own_clock))
        sensors[point] = replace(stream, time=time, gyr=np.tile(stream.gyr, (2, 1)), acc=np.tile(stream.acc, (2, 1)))
    moved = tuple(replace(event, onset=event.onset + later) for event in recording.events)
    found = analyze(replace(recording, sensors=sensors, events=(*recording.events, *moved))).swings
    count = len(unspoilt())
    assert len(found) == 2 * count
    for half in (found.iloc[:count], found.iloc[count:].reset_index(drop=True)):
        assert_alike(half, (*ARM, *CHEST, *WRIST), share=0.7)
