"""True moments and measures, searched again by brute force with numpy and scipy alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate import Truth, errors_of, simulate_recording
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

CASES = [("chip", "left"), ("full", "right"), ("pitch", "right")]


@pytest.fixture(scope="module", params=CASES, ids=lambda case: "-".join(case))
def truth(request: pytest.FixtureRequest) -> Truth:
    task, side = request.param
    return simulate_recording(
        seed=21, task=task, shots=5, lead_side=side, errors=errors_of("ideal", stillness=1.0), routine=False
    )[1]


def turned(truth: Truth, segment: str, time: FloatArray) -> Rotation:
    return Rotation.from_quat(truth.body.segments(time, segment)[segment].q, scalar_first=True)


def long_axis(truth: Truth, time: FloatArray) -> FloatArray:
    return np.asarray(turned(truth, LEAD_FOREARM, time).apply([0.0, -1.0, 0.0]))


def test_moments_come_in_order_and_swings_do_not_overlap(truth: Truth) -> None:
    end = -np.inf
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        assert end < mark.still < when.address < when.takeaway < when.top < when.impact < when.finish <= mark.end
        end = mark.end
    for name, start, stop in truth.score.others:
        for when in truth.moments:
            assert stop < when.address or start > when.impact, name


def test_the_top_is_farthest_and_a_practice_impact_nearest(truth: Truth) -> None:
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        address = long_axis(truth, np.array([when.address]))[0]
        before = np.arange(when.takeaway, when.impact, 2e-4)
        arc = np.arccos(np.clip(long_axis(truth, before) @ address, -1.0, 1.0))
        assert before[np.argmax(arc)] == pytest.approx(when.top, abs=1e-3)
        if mark.kind == "practice":
            after = np.arange(when.top, mark.end, 2e-4)
            back = np.arccos(np.clip(long_axis(truth, after) @ address, -1.0, 1.0))
            assert after[np.argmin(back)] == pytest.approx(when.impact, abs=1e-3)


def test_the_takeaway_is_the_last_rise_through_five_percent(truth: Truth) -> None:
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        step = 1e-3
        time = np.arange(mark.still, when.top, step)
        # Speed of the direction by differences, not from the angular velocity.
        speed = np.linalg.norm(long_axis(truth, time + step / 2) - long_axis(truth, time - step / 2), axis=1) / step
        peak = int(np.argmax(speed))
        slow = np.flatnonzero(speed[:peak] < 0.05 * speed[peak])
        assert time[slow[-1]] == pytest.approx(when.takeaway, abs=2e-3)


def test_shots_are_struck_when_the_shock_starts(truth: Truth) -> None:
    hits = [shock.time for shock in truth.score.shocks if shock.at == "hand"]
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        if mark.kind == "shot":
            assert when.impact == mark.impact
            assert min(abs(hit - when.impact) for hit in hits) < 1e-9


def test_measures_are_those_of_the_definitions_worked_out_with_scipy(truth: Truth) -> None:
    # Rotation.as_euler("ZXY") and plain vector algebra on the true orientations.
    side: LeadSide = truth.body.lead_side
    sign = 1.0 if side == "left" else -1.0
    for when, row in zip(truth.moments, truth.swings.to_dict("records"), strict=True):
        times = when.of_postures
        for segment, name in ((CHEST, "chest"), (PELVIS, "pelvis")):
            trunk = turned(truth, segment, times)
            turn = sign * (trunk[0].inv() * trunk).as_euler("ZXY", degrees=True)[:, 2]
            assert row[f"{name}_turn_top_deg"] == pytest.approx(turn[1], abs=1e-6)
            assert row[f"{name}_turn_impact_deg"] == pytest.approx(turn[2], abs=1e-6)
        chest = turned(truth, CHEST, times)
        to_lead = chest.apply([0.0, 0.0, -sign])
        tilt = np.degrees(np.arcsin(to_lead[:, 2]))
        assert row["shoulder_tilt_address_deg"] == pytest.approx(tilt[0], abs=1e-6)
        assert row["shoulder_tilt_impact_deg"] == pytest.approx(tilt[2], abs=1e-6)
        line = np.array([to_lead[0, 0], to_lead[0, 1], 0.0])
        lean = np.degrees(np.arcsin(chest.apply([0.0, 1.0, 0.0]) @ (line / np.linalg.norm(line))))
        assert row["chest_lean_impact_deg"] == pytest.approx(lean[2], abs=1e-6)
        wrist = turned(truth, LEAD_FOREARM, times).inv() * turned(truth, LEAD_HAND, times)
        angles = wrist.as_euler("ZXY", degrees=True)
        for index, moment in enumerate(("address", "top", "impact")):
            assert row[f"wrist_flexion_{moment}_deg"] == pytest.approx(angles[index, 0], abs=1e-6)
            assert row[f"wrist_ulnar_{moment}_deg"] == pytest.approx(-sign * angles[index, 1], abs=1e-6)
        axis = long_axis(truth, times)
        assert row["arm_height_top_deg"] == pytest.approx(np.degrees(np.arcsin(axis[1, 2])), abs=1e-6)
        assert row["backswing_arc_deg"] == pytest.approx(np.degrees(np.arccos(axis[0] @ axis[1])), abs=1e-5)


def test_rates_are_derivatives_of_the_angles(truth: Truth) -> None:
    step = 1e-4
    sign = 1.0 if truth.body.lead_side == "left" else -1.0
    for when, row in zip(truth.moments, truth.swings.to_dict("records"), strict=True):

        def rate(time: FloatArray) -> FloatArray:
            before, after = turned(truth, CHEST, time - step), turned(truth, CHEST, time + step)
            return sign * np.degrees((before.inv() * after).as_rotvec()[:, 1]) / (2.0 * step)

        assert row["chest_turn_rate_impact_dps"] == pytest.approx(rate(np.array([when.impact]))[0], abs=0.01)
        peak = rate(np.arange(when.top, when.impact, 5e-4)).max()
        slowest = rate(np.arange(when.impact - 0.05, when.impact + 0.15, 5e-4)).min()
        assert row["chest_turn_rate_peak_dps"] == pytest.approx(peak, rel=1e-3, abs=0.2)
        assert row["chest_turn_rate_min_dps"] == pytest.approx(slowest, rel=1e-3, abs=0.2)
        assert row["chest_continuity"] == pytest.approx(slowest / peak, abs=2e-3)
        around = np.array([when.impact - step, when.impact + step])
        tilt = np.degrees(np.arcsin(turned(truth, CHEST, around).apply([0.0, 0.0, -sign])[:, 2]))
        assert row["shoulder_tilt_rate_impact_dps"] == pytest.approx((tilt[1] - tilt[0]) / (2.0 * step), abs=0.05)


def test_top_position_is_told_on_the_students_own_full_top() -> None:
    # By hand: the mean over baseline shots of task full is 4 by definition.
    _, truth = simulate_recording(seed=2, task="full", shots=9, routine=False)
    baseline = truth.swings[(truth.swings["block"] == "baseline") & (truth.swings["kind"] == "shot")]
    assert baseline["top_position"].mean() == pytest.approx(4.0)
    _, chips = simulate_recording(seed=2, task="chip", shots=2, routine=False)
    assert chips.swings["top_position"].isna().all()
