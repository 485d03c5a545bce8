"""Table poses and addresses made by hand, whose headings, alignment errors and wrist angles are known."""

from __future__ import annotations

import numpy as np
from motions_for_tests import PALM_DOWN, make_segment, rotation_of, scalar_first
from scipy.spatial.transform import Rotation

from imuswing.body.segments import ALIGNMENT, PARAMETERS, SegmentMotion
from imuswing.body.tie import TablePose, Tie, TieSettings, WristSwing
from imuswing.orientation.quaternion import FloatArray

SETTINGS = TieSettings()
FOREARM_SD = np.radians([2.3, 2.5, 1.7])
HAND_OWN_SD = np.radians([3.0, 1.6, 2.0])
HAND_FOLLOWS = np.diag([0.5, 0.6, 0.8])
HAND_SD = np.hypot(HAND_OWN_SD, HAND_FOLLOWS @ FOREARM_SD)
ACROSS = np.diag(FOREARM_SD**2) @ HAND_FOLLOWS
ARM = np.block([[np.diag(FOREARM_SD**2), ACROSS], [ACROSS.T, np.diag(HAND_SD**2)]])
"""A straight wrist takes the hand along where the forearm is not where it is thought to be."""
RATE = 50.0


def heading(angle: float) -> Rotation:
    return Rotation.from_rotvec([0.0, 0.0, angle])


def wrapped(angle: float) -> float:
    return float((angle + np.pi) % (2.0 * np.pi) - np.pi)


def still_segment(point: str, posture: Rotation, start: float, sd: FloatArray) -> SegmentMotion:
    """A segment that stands still for half a second, with alignment errors of the given SD; no quick part to use."""
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    covariance[ALIGNMENT, ALIGNMENT] = np.diag(sd**2)
    postures = Rotation.concatenate([posture] * 25)
    return make_segment(point, postures, rate=RATE, start=start, error_covariance=covariance)


def address_forearm(rng: np.random.Generator) -> Rotation:
    """A lead forearm about as at address, its heading anyhow: long axis about 35° off the vertical."""
    angles = np.array([30.0, 55.0, 20.0]) + 5.0 * rng.standard_normal(3)
    return heading(rng.uniform(-3.0, 3.0)) * Rotation.from_euler("ZXY", angles, degrees=True)


class Session:
    """A table pose and some addresses; all errors have the SD that `TieSettings` and `ARM` state, × size.

    angles: true tie of each swing.  true: forearm and hand of each swing in one earth frame.
    """

    def __init__(self, rng: np.random.Generator, *, size: float, swings: int = 6) -> None:
        draw = rng.standard_normal
        self.forearm_error = size * FOREARM_SD * draw(3)
        self.hand_error = HAND_FOLLOWS @ self.forearm_error + size * HAND_OWN_SD * draw(3)
        self.times = 60.0 + 40.0 * np.arange(swings)
        self.angles = []
        angle, before, turn = rng.uniform(-3.0, 3.0), 30.0, size * SETTINGS.shared_turn * draw()
        forearm = heading(rng.uniform(-3.0, 3.0)) * PALM_DOWN["left"]
        hand = heading(-angle) * heading(-size * SETTINGS.table_care * draw()) * forearm
        self.table = TablePose(q_forearm=self._f(forearm), q_hand=self._h(hand), time=before)
        self.swings = []
        self.true: list[tuple[Rotation, Rotation]] = []
        for time in self.times:
            gap = time - before
            sd = SETTINGS.step + float(np.hypot(SETTINGS.drift * gap, SETTINGS.walk * np.sqrt(gap)))
            angle, before = angle + size * sd * draw(), time
            self.angles.append(angle)
            bend = Rotation.from_euler(
                "ZXY",
                [
                    np.radians(-15 + 3 * draw()),
                    np.radians(20 + 3 * draw()),
                    turn + size * SETTINGS.address_turn * draw(),
                ],
            )
            forearm = address_forearm(rng)
            self.true.append((forearm, forearm * bend))
            self.swings.append(self._swing(forearm, heading(-angle) * forearm * bend, time))

    def _f(self, posture: Rotation) -> FloatArray:
        return scalar_first(posture * Rotation.from_rotvec(self.forearm_error))

    def _h(self, posture: Rotation) -> FloatArray:
        return scalar_first(posture * Rotation.from_rotvec(self.hand_error))

    def _swing(self, forearm: Rotation, hand: Rotation, time: float) -> WristSwing:
        return WristSwing(
            forearm=still_segment("lead_forearm", rotation_of(self._f(forearm)), time - 0.4, FOREARM_SD),
            hand=still_segment("lead_hand", rotation_of(self._h(hand)), time - 0.4, HAND_SD),
            address=time,
            top=time,
            impact=time,
        )

    def errors(self, tie: Tie, number: int) -> FloatArray:
        """Found minus true, as `Tie.covariance` is ordered."""
        angle = wrapped(tie.angle - self.angles[number])
        return np.array([angle, *(tie.forearm_error - self.forearm_error), *(tie.hand_error - self.hand_error)])
