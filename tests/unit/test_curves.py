"""Curves of several swings at once, against movements whose angles are known by hand."""

from __future__ import annotations

import numpy as np
from motions_for_tests import UPRIGHT_TRUNK, make_segment
from scipy.spatial.transform import Rotation

from imuswing.body.segments import SegmentMotion
from imuswing.body.tie import Tie
from imuswing.measures.curves import swing_curves
from imuswing.measures.pose import SwingMotion
from imuswing.measures.rates import RateSettings, smooth_rates
from imuswing.recording.model import FloatArray
from imuswing.swings.events import Moments

TIE = Tie(angle=0.0, forearm_error=np.zeros(3), hand_error=np.zeros(3), covariance=np.eye(7) * 1e-4)


def when(impact: float) -> Moments:
    return Moments(
        address=impact - 1.6,
        takeaway=impact - 1.4025,
        top=impact - 0.5,
        impact=impact,
        finish=impact + 0.6025,
        takeaway_se=0.01,
        top_se=0.01,
        impact_se=0.002,
        finish_se=0.05,
    )


def turning(point: str, axis: str, angle_deg: FloatArray, omega_dps: float = 0.0) -> SegmentMotion:
    omega = np.zeros((len(angle_deg), 3))
    omega[:, 1] = np.radians(omega_dps)
    return make_segment(point, UPRIGHT_TRUNK * Rotation.from_euler(axis, angle_deg[:, None], degrees=True), omega=omega)


def test_curves_of_different_swings_at_once_are_those_of_their_movements() -> None:
    # By hand. A chest that turns by 150 °/s about its upright long axis: the angle since address goes on past half a
    # turn, its side axis stays level. An arm that hangs straight down at 0° about Z is level at 90°;
    # a hand bent by 20° about Z of the forearm is flexed by that much (Wu et al. 2005, Z-X-Y).
    time = np.arange(1000) / 200.0
    chest = turning("chest", "Y", 150.0 * time, 150.0)
    arm, hand = turning("lead_forearm", "Z", 20.0 * time + 30.0), turning("lead_hand", "Z", 20.0 * time + 50.0)
    swings = [
        SwingMotion(segments={"chest": chest, "lead_forearm": arm, "lead_hand": hand}, moments=when(3.0), tie=TIE),
        SwingMotion(segments={"lead_forearm": arm, "lead_hand": hand}, moments=when(2.7), tie=None),
        SwingMotion(segments={"chest": chest}, moments=when(4.1975), tie=None),
    ]
    rates = [
        {"chest": smooth_rates(chest, lead_side="left", settings=RateSettings())} if "chest" in swing.segments else {}
        for swing in swings
    ]
    whole, arm_only, chest_only = swing_curves(swings, rates, lead_side="left")
    assert "chest_turn_deg" not in arm_only
    assert "wrist_flexion_deg" not in arm_only
    assert "arm_height_deg" not in chest_only
    # From 1.9 s before impact to 1.1 s after it, or to the end of the data, 0.795 s after.
    for curves, swing, last in zip((whole, arm_only, chest_only), swings, (1.1, 1.1, 0.795), strict=True):
        at, impact = curves["time_s"], swing.moments.impact
        np.testing.assert_allclose((at[0], at[-1]), (-1.9, last), atol=1e-9)
        if "chest" in swing.segments:
            np.testing.assert_allclose(curves["chest_turn_deg"], 150.0 * (at + 1.6), atol=1e-6)
            np.testing.assert_allclose(curves["chest_turn_rate_dps"], 150.0, atol=1e-6)
            np.testing.assert_allclose(curves["shoulder_tilt_deg"], 0.0, atol=1e-6)
            np.testing.assert_allclose(curves["chest_lean_deg"], 0.0, atol=1e-6)
        if "lead_forearm" in swing.segments:
            np.testing.assert_allclose(curves["arm_height_deg"], 20.0 * (at + impact) - 60.0, atol=1e-6)
    np.testing.assert_allclose(whole["wrist_flexion_deg"], 20.0, atol=1e-6)
    np.testing.assert_allclose(whole["wrist_ulnar_deg"], 0.0, atol=1e-6)
