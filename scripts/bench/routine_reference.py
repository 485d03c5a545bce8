"""The *routine* reference: true motion with its soft tissue, seen in axes that a plain reading of the routine gives.

No sensor error is in it, and event times are true; moments of the arm (for the tempo) are found on its own curves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bench import plain
from imuswing.body import definitions as body
from imuswing.orientation.quaternion import FloatArray, multiply, rotate
from imuswing.simulate.kinematics import SegmentMotion
from imuswing.simulate.lesson import Truth
from imuswing.simulate.measured import MeasuredSwing, measure
from imuswing.simulate.sensors import skin_motion
from imuswing.simulate.truth import TRUTH_STEP_S, find_moments
from imuswing.vocabulary import (
    BOW,
    CHEST,
    CLUB,
    CLUB_HANG,
    FOREARM_ROLL,
    LEAD_FOREARM,
    LEAD_HAND,
    LEAD_UPPER_ARM,
    PELVIS,
    STAND,
    TABLE,
    WRIST_BEND,
)

READ_STEP_S = 0.01
X, Y, Z = 0, 1, 2


def skin(truth: Truth, point: str, time: FloatArray) -> SegmentMotion:
    """Motion of the skin under a sensor, in axes that are the segment's but for the soft tissue."""
    return skin_motion(truth.body, point, truth.setups[point].strap, time)


class PlainRoutine:
    """Segment axes as each step of a routine gives them when it is read plainly, for the sensors that are worn."""

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self._steps = {name: (start, end) for name, start, end in truth.score.steps}
        self.q_skin_from_segment = {point: axes for point in truth.setups if (axes := self._axes(point)) is not None}
        self.wrist_tie = self._tie()

    def _read(self, point: str, step: str) -> SegmentMotion:
        start, end = self._steps[step]
        return skin(self._truth, point, np.arange(start, end, READ_STEP_S))

    def _up(self, point: str, step: str) -> FloatArray:
        return np.asarray(self._read(point, step).force.mean(axis=0))

    def _turning(self, point: str, step: str) -> FloatArray:
        return plain.main_axis(self._read(point, step).omega)

    def _axes(self, point: str) -> FloatArray | None:
        # Signs: the first bow turns the trunk about −Z, the first wrist bend (flexion) the hand about +Z, the first
        # roll (palm down: pronation) about +Y on a right limb and −Y on a left one.
        limb = -body.trunk_sign(self._truth.body.lead_side)
        if point in (CHEST, PELVIS):
            return plain.axes_from(self._up(point, STAND), Y, -self._turning(point, BOW), Z)
        if point == LEAD_FOREARM:
            return plain.axes_from(-self._up(point, TABLE), X, limb * self._turning(point, FOREARM_ROLL), Y)
        if point == LEAD_HAND:
            return plain.axes_from(-self._up(point, TABLE), X, self._turning(point, WRIST_BEND), Z)
        if point == CLUB and CLUB_HANG in self._steps:
            return plain.axes_from(self._up(point, CLUB_HANG), Y, np.array([1.0, 0.0, 0.0]), X)
        return None

    def _tie(self) -> FloatArray:
        """Turn of the hand's heading that makes its deviation zero in the table pose."""
        from scipy.optimize import brentq

        if LEAD_FOREARM not in self.q_skin_from_segment or LEAD_HAND not in self.q_skin_from_segment:
            return plain.heading_turn(0.0)
        start, end = self._steps[TABLE]
        middle = np.array([0.5 * (start + end)])
        forearm, hand = (
            multiply(skin(self._truth, point, middle).q, self.q_skin_from_segment[point])
            for point in (LEAD_FOREARM, LEAD_HAND)
        )

        def deviation(angle: float) -> float:
            turned = multiply(plain.heading_turn(angle), hand)
            return float(body.wrist_angles(forearm, turned, self._truth.body.lead_side)[1][0])

        return plain.heading_turn(float(brentq(deviation, -0.7, 0.7)))

    def seen(self, truth: Truth, point: str, time: FloatArray) -> SegmentMotion:
        """A segment of a recording of the same visit as this routine shows it, at times (N,) of that recording."""
        motion, axes = skin(truth, point, time), self.q_skin_from_segment[point]
        q = multiply(motion.q, axes)
        if point == LEAD_HAND:
            q = multiply(self.wrist_tie, q)
        back = axes * np.array([1.0, -1.0, -1.0, -1.0])
        return replace(motion, q=q, omega=rotate(back, motion.omega), alpha=rotate(back, motion.alpha))


def routine_swings(routine: PlainRoutine, truth: Truth) -> list[dict[str, float]]:
    """Measures of every swing of a recording as the routine shows them, at the true event times."""
    rows = []
    points = [point for point in routine.q_skin_from_segment if point != LEAD_UPPER_ARM]
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        time = np.arange(mark.still, mark.end, TRUTH_STEP_S)
        chest = routine.seen(truth, CHEST, time)
        swing = MeasuredSwing(
            lead_side=truth.body.lead_side,
            time=time,
            chest_omega=chest.omega,
            at={point: routine.seen(truth, point, when.of_postures) for point in points},
        )
        row = measure(swing, when)
        if LEAD_FOREARM in points:
            own = find_moments(routine.seen(truth, LEAD_FOREARM, time), chest, time, mark)
            row["backswing_s"], row["downswing_s"] = own.top - own.takeaway, own.impact - own.top
            row["tempo_ratio"] = row["backswing_s"] / row["downswing_s"]
        rows.append(row)
    return rows
