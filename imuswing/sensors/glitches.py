"""Single rows that hold wrong numbers, as a bad radio link or a broken cable leaves them."""

from __future__ import annotations

import numpy as np

from imuswing.orientation.quaternion import length
from imuswing.recording.model import BoolArray, FloatArray
from imuswing.sensors.settings import SensorSettings


def glitched_rows(gyr: FloatArray, *, settings: SensorSettings) -> BoolArray:
    """Rows (N,) at which the angular velocity (N, 3), rad/s, jumps and at once jumps back to where it came from.

    The lines through the two rows before and through the two after a wrong row meet, and a smooth curve through all
    four (the cubic's value in their middle) passes far from it. A shock rings on, so that its lines mostly do
    not meet; where they do, a row of a ring that turns nothing for good is bridged.
    """
    found = np.zeros(len(gyr), np.bool_)
    limit = np.radians(settings.glitch_dps)
    jumps = np.zeros(max(len(gyr) - 1, 0), np.bool_)
    for axis in range(3):
        # Of a vector's length at least the 1/√3 lies along one axis.
        jumps |= np.abs(np.diff(gyr[:, axis])) > 0.5 * limit
    at = np.flatnonzero(jumps[1:-2] & jumps[2:-1]) + 2
    first, before, after, last = (gyr[at + k] for k in (-2, -1, 1, 2))
    off = length(gyr[at] - (4.0 * (before + after) - first - last) / 6.0)
    apart = length((2.0 * before - first) - (2.0 * after - last))
    found[at] = (off > limit) & (apart < settings.glitch_agree * off)
    return found
