"""Each definition on a posture whose answer can be worked out by hand, for both lead sides, with its sign."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imuswing.body import definitions as body
from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import FloatArray
from imuswing.swings import moments
from imuswing.vocabulary import LeadSide

# An upright trunk that faces earth's x axis: X forward = x, Y up = z, Z to the right = −y.
UPRIGHT = Rotation.from_matrix([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
SIDES: tuple[LeadSide, ...] = ("left", "right")
# The target is on the golfer's left (earth's +y) who leads with the left, on the right (−y) who leads with the right.
TARGET = {"left": np.array([0.0, 1.0, 0.0]), "right": np.array([0.0, -1.0, 0.0])}


def scalar_first(rotation: Rotation) -> FloatArray:
    return np.asarray(rotation.as_quat(scalar_first=True))


def about(axis: str, degrees: float) -> Rotation:
    return Rotation.from_euler(axis, degrees, degrees=True)


def degrees(values: FloatArray) -> float:
    return float(np.degrees(values))


def test_cardan_angles_are_those_of_scipy() -> None:
    # scipy, Rotation.as_euler: upper-case letters are axes that turn with the body; Wu et al. 2005: Z, X, Y.
    rotations = Rotation.random(500, random_state=3)
    ours = np.stack(body.cardan_zxy(scalar_first(rotations)), axis=1)
    np.testing.assert_allclose(ours, rotations.as_euler("ZXY"), atol=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_the_side_axis_and_the_address_line_point_to_the_target(side: LeadSide) -> None:
    # By hand: a square upright golfer's lead shoulder points at the target.
    np.testing.assert_allclose(body.side_axis(scalar_first(UPRIGHT), side), TARGET[side], atol=1e-12)
    # Bent forward 40° and tilted 8°, the line stays horizontal and points to the target.
    posture = UPRIGHT * about("ZX", [-40.0, 8.0])
    line = body.address_line(scalar_first(posture), side)
    assert line[2] == 0.0
    assert np.linalg.norm(line) == pytest.approx(1.0)
    assert line @ TARGET[side] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("side", SIDES)
def test_turning_towards_the_target_is_positive(side: LeadSide) -> None:
    # By hand: seen from above, counter-clockwise brings the chest to face the left, clockwise the right.
    towards = 1.0 if side == "left" else -1.0
    turned = about("z", towards * 30.0) * UPRIGHT
    assert degrees(body.trunk_turn(scalar_first(turned), scalar_first(UPRIGHT), side)) == pytest.approx(30.0)
    back = about("z", -towards * 50.0) * UPRIGHT
    assert degrees(body.trunk_turn(scalar_first(back), scalar_first(UPRIGHT), side)) == pytest.approx(-50.0)
    # The long axis of an upright chest points up, so its rate is the counter-clockwise rate.
    rate = np.array([0.0, towards * 5.0, 0.0])
    assert body.trunk_turn_rate(rate, side) == pytest.approx(5.0)


@pytest.mark.parametrize("side", SIDES)
def test_turn_since_a_bent_address_is_the_turn_about_the_bent_spine(side: LeadSide) -> None:
    address = UPRIGHT * about("ZX", [-35.0, 6.0])
    turn = 70.0 if side == "left" else -70.0
    turned = address * about("Y", turn)
    assert degrees(body.trunk_turn(scalar_first(turned), scalar_first(address), side)) == pytest.approx(70.0)


@pytest.mark.parametrize("side", SIDES)
def test_lead_shoulder_higher_is_a_positive_tilt(side: LeadSide) -> None:
    # By hand: leaning 10° to the trail side lifts the lead shoulder by 10°.
    lean_to_trail = about("x", 10.0 if side == "left" else -10.0)  # about forward: left shoulder up for +
    tilted = lean_to_trail * UPRIGHT
    assert degrees(body.shoulder_tilt(scalar_first(tilted), side)) == pytest.approx(10.0)
    line = body.address_line(scalar_first(UPRIGHT), side)
    assert degrees(body.chest_lean(scalar_first(tilted), line)) == pytest.approx(-10.0)


@pytest.mark.parametrize("side", SIDES)
def test_turning_a_bent_chest_tilts_the_shoulders(side: LeadSide) -> None:
    # By hand: bent forward by b and turned by t about the spine, the side axis has height sin(b)·sin(t): turning back
    # lowers the lead shoulder.
    posture = UPRIGHT * about("ZY", [-30.0, -40.0 if side == "left" else 40.0])
    expected = -np.degrees(np.arcsin(np.sin(np.radians(30.0)) * np.sin(np.radians(40.0))))
    assert degrees(body.shoulder_tilt(scalar_first(posture), side)) == pytest.approx(expected)


@pytest.mark.parametrize("side", SIDES)
def test_tilt_rate_is_the_derivative_of_the_tilt(side: LeadSide) -> None:
    start = UPRIGHT * Rotation.from_euler("ZXY", [-32.0, 9.0, 25.0], degrees=True)
    omega = np.array([0.7, -2.1, 1.3])
    step = 1e-5
    before, after = (start * Rotation.from_rotvec(omega * s) for s in (-step, step))
    expected = (body.shoulder_tilt(scalar_first(after), side) - body.shoulder_tilt(scalar_first(before), side)) / (
        2.0 * step
    )
    assert body.shoulder_tilt_rate(scalar_first(start), omega, side) == pytest.approx(float(expected), rel=1e-6)


@pytest.mark.parametrize("side", SIDES)
def test_wrist_bent_towards_the_palm_is_flexed(side: LeadSide) -> None:
    # By hand: the hand's distal end (−Y) goes to +X, the palm's side, whichever the hand.
    forearm = Rotation.random(random_state=5)
    angle = np.radians(20.0)
    distal, palmar = np.array([np.sin(angle), -np.cos(angle), 0.0]), np.array([np.cos(angle), np.sin(angle), 0.0])
    bent = Rotation.from_matrix(np.stack((palmar, -distal, [0.0, 0.0, 1.0]), axis=1))
    flexion, ulnar = body.wrist_angles(scalar_first(forearm), scalar_first(forearm * bent), side)
    assert degrees(flexion) == pytest.approx(20.0)
    assert degrees(ulnar) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_wrist_bent_towards_the_little_finger_is_ulnar(side: LeadSide) -> None:
    # By hand, Wu et al. 2005 §4: Z is radial on a right hand, so the little finger is at −Z; on a left hand the
    # right-handed Z = X × Y points to the little finger.
    little_finger = np.array([0.0, 0.0, 1.0 if side == "left" else -1.0])
    angle = np.radians(15.0)
    distal = np.array([0.0, -np.cos(angle), 0.0]) + np.sin(angle) * little_finger
    x_axis = np.array([1.0, 0.0, 0.0])
    bent = Rotation.from_matrix(np.stack((x_axis, -distal, np.cross(x_axis, -distal)), axis=1))
    flexion, ulnar = body.wrist_angles(scalar_first(Rotation.identity()), scalar_first(bent), side)
    assert degrees(ulnar) == pytest.approx(15.0)
    assert degrees(flexion) == pytest.approx(0.0, abs=1e-9)


def test_mirrored_golfers_have_the_same_angles() -> None:
    mirror = np.diag([1.0, 1.0, -1.0])
    address, later, hand = Rotation.random(3, random_state=7)
    left = [rotation.as_matrix() for rotation in (address, later, hand)]
    right = [mirror @ matrix @ mirror for matrix in left]
    q_left = [scalar_first(Rotation.from_matrix(matrix)) for matrix in left]
    q_right = [scalar_first(Rotation.from_matrix(matrix)) for matrix in right]
    assert body.trunk_turn(q_left[1], q_left[0], "left") == pytest.approx(
        float(body.trunk_turn(q_right[1], q_right[0], "right"))
    )
    np.testing.assert_allclose(
        body.wrist_angles(q_left[1], q_left[2], "left"), body.wrist_angles(q_right[1], q_right[2], "right"), atol=1e-12
    )


def test_arm_height_and_great_circle() -> None:
    hanging = UPRIGHT  # Y up: elbow above wrist
    assert degrees(body.arm_height(scalar_first(hanging))) == pytest.approx(-90.0)
    forward = UPRIGHT * about("Z", 90.0)
    assert degrees(body.arm_height(scalar_first(forward))) == pytest.approx(0.0, abs=1e-9)
    raised = UPRIGHT * about("Z", 120.0)
    assert degrees(body.arm_height(scalar_first(raised))) == pytest.approx(30.0)
    arc = body.great_circle(body.long_axis(scalar_first(raised)), body.long_axis(scalar_first(hanging)))
    assert degrees(arc) == pytest.approx(120.0)
    assert degrees(body.great_circle(np.array([1.0, 0.0, 0.0]), np.array([-1.0, 0.0, 0.0]))) == pytest.approx(180.0)


def test_long_axis_speed_leaves_out_the_roll() -> None:
    assert body.long_axis_speed(np.array([3.0, 50.0, 4.0])) == pytest.approx(5.0)


@pytest.mark.parametrize("side", SIDES)
def test_grip_nearer_the_target_leans_the_shaft_forward(side: LeadSide) -> None:
    # By hand: the shaft (head to grip) points up and 8° to the target, seen from in front; any lie angle towards the
    # golfer does not change what is seen from there.
    line = body.address_line(scalar_first(UPRIGHT), side)
    up, towards_golfer = np.array([0.0, 0.0, 1.0]), np.array([-1.0, 0.0, 0.0])
    shaft = up + np.tan(np.radians(8.0)) * TARGET[side] + 0.6 * towards_golfer
    shaft /= np.linalg.norm(shaft)
    x_axis = np.cross(shaft, [0.3, 0.4, 0.1])
    x_axis /= np.linalg.norm(x_axis)
    club = Rotation.from_matrix(np.stack((x_axis, shaft, np.cross(x_axis, shaft)), axis=1))
    assert degrees(body.shaft_lean(scalar_first(club), line)) == pytest.approx(8.0)


def test_an_unknown_side_is_an_error() -> None:
    with pytest.raises(SettingsError, match="'left', 'right'"):
        body.trunk_sign("both")  # type: ignore[arg-type]


def circle(angle: FloatArray) -> FloatArray:
    """Unit vectors in a plane at these angles, rad."""
    return np.stack((np.cos(angle), np.sin(angle), np.zeros_like(angle)), axis=1)


def test_takeaway_top_and_return_of_a_closed_form_swing() -> None:
    # By hand: angle = −(1 − cos 2πt)/2 rad from t = 0, so the speed is |π·sin 2πt|, fastest at 0.25 s, through 5 % of
    # that at arcsin(0.05)/2π; farthest at 0.5 s; back at 1 s.
    time = np.arange(-1.0, 1.4, 0.004)
    moving = np.clip(time, 0.0, None)
    angle = -0.5 * (1.0 - np.cos(2.0 * np.pi * moving))
    speed = np.where(time > 0.0, np.abs(np.pi * np.sin(2.0 * np.pi * time)), 0.0)
    address = circle(np.zeros(1))[0]
    top = moments.top_time(time, circle(angle), address, 0.95)
    assert top == pytest.approx(0.5, abs=1e-4)
    expected = np.arcsin(0.05) / (2.0 * np.pi)
    assert moments.takeaway_time(time, speed, top) == pytest.approx(expected, abs=1e-4)
    # Out of the plane by 0.1 rad, so that the arc has a smooth minimum.
    tilted = circle(angle) * np.cos(0.1) + np.array([0.0, 0.0, np.sin(0.1)])
    assert moments.return_time(time, tilted, address, top, 1.3) == pytest.approx(1.0, abs=1e-3)


def test_finish_is_when_both_rates_have_died_away() -> None:
    # By hand: exp(−t/τ) is under 5 % from t = τ·ln 20 on; the slower of the two counts.
    time = np.arange(0.0, 3.0, 0.001)
    forearm, chest = 20.0 * np.exp(-time / 0.1), 8.0 * np.exp(-time / 0.25)
    expected = 0.25 * np.log(20.0)
    assert moments.finish_time(time, forearm, chest, 0.0) == pytest.approx(expected, abs=0.002)
