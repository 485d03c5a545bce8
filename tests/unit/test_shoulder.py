"""The forearm's long axis from the shoulder, on arms whose motion and accelerations follow from geometry alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import make_segment
from scipy.spatial.transform import Rotation
from wrist_sessions_for_tests import ARM, heading

from imuswing.body.segments import SegmentMotion
from imuswing.body.shoulder import long_axis_from_shoulder
from imuswing.body.tie import TieSettings, WristSwing, tie_headings
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import LeadSide

RATE, STEP, IMPACT = 200.0, 1e-3, 1.25


def swinging_arm(
    side: LeadSide, error: FloatArray, *, size: float = 1.0, roll: float = 0.5, fold_deg: float = 0.0
) -> tuple[SegmentMotion, SegmentMotion, float, float]:
    """Forearm and chest through a swing, what each accelerometer feels, and the times of top and impact.

    The trunk turns and sways, the shoulder sits 12 cm above, 5 cm behind and 19 cm beside its sensor. The forearm's
    sensor is 0.5 m from the shoulder, in a direction that leans 4° to the palm's side of the forearm and 3° to the
    thumb's. The forearm's axes are off by the rotation vector `error` (3,), rad, as a routine may have them.
    size: of the swing over 90°.  roll: of the arm about itself, over its swing.  fold_deg: how far the way to the
    shoulder leans more to the palm's side at impact, since the elbow folds through the 40 ms before it.
    """
    time = np.arange(0.0, 2.0, 1.0 / RATE)
    right = 1.0 if side == "right" else -1.0
    to_shoulder = 0.5 * np.array([np.tan(np.radians(4.0)), 1.0, right * np.tan(np.radians(3.0))])

    def posture(at: FloatArray) -> tuple[Rotation, Rotation]:
        sweep = -90.0 * size * np.sin(np.pi * at / 1.4) ** 2
        arm = np.stack((-right * sweep, 50.0 + 0.2 * sweep, roll * right * sweep), axis=1)
        trunk = np.stack((0.1 * sweep, 30.0 - 0.1 * sweep, 0.6 * right * sweep), axis=1)
        return Rotation.from_euler("ZXY", arm, degrees=True), Rotation.from_euler("ZXY", trunk, degrees=True)

    def places(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        arm, trunk = posture(at)
        chest = np.outer(0.03 * np.sin(2.0 * at), [1.0, 0.5, 0.3])
        shoulder = chest + trunk.apply([-0.05, 0.12, right * 0.19])
        folded = np.radians(-fold_deg) * np.clip((at - (IMPACT - 0.04)) / 0.04, 0.0, 1.5) ** 3
        way = Rotation.from_rotvec(folded[:, None] * [0.0, 0.0, 1.0]).apply(to_shoulder)
        return shoulder - arm.apply(way), chest

    before, here, after = places(time - STEP), places(time), places(time + STEP)
    felt = [(a - 2.0 * b + c) / STEP**2 + [0.0, 0.0, 9.81] for a, b, c in zip(before, here, after, strict=True)]
    arm, trunk = posture(time)
    seen = arm * Rotation.from_rotvec(error)
    forearm = make_segment("lead_forearm", seen, rate=RATE, acc=seen.inv().apply(felt[0]))
    # The chest's sensor has a heading of its own.
    chest = make_segment("chest", heading(2.5) * trunk, rate=RATE, acc=trunk.inv().apply(felt[1]))
    return forearm, chest, 0.7, IMPACT


def session(
    side: LeadSide, error: FloatArray, fold_deg: float = 0.0
) -> list[tuple[SegmentMotion, SegmentMotion, float, float]]:
    """Six swings that differ as people's do."""
    shapes = ((0.8, 0.2), (1.0, 0.9), (1.2, 0.5), (0.9, 1.3), (1.1, 0.0), (1.3, 1.1))
    return [swinging_arm(side, error, size=size, roll=roll, fold_deg=fold_deg) for size, roll in shapes]


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("about_x_deg", [-8.0, 0.0, 5.0])
@pytest.mark.parametrize("about_z_deg", [0.0, 8.0])
def test_a_long_axis_that_the_routine_had_wrong_is_seen(side: LeadSide, about_x_deg: float, about_z_deg: float) -> None:
    # By hand: axes turned by a rotation e show the true long axis Y at Y turned back by e.
    error = np.radians([about_x_deg, 0.0, about_z_deg])
    sight = long_axis_from_shoulder(session(side, error), side)
    assert sight is not None
    true = Rotation.from_rotvec(-error).apply([0.0, 1.0, 0.0])
    np.testing.assert_allclose(np.degrees(sight.parts), np.degrees(true[[0, 2]]), atol=0.8)
    assert np.degrees(np.sqrt(np.diag(sight.covariance))).min() >= 6.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_an_elbow_that_folds_just_before_impact_does_not_bend_the_axis(side: LeadSide) -> None:
    # By the definition: the axis is that of the downswing, so it is the one of the same arm that stays straight.
    folds, stays = (long_axis_from_shoulder(session(side, np.zeros(3), fold_deg), side) for fold_deg in (45.0, 0.0))
    assert folds is not None
    assert stays is not None
    np.testing.assert_allclose(np.degrees(folds.parts), np.degrees(stays.parts), atol=0.1)


