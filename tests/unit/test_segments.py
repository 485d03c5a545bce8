"""A segment through a swing: against the true motion, and its error model against sensors spoilt on purpose."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motions_for_tests import GRAVITY, angle_deg, make_motion, make_segment, rotation_of, scalar_first
from scipy.spatial.transform import Rotation

from imuswing.body.alignment import Alignment
from imuswing.body.follow import follow_segment
from imuswing.body.segments import (
    ALIGNMENT,
    BIAS,
    SCALE,
    TILT,
    SegmentMotion,
    SegmentSettings,
    error_maps,
)
from imuswing.orientation.quaternion import FloatArray
from imuswing.orientation.stretch import unknown_correction
from imuswing.sensors.motion import Motion

RATE = 200.0
COUNT = 1600
START_S, END_S, ADDRESS_S = 3.0, 5.0, 2.9
TIME = np.arange(COUNT) / RATE
MOUNT = Rotation.from_euler("xyz", [40.0, -110.0, 70.0], degrees=True)
SETTINGS = SegmentSettings()


def swinging() -> Rotation:
    """Earth from segment: still until 3 s, then 90° back, 150° through with some tilt, still from 5 s on."""
    share = np.clip((TIME - START_S) / (END_S - START_S), 0.0, 1.0)
    late = np.clip(2.0 * share - 1.0, 0.0, 1.0)
    there = -90.0 * np.sin(np.pi * share) ** 2 * (share < 0.5) + np.where(share >= 0.5, -90.0, 0.0)
    through = 150.0 * late**3 * (10.0 - 15.0 * late + 6.0 * late**2)
    turn = there + through
    tilt = 20.0 * np.sin(np.pi * share) ** 2
    return Rotation.from_euler("ZXY", np.stack((turn, 60.0 + tilt, 0.4 * turn), axis=1), degrees=True)


def alignment(sd_deg: float = 2.0) -> Alignment:
    return Alignment(
        tracked_point="lead_forearm",
        q_sensor_from_segment=scalar_first(MOUNT),
        covariance=np.eye(3) * np.radians(sd_deg) ** 2,
    )


def follow(motion: Motion, coarse: Rotation, fitted: Alignment | None = None, **settings: float) -> SegmentMotion:
    followed = follow_segment(
        motion,
        scalar_first(coarse),
        fitted or alignment(),
        start=START_S,
        end=END_S,
        address=ADDRESS_S,
        settings=SegmentSettings(**settings),
    )
    assert followed is not None
    return followed


def sensed(**changes: Any) -> tuple[Motion, Rotation]:
    """The sensor's motion and its true rotations."""
    sensor = swinging() * MOUNT.inv()
    return make_motion("lead_forearm", sensor, rate=RATE, **changes), sensor


def within(segment: SegmentMotion) -> slice:
    first = round(float(segment.time[0]) * RATE)
    return slice(first, first + len(segment.time))


def test_an_ideal_sensor_shows_the_true_motion() -> None:
    motion, sensor = sensed()
    segment = follow(motion, sensor)
    assert angle_deg(rotation_of(segment.q), swinging()[within(segment)]) < 0.02
    # From 2 s before the start to 1.5 s after the end.
    assert segment.time[0] == pytest.approx(START_S - SETTINGS.before_s, abs=1.0 / RATE)
    assert segment.time[-1] == pytest.approx(END_S + SETTINGS.after_s, abs=1.0 / RATE)


def test_rates_and_accelerations_come_in_segment_axes() -> None:
    motion, sensor = sensed()
    segment = follow(motion, sensor)
    inside = within(segment)
    np.testing.assert_allclose(MOUNT.apply(segment.omega), motion.gyr[inside], atol=2e-3)
    np.testing.assert_allclose(MOUNT.apply(segment.acc), motion.acc[inside], atol=1e-9)


def test_a_coarse_orientation_with_a_wrong_tilt_is_put_right_by_gravity() -> None:
    # At rest the accelerometer shows the vertical; what the coarse filter thought of it must not matter: off by as much
    # as it usually is, or by more after samples that were bridged.
    motion, sensor = sensed()
    tilted = Rotation.from_rotvec(np.radians([1.0, -0.7, 0.0])) * sensor
    segment = follow(motion, tilted)
    assert angle_deg(rotation_of(segment.q), swinging()[within(segment)]) < 0.1
    gap = (motion.time > 0.2) & (motion.time < 0.3)
    bridged = replace(motion, clipped=gap, gyr_se=np.where(gap, np.radians(100.0), motion.gyr_noise))
    lost = follow(bridged, Rotation.from_rotvec(np.radians([6.0, -5.0, 0.0])) * sensor)
    assert angle_deg(rotation_of(lost.q), swinging()[within(lost)]) < 0.1


