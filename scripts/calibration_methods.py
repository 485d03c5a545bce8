"""Published ways to align sensors with segments, on the same readings as the project's own: for comparison only.

Each takes what a routine showed and gives `q_sensor_from_segment` (4,) by tracked point; a point is absent where the
steps that the way needs were not done. Two axes make a frame: the first exactly, the second as near as it can be.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from imuswing.body.definitions import X_AXIS, Y_AXIS, Z_AXIS, trunk_sign
from imuswing.body.readings import Readings, read_steps
from imuswing.body.steps import read_turning, step_interval
from imuswing.orientation.joint import relative_orientation
from imuswing.orientation.quaternion import FloatArray, from_matrix, rotate
from imuswing.orientation.relative import HingeAxes, two_hinge_axes
from imuswing.recording.model import Event
from imuswing.sensors.filters import lowpass_zero_phase
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import (
    BOW,
    CHEST,
    FOREARM_ROLL,
    LEAD_FOREARM,
    LEAD_HAND,
    PELVIS,
    STAND,
    TABLE,
    WRIST_BEND,
    LeadSide,
)

Frames = dict[str, FloatArray]
Seen = tuple[FloatArray, FloatArray]
Way = Callable[[Mapping[str, Motion], Sequence[Event], LeadSide, Mapping[str, FloatArray]], Frames]

RATE, CUTOFF_HZ = 100.0, 15.0
"""Hz at which the joint's constraint is looked at, and over which shocks are taken off."""
WORST = np.radians(5.0)
WINDOW_S, WINDOWS = 6.0, 6
"""The constraint is looked at in the wrist bend and in so many other stretches of this length in which the hand moves
fastest (an assumption)."""


def frame(first: Seen | None, second: Seen | None) -> FloatArray | None:
    """Rotation (4,) from two pairs (axis in the sensor, axis of the segment): the first exactly (TRIAD: Black 1964,
    AIAA J 2:1350, from memory)."""
    if first is None or second is None:
        return None
    in_sensor, in_segment = (np.stack(_triad(first[k], second[k]), axis=1) for k in (0, 1))
    return from_matrix(in_sensor @ in_segment.T)


