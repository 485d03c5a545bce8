"""Tying the headings of forearm and hand: the wrist bends and deviates but hardly turns about its long axis.

Without a magnetometer each sensor has a heading of its own. The wrist's two degrees of freedom leave one equation a
sample for the difference: the forearm's flexion axis z and the hand's palmar axis x stay at right angles (Laidig,
Müller & Seel 2017, IEEE Sensors, doi 10.1109/ICSENS.2017.8233961 from memory; Laidig, Lehmann, Bégin & Seel 2019, EMBC).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.body.definitions import X_AXIS, Z_AXIS
from imuswing.body.segments import SegmentMotion
from imuswing.orientation.quaternion import FloatArray, exp, inverse, multiply, rotate, slerp

TURN_SD = np.deg2rad(4.0)
"""How far wrist and skin let the hand turn about the forearm's long axis all the same (an assumption)."""
WEAKEST = 0.15
"""Mean sensitivity under which the constraint says nothing: both long axes are then level."""


@dataclass(frozen=True, kw_only=True)
class Tie:
    """Heading of the forearm's earth frame against the hand's: turn the hand by `angle` rad about the vertical.

    from_forearm, from_hand: (3,) change of the angle per rad of alignment error in segment axes.
    sd: rad, what the constraint itself leaves open.
    """

    angle: float
    from_forearm: FloatArray
    from_hand: FloatArray
    sd: float


def tie_headings(forearm: SegmentMotion, hand: SegmentMotion, *, start: float, end: float) -> Tie | None:
    """The difference of headings that the wrist's motion between start and end (s) asks for; None where it cannot tell.

    Both motions keep one heading of their own through the swing.
    """
    inside = (forearm.time >= start) & (forearm.time <= end) & ~forearm.unusable
    time = forearm.time[inside]
    if len(time) < 8:
        return None
    q_forearm = forearm.q[inside]
    q_hand = slerp(hand.q, hand.time, time)
    angle = _first_guess(q_forearm[: max(len(time) // 4, 1)], q_hand[: max(len(time) // 4, 1)])
    z = rotate(q_forearm, Z_AXIS)
    for _ in range(5):
        x = rotate(multiply(exp(np.array([0.0, 0.0, angle])), q_hand), X_AXIS)
        residual = np.sum(z * x, axis=1)
        slope = z[:, 1] * x[:, 0] - z[:, 0] * x[:, 1]
        strength = float(np.sum(slope**2))
        if strength < len(time) * WEAKEST**2:
            return None
        angle -= float(np.sum(slope * residual)) / strength
    tied = multiply(exp(np.array([0.0, 0.0, angle])), q_hand)
    x_in_forearm = rotate(multiply(inverse(q_forearm), tied), X_AXIS)
    z_in_hand = rotate(multiply(inverse(tied), q_forearm), Z_AXIS)
    from_forearm = -(slope @ np.cross(Z_AXIS, x_in_forearm)) / strength
    from_hand = -(slope @ np.cross(X_AXIS, z_in_hand)) / strength
    sd = TURN_SD * float(np.mean(np.abs(slope))) / (strength / len(time))
    return Tie(angle=float(angle), from_forearm=from_forearm, from_hand=from_hand, sd=float(sd))


def _first_guess(q_forearm: FloatArray, q_hand: FloatArray) -> float:
    """Turn about the vertical that brings the hand nearest to the forearm: the twist of the difference."""
    difference = multiply(q_forearm, inverse(q_hand))
    w, z = difference[:, 0], difference[:, 3]
    return float(2.0 * np.arctan2(np.sum(z * np.sign(w)), np.sum(np.abs(w))))