def test_of_an_arm_that_hardly_moves_the_axis_is_not_known() -> None:
    sight = long_axis_from_shoulder([swinging_arm("left", np.zeros(3), size=0.05)], "left")
    assert sight is None or np.degrees(np.sqrt(np.diag(sight.covariance))).max() > 8.0


def test_without_a_sample_that_can_be_used_there_is_none() -> None:
    forearm, chest, top, impact = swinging_arm("left", np.zeros(3))
    lost = replace(forearm, unusable=np.ones(len(forearm.time), dtype=np.bool_))
    assert long_axis_from_shoulder([(lost, chest, top, impact)], "left") is None
    assert long_axis_from_shoulder([], "left") is None


@pytest.mark.parametrize("axis", [0, 2])
@pytest.mark.parametrize("size_deg", [-9.0, 9.0])
def test_the_tie_takes_most_of_it_off(axis: int, size_deg: float) -> None:
    # By hand: known to 10° by the routine and to 6° by the shoulder, 100 / 136 of an error is taken off and
    # 10 · 6 / √136 = 5.1° of it is left open.
    error = np.zeros(3)
    error[axis] = np.radians(size_deg)
    wide = np.radians(10.0) ** 2 * np.eye(6)
    swings = [
        WristSwing(forearm=forearm, hand=forearm, chest=chest, address=0.35, top=top, impact=impact)
        for forearm, chest, top, impact in session("left", error)
    ]
    # What the wrist tells is made to count for nothing.
    settings = TieSettings(address_turn=100.0, shared_centre=100.0, worst=1e6)
    with_chest, without = (
        tie_headings(each, None, wide, lead_side="left", settings=settings)[0]
        for each in (swings, [replace(swing, chest=None) for swing in swings])
    )
    assert with_chest is not None
    assert without is not None
    assert with_chest.forearm_error[axis] == pytest.approx(100.0 / 136.0 * error[axis], rel=0.15)
    assert abs(without.forearm_error[axis]) < 0.2 * abs(error[axis])
    assert np.degrees(np.sqrt(with_chest.covariance[1 + axis, 1 + axis])) == pytest.approx(5.1, abs=0.4)


@pytest.mark.parametrize(("bent_deg", "believed"), [(15.0, True), (45.0, False)])
def test_an_arm_that_is_bent_does_not_overrule_the_routine(bent_deg: float, believed: bool) -> None:
    # By hand: a routine good to 5° and the shoulder's 6° expect each other within 7.8°; 45° is 5.8 times that, and
    # past 3.7 times (chi-squared of two degrees of freedom, one in a thousand: 13.8, any table) it counts for nothing.
    swings = [
        WristSwing(forearm=forearm, hand=forearm, chest=chest, address=0.35, top=top, impact=impact)
        for forearm, chest, top, impact in session("left", np.radians([bent_deg, 0.0, 0.0]))
    ]
    narrow = np.radians(5.0) ** 2 * np.eye(6)
    settings = TieSettings(address_turn=100.0, shared_centre=100.0, worst=1e6)
    tie = tie_headings(swings, None, narrow, lead_side="left", settings=settings)[0]
    assert tie is not None
    assert (np.degrees(tie.forearm_error[0]) > 4.0) == believed


def test_a_forearm_that_may_have_slipped_shows_nothing_of_the_routines_axes() -> None:
    forearm, chest, top, impact = swinging_arm("left", np.radians([8.0, 0.0, 0.0]))
    slipped = replace(forearm, mount_variance=np.radians(5.0) ** 2)
    swing = WristSwing(forearm=slipped, hand=slipped, chest=chest, address=0.35, top=top, impact=impact)
    with_chest, without = (
        tie_headings([each], None, ARM, lead_side="left", settings=TieSettings())
        for each in (swing, replace(swing, chest=None))
    )
    assert with_chest[0] is not None
    assert without[0] is not None
    np.testing.assert_array_equal(with_chest[0].forearm_error, without[0].forearm_error)
