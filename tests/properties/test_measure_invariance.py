"""What must not change a measure: how sensors are mounted, mirroring the golfer, time, heading, rate; and what is there
when sensors are missing. On near-ideal simulated lessons, through the whole analysis."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from motions_for_tests import make_segment
from scipy.spatial.transform import Rotation

from imuswing.body.tie import Tie
from imuswing.lesson import Lesson, analyze
from imuswing.measures.dictionary import MEASURES
from imuswing.measures.pose import SwingMotion
from imuswing.measures.swing import MeasureSettings, measure_swings
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Recording
from imuswing.simulate import errors_of, simulate_recording
from imuswing.swings.events import Moments
from imuswing.vocabulary import LeadSide

MOMENTS = ("takeaway_s", "top_s", "impact_s", "finish_s")
NAMES = tuple(measure.name for measure in MEASURES)
SLOW = settings(max_examples=4, deadline=None, derandomize=True)


@cache
def recorded(rate: float = 200.0) -> Recording:
    """A lesson of near-ideal sensors, strapped on in any orientation."""
    sizes = errors_of("ideal", mount_turned=True, gyro_noise=0.01, acc_noise=0.003)
    return simulate_recording(seed=5, shots=3, rate=rate, errors=sizes)[0]


@cache
def analyzed(rate: float = 200.0) -> Lesson:
    return analyze(recorded(rate))


def turned(recording: Recording, mounts: dict[str, FloatArray], **changes: object) -> Recording:
    """Every sensor's axes turned by a proper matrix (3, 3), or mirrored by an improper one.

    Acceleration is a vector, angular velocity an axial one: a mirror turns it round once more.
    """
    sensors = {}
    for point, stream in recording.sensors.items():
        matrix = mounts[point]
        sensors[point] = replace(stream, gyr=np.linalg.det(matrix) * stream.gyr @ matrix.T, acc=stream.acc @ matrix.T)
    return replace(recording, sensors=sensors, **changes)


def sure(*tables: pd.DataFrame) -> list[pd.DataFrame]:
    """The rows of which every table is sure whether a ball was struck: a swing on the edge may fall to either side."""
    assert len({len(table) for table in tables}) == 1
    doubtful = np.any([["kind_uncertain" in flags for flags in table["flags"]] for table in tables], axis=0)
    assert np.sum(~doubtful) >= 2
    return [table[~doubtful] for table in tables]


def assert_alike(
    first: pd.DataFrame, second: pd.DataFrame, *, degrees: float, dps: float, seconds: float, shift_s: float = 0.0
) -> None:
    """Every value alike to within a tolerance by its unit; the same is null, kinds, verdicts and flags are equal."""
    first, second = sure(first, second)
    for column in ("kind", "chest_verdict", "block"):
        assert first[column].tolist() == second[column].tolist(), column
    assert [list(flags) for flags in first["flags"]] == [list(flags) for flags in second["flags"]]
    by_unit = {"°": degrees, "°/s": dps, "s": seconds, "1": 0.02, "P": 0.02}
    for measure in MEASURES:
        np.testing.assert_allclose(
            first[measure.name], second[measure.name], atol=by_unit[measure.unit], rtol=0.0, err_msg=measure.name
        )
    for moment in MOMENTS:
        np.testing.assert_allclose(first[moment] - shift_s, second[moment], atol=seconds, rtol=0.0, err_msg=moment)


@SLOW
@given(st.integers(0, 2**32 - 1))
def test_turning_every_sensor_in_its_mount_changes_nothing(seed: int) -> None:
    # Found moments of impact may differ by what 0.5 ms and rounding do: at 3000 °/s² of the chest, 2 °/s.
    recording = recorded()
    matrices = Rotation.random(len(recording.sensors), random_state=seed).as_matrix()
    again = analyze(turned(recording, dict(zip(recording.sensors, matrices, strict=True))))
    assert_alike(analyzed().swings, again.swings, degrees=0.15, dps=2.0, seconds=0.001)


def test_a_mirrored_golfer_who_leads_with_the_other_side_has_the_same_measures() -> None:
    # Signs mean the same for every golfer (the contract of the measures). Nothing is drawn anew, so that only rounding
    # is left; the orientation filter's own drift of heading may differ by thousandths of a degree.
    recording = recorded()
    mirror = np.diag([1.0, 1.0, -1.0])
    again = analyze(turned(recording, dict.fromkeys(recording.sensors, mirror), lead_side="right"))
    assert_alike(analyzed().swings, again.swings, degrees=0.01, dps=0.01, seconds=1e-4)


@pytest.mark.parametrize("cut_s", [1.0, 2.0])
def test_a_later_start_shifts_moments_and_nothing_else(cut_s: float) -> None:
    # What is normal for a session is learnt from less of it, which may move an impact, known to some 10 ms, by 2 ms: at
    # 250 °/s and 3000 °/s² of the chest 0.5° and 6 °/s.
    recording = recorded()
    sensors = {}
    for point, stream in recording.sensors.items():
        kept = stream.time >= cut_s - 1e-9
        time = stream.time[kept]
        sensors[point] = replace(stream, time=time - time[0], gyr=stream.gyr[kept], acc=stream.acc[kept])
    events = tuple(replace(event, onset=event.onset - cut_s) for event in recording.events)
    again = analyze(replace(recording, sensors=sensors, events=events))
    assert_alike(analyzed().swings, again.swings, degrees=0.5, dps=6.0, seconds=0.002, shift_s=cut_s)


@pytest.mark.parametrize("rate", [100.0, 400.0])
def test_another_rate_changes_no_measure_beyond_its_standard_error(rate: float) -> None:
    # The same motion sampled otherwise: what the body does is the same, and so is the routine's error, which the
    # standard errors hold too.
    one, other = sure(analyzed().swings, analyzed(rate).swings)
    assert one["kind"].tolist() == other["kind"].tolist()
    for measure in MEASURES:
        if not measure.has_se or one[measure.name].isna().all():
            continue
        limit = 0.7 * np.hypot(one[measure.se_name], other[measure.se_name])
        if "impact" in measure.name or measure.name in ("downswing_s", "tempo_ratio"):
            limit = 2.0 * np.hypot(one[measure.se_name], other[measure.se_name])  # an impact is found anew at each rate
        off = np.abs(one[measure.name] - other[measure.name])
        assert np.all(off <= limit), f"{measure.name}: {off.tolist()} over {limit.tolist()}"


# --- Missing sensors --------------------------------------------------------------------------------------------------

WORN = (
    ("chest",),
    ("lead_forearm",),
    ("lead_hand",),
    ("chest", "lead_forearm"),
    ("chest", "lead_hand"),
    ("lead_forearm", "lead_hand"),
)


@cache
def with_only(worn: tuple[str, ...]) -> Lesson:
    recording = recorded()
    return analyze(replace(recording, sensors={point: recording.sensors[point] for point in worn}))


@pytest.mark.parametrize("worn", WORN, ids="+".join)
def test_what_is_not_worn_is_null_and_nothing_fails(worn: tuple[str, ...]) -> None:
    swings = with_only(worn).swings
    if (
        "lead_hand" not in worn or "lead_forearm" in worn
    ):  # a hand alone may miss short swings, and says nothing of them
        assert len(swings) == len(analyzed().swings)
    for measure in MEASURES:
        if set(measure.needs) <= set(worn) and measure.unit != "P":
            assert swings[measure.name].notna().all(), measure.name
        else:
            assert swings[measure.name].isna().all(), measure.name
            assert not measure.has_se or swings[measure.se_name].isna().all(), measure.se_name
    assert swings["chest_verdict"].notna().all() == ("chest" in worn)
    for moment in MOMENTS:
        assert swings[moment].notna().all()
        assert (swings[f"{moment}_se"] > 0.0).all()


@pytest.mark.parametrize("worn", WORN, ids="+".join)
def test_flags_say_where_the_moments_come_from(worn: tuple[str, ...]) -> None:
    # The contract: from the chest's own turn, `events_from_chest`; the forearm is what moments are defined by.
    flags = [list(row) for row in with_only(worn).swings["flags"]]
    told = {flag for row in flags for flag in row if flag.startswith("events_from")}
    leads = "lead_forearm" if "lead_forearm" in worn else "lead_hand" if "lead_hand" in worn else "chest"
    wanted = {"lead_forearm": set(), "lead_hand": {"events_from_hand"}, "chest": {"events_from_chest"}}[leads]
    assert told == wanted


@pytest.mark.parametrize("worn", [("chest", "lead_forearm"), ("lead_forearm", "lead_hand")], ids="+".join)
def test_leaving_a_sensor_off_leaves_the_others_measures(worn: tuple[str, ...]) -> None:
    # The moments come from the forearm in both, except that impacts are sought in every sensor's shocks.
    one, other = sure(analyzed().swings, with_only(worn).swings)
    for measure in MEASURES:
        if not set(measure.needs) <= set(worn) or not measure.has_se or one[measure.name].isna().all():
            continue
        off = np.abs(one[measure.name] - other[measure.name])
        assert np.all(off <= 1.5 * one[measure.se_name]), measure.name


# --- Curves and rows --------------------------------------------------------------------------------------------------

AT_IMPACT = {
    "chest_turn_rate_dps": "chest_turn_rate_impact_dps",
    "chest_turn_deg": "chest_turn_impact_deg",
    "shoulder_tilt_deg": "shoulder_tilt_impact_deg",
    "chest_lean_deg": "chest_lean_impact_deg",
    "wrist_flexion_deg": "wrist_flexion_impact_deg",
    "wrist_ulnar_deg": "wrist_ulnar_impact_deg",
}


def test_curves_pass_through_the_rows_values_at_impact() -> None:
    lesson = analyzed()
    for _, row in lesson.swings.iterrows():
        curve = lesson.curves[lesson.curves["swing"] == row["swing"]]
        impact = curve[curve["time_s"] == 0.0]
        assert len(impact) == 1
        for name, column in AT_IMPACT.items():
            assert impact[name].iloc[0] == pytest.approx(row[column], abs=1e-9), name


def test_curves_are_flat_to_the_rows_values_at_the_top() -> None:
    # Read between samples of the curve: to what half a sample moves.
    lesson = analyzed()
    columns = {
        "chest_turn_deg": "chest_turn_top_deg",
        "arm_height_deg": "arm_height_top_deg",
        "wrist_flexion_deg": "wrist_flexion_top_deg",
    }
    for _, row in lesson.swings.iterrows():
        curve = lesson.curves[lesson.curves["swing"] == row["swing"]]
        at = row["top_s"] - row["impact_s"]
        for name, column in columns.items():
            assert np.interp(at, curve["time_s"], curve[name]) == pytest.approx(row[column], abs=0.05), name


def test_curves_run_from_before_takeaway_to_after_finish() -> None:
    # The contract: from 0.5 s before takeaway to 0.5 s after finish, on even steps; here nothing cuts them short.
    lesson = analyzed()
    for _, row in lesson.swings.iterrows():
        time = lesson.curves[lesson.curves["swing"] == row["swing"]]["time_s"].to_numpy()
        step = 1.0 / 200.0
        np.testing.assert_allclose(np.diff(time), step, rtol=1e-3)
        assert time[0] == pytest.approx(row["takeaway_s"] - row["impact_s"] - 0.5, abs=1.5 * step)
        assert time[-1] == pytest.approx(row["finish_s"] - row["impact_s"] + 0.5, abs=1.5 * step)


# --- Headings ---------------------------------------------------------------------------------------------------------


def one_swing(headings: dict[str, float], common: float = 0.0) -> SwingMotion:
    """A made-up swing of three segments, each on a heading of its own that its tie, or nobody, knows."""
    time = np.arange(1000) / 200.0
    wave = np.sin(np.pi * np.clip(time - 1.5, 0.0, 2.0) / 2.0) ** 2
    shapes = {
        "chest": (-35.0, 8.0, -60.0),
        "lead_forearm": (60.0, 30.0, 40.0),
        "lead_hand": (75.0, 45.0, 40.0),
    }
    segments = {}
    for point, (about_z, about_x, about_y) in shapes.items():
        angles = np.stack((about_z * (0.5 + 0.5 * wave), about_x + 10.0 * wave, about_y * wave), axis=1)
        upright = Rotation.from_matrix([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
        segment = make_segment(point, upright * Rotation.from_euler("ZXY", angles, degrees=True))
        segments[point] = segment.turned_about_vertical(headings.get(point, 0.0) + common)
    when = Moments(
        address=1.4,
        takeaway=1.6,
        top=2.5,
        impact=3.0,
        finish=3.6,
        takeaway_se=0.01,
        top_se=0.01,
        impact_se=0.002,
        finish_se=0.05,
    )
    tie = Tie(angle=0.0, forearm_error=np.zeros(3), hand_error=np.zeros(3), covariance=np.eye(7) * 1e-4)
    return SwingMotion(segments=segments, moments=when, tie=tie)


@settings(max_examples=15, deadline=None)
@given(
    common=st.floats(-3.2, 3.2),
    chest=st.floats(-3.2, 3.2),
    side=st.sampled_from(["left", "right"]),
)
def test_where_north_is_does_not_matter(common: float, chest: float, side: LeadSide) -> None:
    # Without a magnetometer the earth's heading is arbitrary, and the chest's has nothing to do with the arm's.
    swings = [one_swing({}), one_swing({"chest": chest}, common)]
    first, second = measure_swings(swings, lead_side=side, settings=MeasureSettings())
    assert first.flags == second.flags
    assert first.row.keys() == second.row.keys()
    for name, value in first.row.items():
        assert second.row[name] == (pytest.approx(value, abs=1e-5) if isinstance(value, float) else value), name
