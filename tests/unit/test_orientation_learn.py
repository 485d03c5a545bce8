"""A sensor's fixed errors learnt from a session's own movements: a closed-form arm (scripts/orientation_chain.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import make_motion
from orientation_chain_for_tests import chain
from scipy.spatial.transform import Rotation

from imuswing.orientation.learn import (
    LearnSettings,
    busiest_stretches,
    corrected,
    learn_correction,
    learn_corrections,
    with_corrections,
)
from imuswing.orientation.quaternion import from_matrix, inverse, multiply
from imuswing.orientation.strapdown import integrate
from imuswing.orientation.stretch import SensorCorrection, SmoothSettings, unknown_correction
from imuswing.recording.model import Recording, SensorStream
from imuswing.sensors.motion import Motion
from imuswing.sensors.prepare import prepare

RATE = 200.0
SETTINGS = LearnSettings(smoothing=SmoothSettings(block_s=0.1, gravity=chain.GRAVITY))


def arm(seed: int, **flaws: float) -> tuple[chain.Session, Recording]:
    session = chain.session(seed=seed, rate=RATE, swings=8, flaws=chain.Flaws(**flaws))
    stream = SensorStream(
        tracked_point="lead_hand",
        tracking_system="hand",
        rate=RATE,
        time=session.time,
        gyr=session.gyr,
        acc=session.acc,
    )
    return session, Recording(participant="arm", lead_side="left", sensors={"lead_hand": stream})


def turn_errors_deg(motion: Motion, session: chain.Session) -> np.ndarray:
    """Error of the tilt that strapdown gives from each address to the impact, with the true tilt at the address."""
    truth, errors = from_matrix(session.matrix), []
    for address, impact in zip(session.address, session.impact, strict=True):
        q = integrate(motion.increments[address : impact + 1], start=truth[address], start_index=0)
        off = multiply(q[-1], inverse(truth[impact]))
        errors.append(np.degrees(2.0 * np.arccos(np.clip(np.hypot(off[0], off[3]), 0.0, 1.0))))
    return np.array(errors)


def test_strapdown_through_the_swings_is_better_by_half() -> None:
    # The closed-form arm's own truth; gyro with 1 % of scale and cross-axis errors (MEMS data sheets: 0.5 to 1 %).
    before, after = [], []
    for seed in range(3):
        session, recording = arm(seed, gyro_scale=0.01, gyro_cross=0.01)
        prepared = prepare(recording)
        right = with_corrections(prepared, learn_corrections(prepared, settings=SETTINGS))
        before.append(turn_errors_deg(prepared.motions["lead_hand"], session))
        after.append(turn_errors_deg(right.motions["lead_hand"], session))
    assert np.sqrt(np.mean(np.square(after))) < 0.5 * np.sqrt(np.mean(np.square(before)))


def test_the_true_matrix_lies_within_the_stated_errors() -> None:
    # By definition reading = gain · true rate, so 1 + M is the gain's inverse. 27 numbers: 95 % of them, give or take.
    inside = []
    for seed in range(3):
        session, recording = arm(seed, gyro_scale=0.01, gyro_cross=0.01)
        found = learn_correction(prepare(recording).motions["lead_hand"], settings=SETTINGS)
        off = found.gyro_matrix - (np.linalg.inv(session.gyro_gain) - np.eye(3))
        inside += (np.abs(off) < 2.5 * found.gyro_matrix_se).ravel().tolist()
    assert np.mean(inside) > 0.85


def test_a_correction_undoes_the_errors_that_it_names() -> None:
    # By hand: a reading made by solving true = (1 + M)·reading and true = reading − b − S·reading.
    rng = np.random.default_rng(3)
    mean = 0.01 * rng.standard_normal(21)
    known = replace(unknown_correction(), mean=mean, learnt=True)
    true = make_motion("chest", Rotation.random(200, random_state=1))
    gyro = np.linalg.inv(np.eye(3) + mean[:9].reshape(3, 3))
    acc = np.linalg.inv(np.eye(3) - mean[12:].reshape(3, 3))
    read = replace(
        true, gyr=true.gyr @ gyro.T, increments=true.increments @ gyro.T, acc=(true.acc + mean[9:12]) @ acc.T
    )
    right = corrected(read, known)
    for name in ("gyr", "increments", "acc"):
        np.testing.assert_allclose(getattr(right, name), getattr(true, name), atol=1e-9)


@pytest.mark.parametrize("axis", range(3))
def test_the_error_of_a_reading_by_hand(axis: int) -> None:
    # By hand: b and S are independent, so a reading of g along one axis is off by √(b² + (g·S)²) on each.
    settings = SmoothSettings(acc_bias_mps2=0.05, acc_scale=0.004, acc_cross=0.003)
    up = np.zeros(3)
    up[axis] = 10.0
    se = np.sqrt(np.diag(unknown_correction(settings).acc_covariance(up)))
    expected = np.full(3, np.hypot(0.05, 0.03))
    expected[axis] = np.hypot(0.05, 0.04)
    np.testing.assert_allclose(se, expected)


def test_the_busiest_stretches_are_chosen_and_begin_at_rest() -> None:
    # By hand: a minute in which the sensor turns from 14 to 18 s and from 40 to 44 s.
    time = np.arange(12_000) / RATE
    angle = 4.0 * np.pi * (np.clip((time - 14.0) / 4.0, 0.0, 1.0) + np.clip((time - 40.0) / 4.0, 0.0, 1.0))
    motion = make_motion("chest", Rotation.from_rotvec(np.outer(angle, [0.0, 0.0, 1.0])))
    spans = busiest_stretches(motion, settings=SETTINGS)
    assert len(spans) == 2
    for (first, last), (start, end) in zip(spans, ((14.0, 18.0), (40.0, 44.0)), strict=True):
        assert time[first] < start
        assert time[last - 1] > end
    assert busiest_stretches(motion, settings=replace(SETTINGS, most=1)) in ([spans[0]], [spans[1]])
    doubtful = np.zeros(len(time), dtype=bool)
    doubtful[3000] = True
    assert busiest_stretches(replace(motion, unusable=doubtful), settings=SETTINGS) == spans[1:]


@pytest.mark.parametrize("count", [20, 150, 900])
def test_a_sensor_that_does_not_move_stays_as_it_is(count: int) -> None:
    motion = make_motion("chest", Rotation.identity(count))
    found = learn_correction(motion, settings=SETTINGS)
    assert not found.learnt
    assert corrected(motion, found) is motion
    np.testing.assert_array_equal(found.mean, np.zeros(21))


def test_a_correction_of_unknown_size_changes_nothing() -> None:
    motion = make_motion("chest", Rotation.identity(50))
    unknown: SensorCorrection = unknown_correction()
    assert corrected(motion, unknown) is motion
