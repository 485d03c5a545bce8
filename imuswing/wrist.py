"""Forearm and hand on one heading: what the tie needs of a lesson's swings, and the swings with it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imuswing.body.alignment import joint_covariance
from imuswing.body.calibrate import Calibration
from imuswing.body.tie import TablePose, Tie, WristSwing, tie_headings
from imuswing.cutting import Cut, Oriented
from imuswing.measures.pose import SwingMotion
from imuswing.orientation.quaternion import FloatArray, multiply
from imuswing.sensors.motion import turn_lost
from imuswing.settings import Settings
from imuswing.swings.events import Moments
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LeadSide


def tie_swings(
    oriented: Oriented,
    calibration: Calibration,
    cuts: Sequence[Cut],
    placed: Sequence[Moments],
    lead_side: LeadSide,
    settings: Settings,
) -> list[Tie | None]:
    """For each swing the tie of the hand's heading to the forearm's; None where there is no wrist or no tie."""
    addresses = np.array([moments.address for moments in placed])
    lost = wrist_turn_lost(oriented, addresses).tolist()
    wrists = [wrist_of(cut, moments, turn_lost=each) for cut, moments, each in zip(cuts, placed, lost, strict=True)]
    swings = [wrist for wrist in wrists if wrist is not None]
    arm = arm_errors(calibration)
    if arm is None:
        return [None] * len(cuts)
    table = table_pose(oriented, calibration)
    ties = iter(tie_headings(swings, table, arm, lead_side=lead_side, settings=settings.tie))
    return [None if wrist is None else next(ties) for wrist in wrists]


def wrist_turn_lost(oriented: Oriented, times: FloatArray) -> FloatArray:
    """(T,) rad² at times (T,) s: `WristSwing.turn_lost` since the start of the motions."""
    lost = np.zeros(len(times))
    for point in (LEAD_FOREARM, LEAD_HAND):
        if point in oriented.motions:
            lost += turn_lost(oriented.motions[point], times)
    return lost


def wrist_of(cut: Cut, moments: Moments, *, turn_lost: float) -> WristSwing | None:
    """What the tie needs of one swing; None without both sensors of the wrist and all their axes."""
    forearm, hand = cut.segments.get(LEAD_FOREARM), cut.segments.get(LEAD_HAND)
    if forearm is None or hand is None or not (all(forearm.axes_known) and all(hand.axes_known)):
        return None
    return WristSwing(
        forearm=forearm,
        hand=hand,
        address=moments.address,
        top=moments.top,
        impact=moments.impact,
        chest=cut.segments.get(CHEST),
        turn_lost=turn_lost,
    )


def arm_errors(calibration: Calibration) -> FloatArray | None:
    """(6, 6) rad², what the routine leaves open of the arm; None where it does not show both sensors' axes."""
    forearm, hand = (calibration.alignments.get(point) for point in (LEAD_FOREARM, LEAD_HAND))
    return None if forearm is None or hand is None else joint_covariance(forearm, hand)


def table_pose(oriented: Oriented, calibration: Calibration) -> TablePose | None:
    """Where this recording's own `table` step left forearm and hand; None without it."""
    if calibration.table_interval is None:
        return None
    middle = 0.5 * sum(calibration.table_interval)
    q = {}
    for point in (LEAD_FOREARM, LEAD_HAND):
        fitted = calibration.alignments.get(point)
        if fitted is None:
            return None
        motion = oriented.motions[point]
        index = int(np.clip(np.searchsorted(motion.time, middle), 0, len(motion.time) - 1))
        q[point] = multiply(oriented.coarse[point][index], fitted.q_sensor_from_segment)
    lost = float(wrist_turn_lost(oriented, np.array([middle]))[0])
    return TablePose(q_forearm=q[LEAD_FOREARM], q_hand=q[LEAD_HAND], time=middle, turn_lost=lost)


def tied_swing(cut: Cut, moments: Moments, tie: Tie | None) -> SwingMotion:
    """The swing's segments, forearm and hand on one heading where there is a tie to be believed."""
    segments = dict(cut.segments)
    if tie is None or tie.contradicts:
        return SwingMotion(segments=segments, moments=moments, tie=None)
    segments[LEAD_FOREARM] = segments[LEAD_FOREARM].realigned(tie.forearm_error)
    segments[LEAD_HAND] = segments[LEAD_HAND].turned_about_vertical(tie.angle).realigned(tie.hand_error)
    return SwingMotion(segments=segments, moments=moments, tie=tie)