def _triad(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    one = a / np.linalg.norm(a)
    third = np.cross(one, b)
    third = third / np.linalg.norm(third)
    return one, np.cross(third, one), third


def _up(readings: Readings, step: str, point: str, axis: FloatArray) -> Seen | None:
    still = readings.still.get((step, point))
    return None if still is None else (still.up, axis)


def _bent_forward(readings: Readings, point: str, addresses: Mapping[str, FloatArray]) -> Seen | None:
    """The trunk's Z from the posture over the ball: gravity has moved from where it was upright."""
    stand, address = readings.still.get((STAND, point)), addresses.get(point)
    return None if stand is None or address is None else (np.cross(stand.up, address), Z_AXIS)


def _kept(frames: Mapping[str, FloatArray | None]) -> Frames:
    return {point: q for point, q in frames.items() if q is not None}


def static_poses(
    motions: Mapping[str, Motion], events: Sequence[Event], lead_side: LeadSide, addresses: Mapping[str, FloatArray]
) -> Frames:
    """Gravity in still poses alone: hanging arms or upright trunk first, then palm down or the bend over the ball."""
    readings = read_steps(motions, events)
    frames: dict[str, FloatArray | None] = {
        point: frame(_up(readings, STAND, point, Y_AXIS), _up(readings, TABLE, point, -X_AXIS))
        for point in (LEAD_FOREARM, LEAD_HAND)
    }
    for point in (CHEST, PELVIS):
        frames[point] = frame(_up(readings, STAND, point, Y_AXIS), _bent_forward(readings, point, addresses))
    return _kept(frames)


def functional_axes(
    motions: Mapping[str, Motion], events: Sequence[Event], lead_side: LeadSide, addresses: Mapping[str, FloatArray]
) -> Frames:
    """The gyro's main axis of a movement first (bow, roll, wrist bend), then gravity in a pose."""
    readings = read_steps(motions, events)
    posed = static_poses(motions, events, lead_side, addresses)

    def turned(step: str, point: str, axis: FloatArray) -> Seen | None:
        for event in events:
            if event.trial_type == step and point in motions:
                reading = read_turning(motions[point], *step_interval(event))
                if reading is not None:
                    # Poses sign the axis where they were done: a late mark may miss the first movement.
                    against = point in posed and rotate(posed[point], axis) @ reading.axis < 0
                    return -reading.axis if against else reading.axis, axis
        return None

    # First bow: about −Z; first bend (flexion): about +Z; first roll (palm down): +Y on a right limb, −Y on a left one.
    rolled = turned(FOREARM_ROLL, LEAD_FOREARM, -trunk_sign(lead_side) * Y_AXIS)
    bent = turned(WRIST_BEND, LEAD_HAND, Z_AXIS)
    frames = {
        LEAD_FOREARM: frame(rolled, _up(readings, TABLE, LEAD_FOREARM, -X_AXIS)),
        LEAD_HAND: frame(bent, _up(readings, TABLE, LEAD_HAND, -X_AXIS)),
    }
    for point in (CHEST, PELVIS):
        frames[point] = frame(turned(BOW, point, -Z_AXIS), _up(readings, STAND, point, Y_AXIS))
    return _kept(frames)


def joint_constraint(
    motions: Mapping[str, Motion], events: Sequence[Event], lead_side: LeadSide, addresses: Mapping[str, FloatArray]
) -> Frames:
    """The wrist as two hinges: its axes from any movement, first; zero from the poses. The trunk has no such joint."""
    readings = read_steps(motions, events)
    frames = static_poses(motions, events, lead_side, addresses)
    flat = {point: readings.still.get((TABLE, point)) for point in (LEAD_FOREARM, LEAD_HAND)}
    hanging = readings.still.get((STAND, LEAD_FOREARM))
    forearm_flat, hand_flat = flat[LEAD_FOREARM], flat[LEAD_HAND]
    if forearm_flat is None or hand_flat is None or hanging is None:
        return {point: q for point, q in frames.items() if point in (CHEST, PELVIS)}
    guess = (np.cross(-forearm_flat.up, hanging.up), -hand_flat.up)
    hinges = wrist_axes(motions[LEAD_FOREARM], motions[LEAD_HAND], events, guess)
    if hinges is None:
        return frames
    sd = np.sqrt(np.array([np.trace(hinges.covariance[:3, :3]), np.trace(hinges.covariance[3:, 3:])]))
    flexion = hinges.axis1 if hinges.axis1 @ guess[0] > 0 else -hinges.axis1
    deviation = hinges.axis2 if hinges.axis2 @ guess[1] > 0 else -hinges.axis2
    # An axis that the movement does not tell to `WORST` by its own standard error stays that of the poses.
    if sd[0] < WORST:
        frames |= _kept({LEAD_FOREARM: frame((flexion, Z_AXIS), (-forearm_flat.up, X_AXIS))})
    if sd[1] < WORST:
        frames |= _kept({LEAD_HAND: frame((deviation, X_AXIS), _up(readings, STAND, LEAD_HAND, Y_AXIS))})
    return frames


def wrist_axes(
    forearm: Motion, hand: Motion, events: Sequence[Event], guess: tuple[FloatArray, FloatArray]
) -> HingeAxes | None:
    """Both hinges' axes from the wrist bend and the fastest stretches."""
    unit = guess[0] / np.linalg.norm(guess[0]), guess[1] / np.linalg.norm(guess[1])
    spans = [step_interval(event) for event in events if event.trial_type == WRIST_BEND]
    spans += _fastest(hand)
    parts = [part for start, end in spans if (part := _together(forearm, hand, start, end)) is not None]
    if not parts:
        return None
    turns = [
        relative_orientation(gyr1, acc1, gyr2, acc2, rate=RATE, sample_meaning="instant").q_1_from_2
        for gyr1, acc1, gyr2, acc2 in parts
    ]
    gyr1, gyr2 = (np.concatenate([part[k] for part in parts]) for k in (0, 2))
    return two_hinge_axes(gyr1, gyr2, np.concatenate(turns), guess=unit)


def _fastest(hand: Motion) -> list[tuple[float, float]]:
    speed = np.linalg.norm(hand.gyr, axis=1)
    speed = np.where(hand.unusable, 0.0, speed)
    found: list[tuple[float, float]] = []
    for index in np.argsort(-speed).tolist():
        time = float(hand.time[index])
        if all(abs(time - 0.5 * (start + end)) > WINDOW_S for start, end in found):
            found.append((time - 0.5 * WINDOW_S, time + 0.5 * WINDOW_S))
        if len(found) == WINDOWS:
            break
    return found


def _together(forearm: Motion, hand: Motion, start: float, end: float) -> tuple[FloatArray, ...] | None:
    """gyr and acc of both sensors at the same instants; None where a sensor does not hold the stretch."""
    start, end = max(start, forearm.time[0], hand.time[0]), min(end, forearm.time[-1], hand.time[-1])
    time = np.arange(start, end, 1.0 / RATE)
    if len(time) < RATE:
        return None
    return tuple(
        np.stack([np.interp(time, motion.time, smooth[:, axis]) for axis in range(3)], axis=1)
        for motion in (forearm, hand)
        for smooth in (
            lowpass_zero_phase(values, rate=motion.rate, cutoff_hz=CUTOFF_HZ) for values in (motion.gyr, motion.acc)
        )
    )


WAYS: dict[str, Way | None] = {
    "static poses": static_poses,
    "functional axes": functional_axes,
    "joint constraint": joint_constraint,
    "ours": None,
}
"""By name; None is the project's own."""
