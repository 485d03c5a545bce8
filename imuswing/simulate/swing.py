"""One swing as smooth curves of the body's coordinates, from a plan of key values.

The forearm's direction is planned in the golfer's frame (elevation, and azimuth from straight ahead towards the trail
side), the chest's turn by its rate through the ball; the shoulder's angles follow from both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.timeline import STEP_S, smooth_step


@dataclass(frozen=True, kw_only=True)
class Direction:
    """Where a forearm points: elevation above the horizontal and azimuth towards the trail side, rad."""

    elevation: float
    azimuth: float


@dataclass(frozen=True, kw_only=True)
class Key:
    """Values of one coordinate at address, top, impact, just after the release, and finish, rad or m."""

    address: float
    top: float
    impact: float
    after: float
    finish: float


@dataclass(frozen=True, kw_only=True)
class SwingPlan:
    """All that shapes one swing, for a golfer who leads with the left side; angles rad, times s.

    arm: forearm direction at address, top, impact and finish.  keys: the coordinates that are planned one by one.
    chest_turn_address: where the chest faces at address; chest_turn_top, chest_turn_impact: turn since then.  chest_lead_s: how long before the arm's top the chest reverses.
    peak_before_s: when the chest turns fastest, before impact.  continuity: slowest rate through the ball over the
    fastest.  sag_after_s, sag_s: from when after impact, and for how long, it keeps that slowest rate.
    recovery: rate after the sag over the fastest; the chest comes to rest near chest_turn_finish.  release_s: how long before impact the wrist lets go.
    """

    backswing_s: float
    downswing_s: float
    finish_s: float
    arm_address: Direction
    arm_top: Direction
    arm_impact: Direction
    arm_finish: Direction
    chest_turn_address: float
    chest_turn_top: float
    chest_turn_impact: float
    chest_turn_finish: float
    chest_lead_s: float
    peak_before_s: float
    continuity: float
    sag_after_s: float
    sag_s: float
    recovery: float
    release_s: float
    keys: dict[str, Key]

    @property
    def impact_s(self) -> float:
        """From the start of the plan to impact."""
        return self.backswing_s + self.downswing_s

    @property
    def duration_s(self) -> float:
        """From the start of the plan to the arm's finish."""
        return self.impact_s + self.finish_s


RELEASED_LATE = ("wrist_ulnar", "wrist_flexion", "wrist_twist")
"""Coordinates that keep their value of the top until the release."""


