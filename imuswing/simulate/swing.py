"""One swing as smooth curves of the body's coordinates, from a plan of key values.

The forearm swings about the shoulder in a plane through its lowest direction; the chest's turn is planned by its rate
through the ball; the shoulder's angles follow from both, so that the hand comes back to the ball whatever the chest
does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.timeline import STEP_S, smooth_step

Vector = tuple[FloatArray, FloatArray, FloatArray]
"""Components (N,) forward, up and to the right (the trail side of a golfer who leads with the left)."""


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

    arm_depth: angle of the swing plane's lowest direction below the horizontal.  arm_angle: of the forearm in the plane
    from there, positive towards the trail side.  arm_lift: out of the plane, away from the body.
    keys: the coordinates that are planned one by one.
    chest_turn_address: where the chest faces at address; chest_turn_top and others: turn since then.
    chest_lead_s: how long before the arm's top the chest reverses.  peak_before_s: when the chest turns fastest, before
    impact.  continuity: slowest rate through the ball over the fastest.  sag_after_s, sag_s: from when after impact,
    and for how long, it keeps that slowest rate.  recovery: rate after the sag over the fastest; the chest comes to
    rest near chest_turn_finish.  release_s: how long before impact the wrist lets go.
    """

    backswing_s: float
    downswing_s: float
    arm_depth: float
    arm_angle: Key
    arm_lift: Key
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
    def arm_finish_s(self) -> float:
        """From impact until the arm has slowed down from its speed at impact, at the place planned for the finish."""
        speed = (self.arm_angle.top - self.arm_angle.impact) / (_area(*DOWN_SHAPE) * self.downswing_s)
        return (self.arm_angle.impact - self.arm_angle.finish) / (_area(*THROUGH_SHAPE) * speed)

    @property
    def duration_s(self) -> float:
        """From the start of the plan to the arm's finish."""
        return self.impact_s + self.arm_finish_s


RELEASED_LATE = ("wrist_ulnar", "wrist_flexion", "wrist_twist")
"""Coordinates that keep their value of the top until the release."""


DOWN_SHAPE: Final = ((0.0, 0.38, 0.80, 1.0), (0.0, 0.30, 0.93, 1.0))
THROUGH_SHAPE: Final = ((0.0, 0.12, 0.45, 1.0), (1.0, 0.93, 0.42, 0.0))
"""Speed of the arm over its speed at impact, at shares of the downswing and of the follow-through (assumptions)."""


def _area(at: tuple[float, ...], speed: tuple[float, ...]) -> float:
    """Mean of a speed shape."""
    from scipy.interpolate import PchipInterpolator

    return float(PchipInterpolator(at, speed).antiderivative()(1.0))


def direction(depth: float, angle: FloatArray, lift: FloatArray) -> Vector:
    """Where the forearm points, `angle` and `lift` (N,) away from the plane's lowest direction."""
    along = np.cos(lift) * np.cos(angle)
    return (
        along * np.cos(depth) + np.sin(lift) * np.sin(depth),
        -along * np.sin(depth) + np.sin(lift) * np.cos(depth),
        np.cos(lift) * np.sin(angle),
    )


def shoulder_angles(arm: Vector, chest: Vector, elbow: FloatArray, roll: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Flexion and across-the-chest angle (N,) of the shoulder that point the forearm along `arm`.

    chest: bend, side, turn.  roll: of the upper arm.  All rad, for a golfer who leads with the left side.
    """
    x, y, z = arm
    bend, side, turn = chest
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
    rates = [0.0, 0.38, 1.0, plan.continuity, plan.continuity]
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


def arm_direction(plan: SwingPlan, time: FloatArray) -> Vector:
    """Where the forearm points at times (N,) from the start of the plan."""
    from scipy.interpolate import PchipInterpolator

    key = plan.arm_angle
    back = key.address + (key.top - key.address) * smooth_step(time / plan.backswing_s)
    since = time - plan.impact_s
    down = PchipInterpolator(*DOWN_SHAPE).antiderivative()
    through = PchipInterpolator(*THROUGH_SHAPE).antiderivative()
    speed = (key.top - key.impact) / float(down(1.0))
    before = key.top - speed * down(np.clip(1.0 + since / plan.downswing_s, 0.0, 1.0))
    after = speed / plan.downswing_s * plan.arm_finish_s * through(np.clip(since / plan.arm_finish_s, 0.0, 1.0))
    angle = np.where(time < plan.backswing_s, back, before - after)
    return direction(plan.arm_depth, angle, _keyed(plan, plan.arm_lift, time, late=False))


def _keyed(plan: SwingPlan, key: Key, time: FloatArray, *, late: bool) -> FloatArray:
    from scipy.interpolate import PchipInterpolator

    times = [0.0, 0.05, plan.backswing_s]
    values = [key.address, key.address, key.top]
    if late:
        times.append(plan.impact_s - plan.release_s)
        values.append(key.top + 0.06 * (key.top - key.impact))
    times += [plan.impact_s, plan.impact_s + 0.065, plan.duration_s]
    values += [key.impact, key.after, key.finish]
    return np.asarray(PchipInterpolator(times, values)(np.clip(time, 0.0, times[-1])))


def swing_passage(plan: SwingPlan) -> dict[str, FloatArray]:
    """The coordinates (n,) of one swing on the grid, from just before takeaway to just after the finish."""
    last = max(plan.duration_s, plan.impact_s + float(_rate_curve(plan)[0][-1]))
    time = np.arange(0.0, last + 0.1, STEP_S)
    dense = {name: _keyed(plan, key, time, late=name in RELEASED_LATE) for name, key in plan.keys.items()}
    dense["chest_turn"] = plan.chest_turn_address + chest_turn(plan, time)
    chest = (dense["chest_bend"], dense["chest_side"], dense["chest_turn"])
    # After impact the plan holds for a straight arm; the elbow then folds by itself.
    straight = np.where(time < plan.impact_s, dense["elbow_bend"], plan.keys["elbow_bend"].impact)
    flexion, across = shoulder_angles(arm_direction(plan, time), chest, straight, dense["shoulder_roll"])
    dense["shoulder_flexion"], dense["shoulder_across"] = flexion, across
    return dense