def test_a_recording_that_does_not_hold_the_swing_gives_nothing() -> None:
    motion, sensor = sensed()
    for start, end, address in ((20.0, 22.0, 19.9), (-3.0, -1.0, -3.1)):
        found = follow_segment(
            motion, scalar_first(sensor), alignment(), start=start, end=end, address=address, settings=SETTINGS
        )
        assert found is None


def blind(**changes: Any) -> tuple[Motion, Rotation]:
    """With an accelerometer that is never to be believed, so that nothing is corrected."""
    return sensed(acc_clipped=np.ones(COUNT, dtype=bool), **changes)


def error_of(spoilt: SegmentMotion, ideal: SegmentMotion) -> FloatArray:
    """e(t) (M, 3) in segment axes: estimate = truth · exp(e)."""
    return np.asarray((rotation_of(ideal.q).inv() * rotation_of(spoilt.q)).as_rotvec())


def check_map(spoilt: SegmentMotion, ideal: SegmentMotion, parameters: FloatArray, columns: slice) -> None:
    """The brute-force difference is what the error map says, to 2 % of its largest value."""
    brute = error_of(spoilt, ideal)
    linear = error_maps([ideal], np.arange(len(brute))[None])[0][:, :, columns] @ parameters
    assert np.max(np.abs(brute)) > np.radians(0.05)
    np.testing.assert_allclose(brute, linear, atol=0.02 * float(np.max(np.abs(brute))))
    if columns in (BIAS, SCALE):
        # From sample to sample as well, so that none is left out where sums are kept: it would miss all of its step.
        steps, told = np.diff(brute, axis=0), np.diff(linear, axis=0)
        np.testing.assert_allclose(steps, told, atol=0.25 * float(np.max(np.abs(steps))))


def test_the_error_map_of_a_bias_is_what_a_biased_gyro_does() -> None:
    ideal = follow(*blind())
    bias = np.radians([0.2, -0.1, 0.15])
    spoilt = follow(*blind(bias=bias))
    check_map(spoilt, ideal, bias, BIAS)


@pytest.mark.parametrize("row", range(3))
@pytest.mark.parametrize("column", range(3))
def test_the_error_map_of_a_scale_is_what_a_wrong_scale_does(row: int, column: int) -> None:
    ideal = follow(*blind())
    scale = np.zeros((3, 3))
    scale[row, column] = 0.005
    spoilt = follow(*blind(scale=scale))
    check_map(spoilt, ideal, scale.ravel(), SCALE)


def test_the_error_map_of_tilt_and_alignment_is_what_they_do() -> None:
    motion, sensor = blind()
    ideal = follow(motion, sensor)
    tilt = np.radians([1.0, -0.5])
    check_map(follow(motion, Rotation.from_rotvec([*tilt, 0.0]) * sensor), ideal, tilt, TILT)
    error = np.radians([0.5, -1.0, 0.7])
    turned = Alignment(
        tracked_point="lead_forearm",
        q_sensor_from_segment=scalar_first(MOUNT * Rotation.from_rotvec(error)),
        covariance=np.eye(3),
    )
    check_map(follow(motion, sensor, turned), ideal, error, ALIGNMENT)


def test_a_bias_is_found_from_gravity_before_and_after() -> None:
    # 2 s and 1.5 s of rest around a swing: gravity shows what 0.3 °/s have tilted (the heading it cannot see).
    bias, se = np.radians([0.3, 0.0, 0.0]), float(np.radians(0.3))

    def tilt_deg(motion: Motion, sensor: Rotation) -> float:
        segment = follow(motion, sensor)
        up, true_up = (r.inv().apply(GRAVITY) for r in (rotation_of(segment.q), swinging()[within(segment)]))
        across = np.linalg.norm(np.cross(up, true_up), axis=1) / (GRAVITY @ GRAVITY)
        return float(np.degrees(np.max(across)))

    without = tilt_deg(*blind(bias=bias, bias_se=se))
    assert tilt_deg(*sensed(bias=bias, bias_se=se)) < 0.4 * without