def shoulder_angles(
    arm: tuple[FloatArray, FloatArray],
    chest: tuple[FloatArray, FloatArray, FloatArray],
    elbow: FloatArray,
    roll: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Flexion and across-the-chest angle (N,) of the shoulder that point the forearm where it is planned.

    arm: elevation, azimuth.  chest: bend, side, turn.  All rad, for a golfer who leads with the left side.
    """
    elevation, azimuth = arm
    bend, side, turn = chest
    x = np.cos(elevation) * np.cos(azimuth)
    y = np.sin(elevation)
    z = np.cos(elevation) * np.sin(azimuth)
    x, y = np.cos(bend) * x - np.sin(bend) * y, np.sin(bend) * x + np.cos(bend) * y
    y, z = np.cos(side) * y + np.sin(side) * z, -np.sin(side) * y + np.cos(side) * z
    x, z = np.cos(turn) * x - np.sin(turn) * z, np.sin(turn) * x + np.cos(turn) * z
    vx, vy, vz = np.sin(elbow) * np.cos(roll), -np.cos(elbow), np.sin(elbow) * np.sin(roll)
    reach = np.hypot(vy, vz)
    across = np.arcsin(np.clip(z / reach, -1.0, 1.0)) - np.arctan2(vz, -vy)
    wy = vy * np.cos(across) + vz * np.sin(across)
    flexion = np.arctan2(y, x) - np.arctan2(wy, vx)
    return np.mod(flexion + np.pi, 2.0 * np.pi) - np.pi, across


TAIL_S = (0.12, 0.6)
"""Shortest and longest time that the chest takes to come to rest after the ball, s (an assumption)."""


def _rate_curve(plan: SwingPlan) -> tuple[FloatArray, FloatArray]:
    """Knots of the chest's turn rate from its reversal on: times from impact in s, rates over the fastest."""
    from scipy.interpolate import PchipInterpolator

    start = -plan.downswing_s - plan.chest_lead_s
    peak = -plan.peak_before_s
    sag = max(plan.sag_after_s, peak + 0.05)
    sag_end = sag + plan.sag_s
    times = [start, start + 0.45 * (peak - start), peak, sag, sag_end]
    rates = [0.0, 0.42, 1.0, plan.continuity, plan.continuity]
    area = PchipInterpolator(times, rates).antiderivative()
    turned = (plan.chest_turn_impact - plan.chest_turn_top) / float(area(0.0)) * float(area(sag_end))
    fastest = (plan.chest_turn_impact - plan.chest_turn_top) / float(area(0.0))
    left = (plan.chest_turn_finish - plan.chest_turn_top - turned) / fastest
    tail = float(np.clip(left / (0.2 * (plan.continuity + plan.recovery) + 0.3 * plan.recovery), *TAIL_S))
    return np.array([*times, sag_end + 0.4 * tail, sag_end + tail]), np.array([*rates, plan.recovery, 0.0])


def chest_turn(plan: SwingPlan, time: FloatArray) -> FloatArray:
    """Turn of the chest (N,) since address at times from the start of the plan."""
    from scipy.interpolate import PchipInterpolator

    knots, rates = _rate_curve(plan)
    area = PchipInterpolator(knots, rates).antiderivative()
    fastest = (plan.chest_turn_impact - plan.chest_turn_top) / float(area(0.0))
    reversal = plan.backswing_s - plan.chest_lead_s
    back = plan.chest_turn_top * smooth_step(time / reversal)
    through = fastest * area(np.clip(time - plan.impact_s, knots[0], knots[-1]))
    return np.where(time < reversal, back, plan.chest_turn_top + through)


def arm_direction(plan: SwingPlan, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Elevation and azimuth (N,) of the forearm at times from the start of the plan."""
    from scipy.interpolate import PchipInterpolator

    share = smooth_step(time / plan.backswing_s)
    start, top = plan.arm_address, plan.arm_top
    azimuth_back = start.azimuth + (top.azimuth - start.azimuth) * share
    elevation_back = start.elevation + (top.elevation - start.elevation) * share**1.15
    down, end = plan.downswing_s, plan.finish_s
    knots = np.array([-down, -0.65 * down, -0.22 * down, 0.0, 0.25 * end, end])
    speed = PchipInterpolator(knots, [0.0, 0.30, 0.95, 1.0, 0.85, 0.0])
    area = speed.antiderivative()
    phase = 1.0 - area(np.clip(time - plan.impact_s, -down, end)) / float(area(0.0))
    last = 1.0 - float(area(end)) / float(area(0.0))
    keys = (plan.arm_finish, plan.arm_impact, plan.arm_top)
    azimuth = PchipInterpolator([last, 0.0, 1.0], [key.azimuth for key in keys])(phase)
    elevation = PchipInterpolator([last, 0.0, 1.0], [key.elevation for key in keys])(phase)
    going_back = time < plan.backswing_s
    return np.where(going_back, elevation_back, elevation), np.where(going_back, azimuth_back, azimuth)


def _keyed(plan: SwingPlan, name: str, time: FloatArray) -> FloatArray:
    from scipy.interpolate import PchipInterpolator

    key = plan.keys[name]
    times = [0.0, 0.05, plan.backswing_s]
    values = [key.address, key.address, key.top]
    if name in RELEASED_LATE:
        times.append(plan.impact_s - plan.release_s)
        values.append(key.top + 0.06 * (key.top - key.impact))
    times += [plan.impact_s, plan.impact_s + 0.065, plan.duration_s]
    values += [key.impact, key.after, key.finish]
    return np.asarray(PchipInterpolator(times, values)(np.clip(time, 0.0, times[-1])))


def swing_passage(plan: SwingPlan) -> dict[str, FloatArray]:
    """The coordinates (n,) of one swing on the grid, from just before takeaway to just after the finish."""
    last = max(plan.duration_s, plan.impact_s + float(_rate_curve(plan)[0][-1]))
    time = np.arange(0.0, last + 0.1, STEP_S)
    dense = {name: _keyed(plan, name, time) for name in plan.keys}
    dense["chest_turn"] = plan.chest_turn_address + chest_turn(plan, time)
    chest = (dense["chest_bend"], dense["chest_side"], dense["chest_turn"])
    flexion, across = shoulder_angles(arm_direction(plan, time), chest, dense["elbow_bend"], dense["shoulder_roll"])
    dense["shoulder_flexion"], dense["shoulder_across"] = flexion, across
    return dense
