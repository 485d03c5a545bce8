"""Measures of one swing from postures and rates, by the definitions: of the truth, and of a bench's references."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.body import definitions as body
from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.kinematics import SegmentMotion
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

PEAK_FLOOR_DPS: Final = 30.0
STALLED_BELOW: Final = 0.4
TURNING_FROM: Final = 0.7
"""The limits of the chest's verdict (common practice, no source)."""

THROUGH_THE_BALL_S: Final = (-0.05, 0.15)
"""Where the slowest chest rate is looked for, from impact, s (the definition of the measure)."""


@dataclass(frozen=True, kw_only=True)
class Moments:
    """The moments of one swing, s on the timeline."""

    address: float
    takeaway: float
    top: float
    impact: float
    finish: float

    @property
    def of_postures(self) -> FloatArray:
        """The moments (3,) at which postures are told: address, top, impact."""
        return np.array([self.address, self.top, self.impact])


@dataclass(frozen=True, kw_only=True)
class MeasuredSwing:
    """What a swing's measures are made from.

    time: (N,) s.  chest_omega: (N, 3) rad/s in chest axes at those times.
    at: motion of the segments at address, top and impact (rows 0, 1, 2); measures of absent ones are left out.
    """

    lead_side: LeadSide
    time: FloatArray
    chest_omega: FloatArray
    at: dict[str, SegmentMotion]


def verdict(continuity: float) -> str:
    """The chest's verdict; a chest that hardly turned (continuity nan) is stalled."""
    if np.isnan(continuity) or continuity < STALLED_BELOW:
        return "stalled"
    return "turning" if continuity >= TURNING_FROM else "slowing"


def _chest(swing: MeasuredSwing, when: Moments) -> dict[str, FloatArray]:
    side, chest = swing.lead_side, swing.at[CHEST]
    rate = np.degrees(body.trunk_turn_rate(swing.chest_omega, side))
    first, last = np.searchsorted(swing.time, [when.top, when.impact])
    low, high = np.searchsorted(swing.time, [when.impact + part for part in THROUGH_THE_BALL_S])
    peak, slowest = np.max(rate[first : last + 1]), np.min(rate[low : high + 1])
    turn, tilt = body.trunk_turn(chest.q, chest.q[0], side), body.shoulder_tilt(chest.q, side)
    lean = body.chest_lean(chest.q, body.address_line(chest.q[0], side))
    return {
        "chest_turn_rate_impact_dps": np.degrees(body.trunk_turn_rate(chest.omega, side)[2]),
        "chest_turn_rate_peak_dps": peak,
        "chest_turn_rate_min_dps": slowest,
        "chest_continuity": slowest / peak if peak >= PEAK_FLOOR_DPS else np.array(np.nan),
        "chest_turn_top_deg": np.degrees(turn[1]),
        "chest_turn_impact_deg": np.degrees(turn[2]),
        "shoulder_tilt_address_deg": np.degrees(tilt[0]),
        "shoulder_tilt_impact_deg": np.degrees(tilt[2]),
        "shoulder_tilt_rate_impact_dps": np.degrees(body.shoulder_tilt_rate(chest.q, chest.omega, side)[2]),
        "chest_lean_address_deg": np.degrees(lean[0]),
        "chest_lean_impact_deg": np.degrees(lean[2]),
    }


def _pelvis(swing: MeasuredSwing) -> dict[str, FloatArray]:
    side, pelvis = swing.lead_side, swing.at[PELVIS]
    turn = np.degrees(body.trunk_turn(pelvis.q, pelvis.q[0], side))
    return {
        "pelvis_turn_top_deg": turn[1],
        "pelvis_turn_impact_deg": turn[2],
        "pelvis_turn_rate_impact_dps": np.degrees(body.trunk_turn_rate(pelvis.omega, side)[2]),
    }


def _arm(swing: MeasuredSwing, when: Moments) -> dict[str, FloatArray]:
    forearm = swing.at[LEAD_FOREARM]
    axis = body.long_axis(forearm.q)
    back, down = np.array(when.top - when.takeaway), np.array(when.impact - when.top)
    return {
        "backswing_arc_deg": np.degrees(body.great_circle(axis[0], axis[1])),
        "arm_height_top_deg": np.degrees(body.arm_height(forearm.q)[1]),
        "backswing_s": back,
        "downswing_s": down,
        "tempo_ratio": back / down,
    }


def _wrist(swing: MeasuredSwing) -> dict[str, FloatArray]:
    flexion, ulnar = body.wrist_angles(swing.at[LEAD_FOREARM].q, swing.at[LEAD_HAND].q, swing.lead_side)
    row = {}
    for index, moment in enumerate(("address", "top", "impact")):
        row[f"wrist_flexion_{moment}_deg"] = np.degrees(flexion[index])
        row[f"wrist_ulnar_{moment}_deg"] = np.degrees(ulnar[index])
    return row


def _club(swing: MeasuredSwing) -> dict[str, FloatArray]:
    lean = np.degrees(body.shaft_lean(swing.at[CLUB].q, body.address_line(swing.at[CHEST].q[0], swing.lead_side)))
    return {"shaft_lean_address_deg": lean[0], "shaft_lean_impact_deg": lean[2]}


def measure(swing: MeasuredSwing, when: Moments) -> dict[str, float]:
    """All measures by column that the segments in `swing.at` allow."""
    row = _chest(swing, when)
    if PELVIS in swing.at:
        row |= _pelvis(swing)
    if LEAD_FOREARM in swing.at:
        row |= _arm(swing, when)
    if LEAD_FOREARM in swing.at and LEAD_HAND in swing.at:
        row |= _wrist(swing)
    if CLUB in swing.at:
        row |= _club(swing)
    return {name: float(value) for name, value in row.items()}
