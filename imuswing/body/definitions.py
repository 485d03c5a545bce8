"""The physical definitions of the measures: one function each, of true orientations and angular velocities.

They say what is true of the body; the estimator applies them to estimates, the simulator to its truth. Orientations
are `q_earth_from_segment` (..., 4), scalar first; angular velocities are in segment axes, rad/s; results are in rad
and rad/s. Segment axes: see `imuswing.vocabulary`. Signs mean the same for every golfer.
"""

from __future__ import annotations

import numpy as np

from imuswing.errors import require_one_of
from imuswing.orientation.quaternion import FloatArray, cross, dot, inverse, length, multiply, rotate, to_matrix
from imuswing.vocabulary import LEAD_SIDES, LeadSide

X_AXIS: FloatArray = np.array([1.0, 0.0, 0.0])
Y_AXIS: FloatArray = np.array([0.0, 1.0, 0.0])
Z_AXIS: FloatArray = np.array([0.0, 0.0, 1.0])


def trunk_sign(lead_side: LeadSide) -> float:
    """+1 for lead side left, -1 for right: the factor of trunk angles and rates about X and Y."""
    require_one_of("lead_side", lead_side, LEAD_SIDES)
    return 1.0 if lead_side == "left" else -1.0


def cardan_zxy(q: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angles about Z, X, Y, axes turning with the body, of q (..., 4), rad (Wu et al. 2005, J Biomech 38:981)."""
    m = to_matrix(q)
    about_x = np.arcsin(np.clip(m[..., 2, 1], -1.0, 1.0))
    about_z = np.arctan2(-m[..., 0, 1], m[..., 1, 1])
    about_y = np.arctan2(-m[..., 2, 0], m[..., 2, 2])
    return about_z, about_x, about_y


def trunk_turn_rate(omega: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Angular velocity (...,) of chest or pelvis about its own long axis, positive towards the target."""
    return trunk_sign(lead_side) * np.asarray(omega)[..., 1]


def trunk_turn(q: FloatArray, q_address: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Axial rotation (...,) since address: third Cardan angle Z-X-Y of R_address⁻¹·R, positive towards the target."""
    return trunk_sign(lead_side) * cardan_zxy(multiply(inverse(q_address), q))[2]


def side_axis(q_chest: FloatArray, lead_side: LeadSide) -> FloatArray:
    """The chest's side-to-side axis (..., 3) in the earth frame, pointing to the lead side."""
    return rotate(q_chest, -trunk_sign(lead_side) * Z_AXIS)


def shoulder_tilt(q_chest: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Elevation (...,) of the side-to-side axis above the horizontal, positive with the lead shoulder higher."""
    return np.arcsin(np.clip(side_axis(q_chest, lead_side)[..., 2], -1.0, 1.0))


def shoulder_tilt_rate(q_chest: FloatArray, omega: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Rate of change (...,) of `shoulder_tilt`, from the chest's angular velocity (..., 3) in its own axes."""
    axis = -trunk_sign(lead_side) * Z_AXIS
    height = side_axis(q_chest, lead_side)[..., 2]
    climb = rotate(q_chest, cross(np.asarray(omega), axis))[..., 2]
    return climb / np.sqrt(np.maximum(1.0 - height**2, 1e-12))


def address_line(q_chest_address: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Horizontal unit vector (..., 3) along the side-to-side axis at address: towards the target if square."""
    line = side_axis(q_chest_address, lead_side) * np.array([1.0, 1.0, 0.0])
    return line / length(line)[..., None]


def chest_lean(q_chest: FloatArray, line: FloatArray) -> FloatArray:
    """Lean (...,) of the chest's long axis towards the target: arcsine of its component along the address line."""
    return np.arcsin(np.clip(dot(rotate(q_chest, Y_AXIS), line), -1.0, 1.0))


def wrist_angles(q_forearm: FloatArray, q_hand: FloatArray, lead_side: LeadSide) -> tuple[FloatArray, FloatArray]:
    """Flexion (+ towards the palm) and deviation (+ towards the little finger) of the lead wrist, each (...,).

    First and second Cardan angle Z-X-Y of the hand in the forearm. A left limb's Z axis is ulnar here (right-handed
    axes on both sides), so its angle about X changes sign; flexion does not (the mirror of Wu et al. 2005).
    """
    flexion, about_x, _ = cardan_zxy(multiply(inverse(q_forearm), q_hand))
    return flexion, -trunk_sign(lead_side) * about_x


def long_axis(q_forearm: FloatArray) -> FloatArray:
    """The forearm's long axis (..., 3), elbow to wrist, in the earth frame."""
    return rotate(q_forearm, -Y_AXIS)


def long_axis_speed(omega_forearm: FloatArray) -> FloatArray:
    """How fast (...,) the forearm's long axis changes direction, rad/s, from omega (..., 3) in forearm axes."""
    omega = np.asarray(omega_forearm)
    return np.hypot(omega[..., 0], omega[..., 2])


def great_circle(u: FloatArray, v: FloatArray) -> FloatArray:
    """Angle (...,) between unit vectors u and v (..., 3), accurate for small and large angles."""
    return np.arctan2(length(cross(u, v)), dot(u, v))


def arm_height(q_forearm: FloatArray) -> FloatArray:
    """Elevation (...,) of the forearm's long axis above the horizontal; 0 is arm parallel to the ground."""
    return np.arcsin(np.clip(long_axis(q_forearm)[..., 2], -1.0, 1.0))


def shaft_lean(q_club: FloatArray, line: FloatArray) -> FloatArray:
    """Angle (...,) of the shaft from the vertical seen from in front, grip towards the target positive.

    The club's heading must be tied to that of the chest: both orientations in one earth frame.
    """
    shaft = rotate(q_club, Y_AXIS)
    return np.arctan2(np.sum(shaft * line, axis=-1), shaft[..., 2])


def wrist_angles_free_of_roll(
    q_forearm: FloatArray, q_hand: FloatArray, lead_side: LeadSide
) -> tuple[FloatArray, FloatArray]:
    """As `wrist_angles`, from the forearm's long axis in the hand alone, whatever its skin does about that axis.

    Equal to `wrist_angles` where the hand does not turn about the long axis; otherwise off by that turn times the sine
    of the deviation.
    """
    y = rotate(multiply(inverse(q_hand), q_forearm), Y_AXIS)
    flexion = np.arcsin(np.clip(y[..., 0], -1.0, 1.0))
    return flexion, -trunk_sign(lead_side) * np.arctan2(-y[..., 2], y[..., 1])
