"""The heading between forearm and hand from the acceleration of the wrist's centre."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imuswing.body.joint_centre import Swing, Ways, fit_joint
from imuswing.orientation.quaternion import FloatArray

WAY_FROM_FOREARM = np.array([0.02, -0.05, 0.0])
WAY_FROM_HAND = np.array([0.015, 0.06, 0.0])
"""m, from a sensor just above the wrist, or on the back of the hand, to the wrist's centre, in segment axes."""
WAY_SD = 0.04


def headings_from_wrist_centre(swings: Sequence[Swing], guesses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heading of the forearm against the hand (K,) in rad near `guesses` (K,), and its standard deviation (K,).

    swings: forearm, hand, time of top and of impact (s). NaN and infinity where the samples cannot be used.
    """
    angles, sds = np.full(len(swings), np.nan), np.full(len(swings), np.inf)
    fitted = fit_joint(swings, guesses, Ways.expected(WAY_FROM_FOREARM, WAY_FROM_HAND, np.full(6, WAY_SD)))
    if fitted is not None:
        angles[fitted.used], sds[fitted.used] = fitted.heading, fitted.heading_sd
    return angles, sds