def test_the_covariance_is_what_repeated_draws_show() -> None:
    # Monte Carlo: alignment, tilt, bias, scale, the accelerometer's bias and its wobble from bin to bin, drawn with the
    # sizes of `SegmentSettings` and `unknown_correction`. A bin that turns is trusted less than it deserves here, so
    # that stated errors may be a little wide; 100 draws leave 7 %.
    rng = np.random.default_rng(2)
    bias_se, fitted = float(np.radians(0.1)), alignment()
    known = unknown_correction()
    prior_scale = known.gyro_matrix_se
    up = swinging()[round(ADDRESS_S * RATE)].inv().apply(MOUNT.apply([0.0, 0.0, 9.81]))
    acc_tilt = float(np.sqrt(np.trace(known.acc_covariance(up)) / 3.0)) / 9.81
    bias_sd = np.hypot(bias_se, SETTINGS.bias_floor)
    width = round(SETTINGS.bin_s * RATE)
    normalised = []
    for _ in range(100):
        error = np.radians(2.0) * rng.standard_normal(3)
        sensor = swinging() * Rotation.from_rotvec(-error) * MOUNT.inv()
        wobble = SETTINGS.bin_floor * np.repeat(rng.standard_normal((COUNT // width + 1, 2)), width, axis=0)
        offset = acc_tilt * rng.standard_normal(2) + wobble[:COUNT]
        felt = Rotation.from_rotvec(np.concatenate((offset, np.zeros((COUNT, 1))), axis=1)).apply(GRAVITY)
        motion = make_motion(
            "lead_forearm",
            sensor,
            rate=RATE,
            acc=sensor.inv().apply(felt),
            bias=bias_sd * rng.standard_normal(3),
            bias_se=bias_se,
            scale=prior_scale * rng.standard_normal((3, 3)),
        )
        coarse = Rotation.from_rotvec([*(np.radians(1.0) * rng.standard_normal(2)), 0.0]) * sensor
        segment = follow(motion, coarse, fitted)
        errors = (swinging()[within(segment)].inv() * rotation_of(segment.q)).as_rotvec()
        for at in (START_S, 4.0, 4.6):
            index = int(np.searchsorted(segment.time, at))
            covariance = segment.error_map[index] @ segment.error_covariance @ segment.error_map[index].T
            normalised.append(np.linalg.solve(np.linalg.cholesky(covariance), errors[index]))
    spread = np.sqrt(np.mean(np.array(normalised) ** 2))
    assert 0.85 < spread < 1.1


def test_turning_about_the_vertical_changes_the_heading_only() -> None:
    # By hand: a quarter turn about earth's Z takes x to y and leaves z.
    segment = make_segment("lead_hand", Rotation.identity(20))
    turned = rotation_of(segment.turned_about_vertical(np.pi / 2).q[3])
    np.testing.assert_allclose(turned.apply([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), [[0, 1, 0], [0, 0, 1]], atol=1e-12)


def test_an_alignment_error_can_be_taken_off() -> None:
    # By hand: with an alignment error e, orientation is R·exp(e) and vectors come out turned by exp(−e).
    error = np.radians([5.0, -3.0, 8.0])
    wrong = Rotation.from_rotvec(error)
    truth = swinging()
    vectors = np.random.default_rng(1).standard_normal((COUNT, 3))
    spoilt = make_segment("lead_hand", truth * wrong, acc=wrong.inv().apply(vectors), omega=wrong.inv().apply(vectors))
    righted = spoilt.realigned(error)
    assert angle_deg(rotation_of(righted.q), truth) < 1e-6
    np.testing.assert_allclose(righted.acc, vectors, atol=1e-12)
    np.testing.assert_allclose(righted.omega, vectors, atol=1e-12)


def test_refitted_to_another_alignment_it_is_what_following_with_that_one_gives() -> None:
    # Two ways to the same: align the sensor otherwise before it is followed, or the segment afterwards.
    motion, sensor = sensed(bias=np.radians([0.4, -0.3, 0.2]))
    turn = Rotation.from_rotvec([0.3, -0.5, 2.0])
    other = Alignment(
        tracked_point="lead_forearm",
        q_sensor_from_segment=scalar_first(MOUNT * turn),
        covariance=np.diag([0.01, 0.02, 0.03]) ** 2,
    )
    expected = follow(motion, sensor, other)
    refitted = follow(motion, sensor).refitted(scalar_first(turn), other.covariance)
    np.testing.assert_allclose(rotation_of(refitted.q).as_matrix(), rotation_of(expected.q).as_matrix(), atol=1e-9)
    np.testing.assert_allclose(refitted.omega, expected.omega, atol=1e-9)
    np.testing.assert_allclose(refitted.acc, expected.acc, atol=1e-9)
    np.testing.assert_allclose(refitted.error_covariance, expected.error_covariance, atol=1e-12)
    for index in (100, len(expected.time) - 1):
        np.testing.assert_allclose(refitted.error_map[index], expected.error_map[index], atol=1e-9)
