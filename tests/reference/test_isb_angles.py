"""Trunk and wrist angles against the joint coordinate system with its floating axis, and scipy's Euler angles."""

from __future__ import annotations

import numpy as np
import pytest
from motions_for_tests import rotation_from_columns, scalar_first
from scipy.spatial.transform import Rotation

from imuswing.body.definitions import cardan_zxy, trunk_turn, wrist_angles, wrist_angles_free_of_roll
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import LeadSide

COUNT = 400
SIDES: tuple[LeadSide, ...] = ("left", "right")


def random_joint(seed: int) -> tuple[Rotation, Rotation]:
    """A proximal segment anyhow, and a distal one within the range that joints have."""
    rng = np.random.default_rng(seed)
    proximal = Rotation.random(COUNT, random_state=seed)
    angles = rng.uniform([-85.0, -50.0, -85.0], [85.0, 50.0, 85.0], (COUNT, 3))
    return proximal, proximal * Rotation.from_euler("ZXY", angles, degrees=True)


def joint_coordinate_system(proximal: Rotation, distal: Rotation) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angles about the proximal Z, the floating axis and the distal Y, from dot products of the axes alone.

    Grood & Suntay 1983, J Biomech Eng 105:136 (from memory): e1 is the proximal segment's flexion axis, e3 the distal
    one's long axis, the floating axis e2 stands across both.
    """

    def axis(rotation: Rotation, which: int) -> FloatArray:
        return np.asarray(rotation.as_matrix()[:, :, which])

    def dot(u: FloatArray, v: FloatArray) -> FloatArray:
        return np.asarray(np.sum(u * v, axis=1))

    e1, e3 = axis(proximal, 2), axis(distal, 1)
    e2 = np.cross(e3, e1)
    e2 /= np.linalg.norm(e2, axis=1, keepdims=True)
    flexion = np.arctan2(dot(e2, axis(proximal, 1)), dot(e2, axis(proximal, 0)))
    side = np.arcsin(dot(e1, e3))
    axial = np.arctan2(dot(e2, axis(distal, 2)), dot(e2, axis(distal, 0)))
    return flexion, side, axial


@pytest.mark.parametrize("seed", range(3))
def test_cardan_angles_are_those_of_the_joint_coordinate_system(seed: int) -> None:
    proximal, distal = random_joint(seed)
    ours = cardan_zxy(scalar_first(proximal.inv() * distal))
    for mine, theirs in zip(ours, joint_coordinate_system(proximal, distal), strict=True):
        np.testing.assert_allclose(mine, theirs, atol=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_wrist_angles_are_scipys(side: LeadSide) -> None:
    # scipy, Rotation.as_euler("ZXY"). Wu et al. 2005, §3.4.1 and 4.4.1: flexion and ulnar deviation positive; a left
    # limb is mirrored, which leaves the angle about Z and turns round the one about X.
    forearm, hand = random_joint(11)
    euler = (forearm.inv() * hand).as_euler("ZXY")
    flexion, ulnar = wrist_angles(scalar_first(forearm), scalar_first(hand), side)
    np.testing.assert_allclose(flexion, euler[:, 0], atol=1e-9)
    np.testing.assert_allclose(ulnar, euler[:, 1] * (1.0 if side == "right" else -1.0), atol=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_the_wrists_signs_by_where_the_knuckles_go(side: LeadSide) -> None:
    # By hand: from the elbow, the hand's long axis −Y goes towards +X (palm) in flexion; towards the little finger,
    # which is −Z on a right limb (Z is radial) and +Z on a left one, in ulnar deviation.
    little_finger = np.array([0.0, 0.0, -1.0 if side == "right" else 1.0])
    straight, palm = np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0])
    for towards, wanted in ((palm, (20.0, 0.0)), (-palm, (-20.0, 0.0)), (little_finger, (0.0, 20.0))):
        axis = np.cross(straight, towards)
        hand = Rotation.from_rotvec(np.radians(20.0) * axis)
        told = wrist_angles(scalar_first(Rotation.identity()), scalar_first(hand), side)
        np.testing.assert_allclose(np.degrees(told), wanted, atol=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_without_axial_turn_the_angles_free_of_roll_are_the_same(side: LeadSide) -> None:
    rng = np.random.default_rng(2)
    forearm = Rotation.random(COUNT, random_state=1)
    angles = np.stack((rng.uniform(-80, 80, COUNT), rng.uniform(-50, 50, COUNT), np.zeros(COUNT)), axis=1)
    hand = forearm * Rotation.from_euler("ZXY", angles, degrees=True)
    pair = scalar_first(forearm), scalar_first(hand)
    np.testing.assert_allclose(wrist_angles_free_of_roll(*pair, side), wrist_angles(*pair, side), atol=1e-9)


@pytest.mark.parametrize(("twist", "flexion", "ulnar"), [(5.0, -10.0, 25.0), (-8.0, 20.0, -15.0), (3.0, 0.0, 30.0)])
def test_what_an_axial_turn_does_to_the_angles_free_of_roll(twist: float, flexion: float, ulnar: float) -> None:
    # By hand: the forearm's Y in the hand is Ry(−t)·(sin f, cos f cos d, −cos f sin d), so to first order in t flexion
    # comes out as f + t·sin d and deviation as d − t·tan f·cos d; t² is at most 1.2° here.
    t, f, d = np.radians([twist, flexion, ulnar])
    hand = Rotation.from_euler("ZXY", [f, d, t])
    told = wrist_angles_free_of_roll(scalar_first(Rotation.identity()), scalar_first(hand), "right")
    np.testing.assert_allclose(told, [f + t * np.sin(d), d - t * np.tan(f) * np.cos(d)], atol=0.5 * t**2)


@pytest.mark.parametrize("side", SIDES)
def test_trunk_turn_is_scipys_third_angle(side: LeadSide) -> None:
    # Wu et al. 2005, §2.4.1 (from memory): axial rotation to the left positive; towards the target for lead side left.
    address, later = random_joint(5)
    euler = (address.inv() * later).as_euler("ZXY")[:, 2]
    told = trunk_turn(scalar_first(later), scalar_first(address), side)
    np.testing.assert_allclose(told, euler * (1.0 if side == "left" else -1.0), atol=1e-9)


def test_the_axes_of_the_trunk_are_right_handed() -> None:
    # Wu et al. 2005: X forward, Y up, Z to the right, seen by a person who faces earth's x with y to the left.
    upright = rotation_from_columns((1, 0, 0), (0, 0, 1), (0, -1, 0))
    assert np.linalg.det(upright.as_matrix()) == pytest.approx(1.0)
