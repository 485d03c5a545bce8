"""The accuracy bench on cases that can be worked out by hand, and its references where there is nothing to err."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from bench import plain
from bench.routine_reference import PlainRoutine, routine_swings
from bench.run import _matched
from bench.score import _coverage, _f1, _logistic, _within, measures
from bench.sensor_reference import sensor_swings
from bench.targets import FIRST, unit_of

from imuswing.body import definitions as body
from imuswing.orientation.quaternion import FloatArray, rotate
from imuswing.simulate import errors_of, simulate_recording
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

POINTS = (CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, CLUB)


@pytest.mark.parametrize(("task", "side"), [("chip", "right"), ("full", "left")])
def test_an_ideal_routine_leaves_no_error(task: str, side: LeadSide) -> None:
    # With true axes, true motion and true times, the reference is the truth.
    _, truth = simulate_recording(seed=13, task=task, shots=2, lead_side=side, points=POINTS)
    rows = routine_swings(PlainRoutine(truth), truth)
    for row, true in zip(rows, truth.swings.to_dict("records"), strict=True):
        for name, value in row.items():
            assert value == pytest.approx(true[name], abs=2e-3), name


@pytest.mark.parametrize(("task", "side"), [("pitch", "left"), ("full", "right")])
def test_ideal_sensors_leave_next_to_no_error(task: str, side: LeadSide) -> None:
    # 0.02° over a swing is what strapdown from the still address leaves of an ideal sensor; rates suffer from the
    # 20 Hz smoothing, and the inclination from sway is switched off here.
    _recording, truth = simulate_recording(
        seed=13, task=task, shots=2, rate=400.0, lead_side=side, points=POINTS, errors=errors_of("ideal", shock=0.0)
    )
    rows = sensor_swings(_recording, truth)
    for row, true in zip(rows, truth.swings.to_dict("records"), strict=True):
        for name, value in row.items():
            allowed = {"dps": 15.0, "deg": 0.05, "1": 0.03, "s": 1e-9}[unit_of(name)]
            assert value == pytest.approx(true[name], abs=allowed), name


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_plain_reading_takes_the_persons_postures_at_their_word(side: LeadSide) -> None:
    # By definition of the reference: standing is upright, the table pose is flat and the wrist straight there,
    # whatever the person really did.
    sizes = errors_of("ideal", posture_deg=3.0, axis_deg=4.0, zero_deg=4.0)
    _, truth = simulate_recording(seed=14, task="full", shots=1, lead_side=side, errors=sizes)
    routine = PlainRoutine(truth)
    middle = {name: np.array([0.5 * (start + end)]) for name, start, end in truth.score.steps}

    def height(q: FloatArray, axis: FloatArray) -> float:
        return float(rotate(q, axis)[0, 2])

    stand, table = middle["stand"], middle["table"]
    chest, true_chest = routine.seen(truth, CHEST, stand).q, truth.body.segments(stand, CHEST)[CHEST].q
    assert height(chest, body.Y_AXIS) == pytest.approx(1.0, abs=1e-6)
    assert height(true_chest, body.Y_AXIS) < 0.9999
    forearm, hand = (routine.seen(truth, point, table).q for point in (LEAD_FOREARM, LEAD_HAND))
    assert height(forearm, body.X_AXIS) == pytest.approx(-1.0, abs=1e-6)
    assert body.wrist_angles(forearm, hand, side)[1][0] == pytest.approx(0.0, abs=1e-6)
    true = truth.body.segments(table, LEAD_FOREARM, LEAD_HAND)
    angles = np.degrees(body.wrist_angles(true[LEAD_FOREARM].q, true[LEAD_HAND].q, side))
    assert np.abs(angles).max() > 1.0


def test_axes_are_right_handed_and_first_things_first() -> None:
    q = plain.axes_from(np.array([0.0, 2.0, 0.0]), 1, np.array([0.1, 0.3, 5.0]), 2)
    from scipy.spatial.transform import Rotation

    matrix = Rotation.from_quat(q, scalar_first=True).as_matrix()
    np.testing.assert_allclose(matrix[:, 1], [0.0, 1.0, 0.0], atol=1e-12)
    assert matrix[2, 2] > 0.99
    assert np.linalg.det(matrix) == pytest.approx(1.0)


def test_the_main_axis_has_the_sign_of_the_first_movement() -> None:
    time = np.arange(0.0, 10.0, 0.01)
    axis = np.array([0.6, 0.0, -0.8])
    for sign in (1.0, -1.0):
        omega = sign * np.sin(2.0 * np.pi * 0.5 * time)[:, None] * axis
        np.testing.assert_allclose(plain.main_axis(omega), sign * axis, atol=1e-9)


def test_levelling_keeps_the_heading() -> None:
    from scipy.spatial.transform import Rotation

    true = Rotation.from_euler("ZXY", [50.0, 10.0, -20.0], degrees=True)
    off = Rotation.from_rotvec([0.03, -0.02, 0.0]) * true
    up = true.inv().apply([0.0, 0.0, 9.8])
    found = plain.levelled(np.asarray(off.as_quat(scalar_first=True)), up)
    assert np.degrees((Rotation.from_quat(found, scalar_first=True).inv() * true).magnitude()) < 0.02


def test_swings_are_matched_to_the_nearest_of_the_same_task() -> None:
    true = pd.DataFrame({"task": ["chip", "chip", "full"], "impact_s": [10.0, 12.0, 10.0]})
    found = pd.DataFrame({"task": ["chip", "chip", "full", "chip"], "impact_s": [12.1, 10.02, 30.0, 10.2]})
    assert sorted(_matched(true, found)) == [(0, 1), (1, 0)]
    assert _matched(true, None) == []


def test_scores_by_hand() -> None:
    true, told = np.array([True, True, False, False]), np.array([True, False, True, False])
    assert _f1(true, told) == pytest.approx(0.5)
    # Golfer 1 errs by 2 and 4, golfer 2 by −1 and −1: around their means 1, 1, 0, 0.
    assert _within(np.array([2.0, 4.0, -1.0, -1.0]), np.array([1, 1, 2, 2])) == pytest.approx(np.sqrt(0.5))
    share = _coverage(np.array([1.0, 1.0, 0.0, 1.0]), np.array([1, 1, 2, 2]), np.random.default_rng(0))
    assert share["coverage"] == 0.75
    assert share["coverage_by_golfer"] == {1: 1.0, 2: 0.5}
    assert (share["coverage_low"], share["coverage_high"]) == (0.5, 1.0)


def test_a_calibrated_probability_needs_no_recalibration() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0.0, 2.0, 4000)
    y = (rng.random(4000) < 1.0 / (1.0 + np.exp(-x))).astype(float)
    intercept, slope = _logistic(x, y)
    assert intercept == pytest.approx(0.0, abs=0.15)
    assert slope == pytest.approx(1.0, abs=0.1)
    sharper = _logistic(2.0 * x, y)  # told too sure
    assert sharper[1] == pytest.approx(0.5, abs=0.05)


def test_a_measure_is_held_against_its_reference() -> None:
    rows = pd.DataFrame(
        {
            "golfer": [1, 1, 2, 2],
            "found": True,
            "chest_turn_top_deg": [-60.0, -62.0, -40.0, -44.0],
            "chest_turn_top_deg_found": [-57.0, -59.0, -37.0, -41.0],
            "chest_turn_top_deg_se_found": [1.0, 2.0, 2.0, 1.0],
            "chest_turn_top_deg_routine": [-58.0, -60.0, -42.0, -46.0],
            "chest_turn_top_deg_sensor": [-60.0, -62.0, -40.0, -44.0],
        }
    )
    (row,) = (row for row in measures(rows, FIRST) if row["name"] == "chest_turn_top_deg")
    assert row["value"] == pytest.approx(3.0)
    assert row["bias"] == pytest.approx(3.0)
    assert row["within"] == pytest.approx(0.0)
    assert row["routine"] == pytest.approx(2.0)
    assert row["limit"] == pytest.approx(3.0)  # the larger of 1.5 · 2 and 2 + 1
    assert row["met"]
    assert row["coverage"] == pytest.approx(0.5)
    assert not row["coverage_met"]
