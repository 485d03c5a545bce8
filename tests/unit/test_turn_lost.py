"""What bridged stretches take from knowing where a sensor has turned to: sums by hand."""

from __future__ import annotations

import numpy as np
import pytest
from motions_for_tests import make_motion
from scipy.spatial.transform import Rotation

from imuswing.sensors.motion import turn_lost


def test_errors_add_up_within_a_gap_and_their_squares_over_gaps() -> None:
    # By hand, at 100 Hz: 20 samples whose error is 0.5 rad/s turn the sensor 0.1 rad wrong, one more of 3 rad/s 0.03.
    count, noise = 300, 0.01
    lost, clipped, se = np.zeros(count, bool), np.zeros(count, bool), np.full(count, noise)
    lost[100:120], se[100:120] = True, np.hypot(0.5, noise)
    clipped[200], se[200] = True, np.hypot(3.0, noise)
    motion = make_motion(
        "lead_hand",
        Rotation.from_rotvec(np.zeros((count, 3))),
        rate=100.0,
        lost=lost,
        clipped=clipped,
        gyr_se=se,
        gyr_noise=noise,
    )
    found = turn_lost(motion, np.array([-1.0, 0.9, 1.5, 2.5, 9.0]))
    assert found == pytest.approx([0.0, 0.0, 0.01, 0.0109, 0.0109])
