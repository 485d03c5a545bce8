"""The orientation at a coarse step against the same filter at the full rate, and against chained rotations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imuswing.orientation.coarse import coarse_orientation
from imuswing.orientation.filters import estimate_quaternions
from imuswing.orientation.quaternion import FloatArray, angle_between

GRAVITY = np.array([0.0, 0.0, 9.81])


def moving(rate: float, seconds: float = 30.0) -> tuple[FloatArray, FloatArray]:
    """Increments and accelerations of a sensor that stands still for 5 s and then turns about all axes, to 500 °/s."""
    time = np.arange(int(seconds * rate)) / rate
    grown = np.clip(time - 5.0, 0.0, 1.0)[:, None]
    angles = grown * np.column_stack((np.sin(5.0 * time), 0.8 * np.sin(3.1 * time), 1.2 * np.sin(7.0 * time)))
    sensor = Rotation.from_euler("ZXY", angles)
    increments = np.zeros((len(time), 3))
    increments[1:] = (sensor[:-1].inv() * sensor[1:]).as_rotvec()
    return increments, sensor.inv().apply(GRAVITY)


@pytest.mark.parametrize("rate", [100.0, 199.97, 400.0, 1000.0])
def test_it_is_the_filter_at_full_rate(rate: float) -> None:
    # Laidig & Seel 2023 (Information Fusion 91:187) give the filter's time constants, seconds: what is slower than
    # that must not depend on the step.
    increments, acc = moving(rate)
    full = estimate_quaternions(increments * rate, acc, rate=rate)
    coarse = coarse_orientation(increments, acc, rate=rate)
    apart = np.degrees(angle_between(full, coarse[np.arange(len(full))]))
    assert np.max(apart[int(2 * rate) :]) < 0.05


def test_between_steps_the_rotations_are_chained() -> None:
    increments, acc = moving(400.0)
    coarse = coarse_orientation(increments, acc, rate=400.0)
    chained = Rotation.from_quat(coarse[800], scalar_first=True)
    for k in (801, 802, 803):
        chained = chained * Rotation.from_rotvec(increments[k])
        np.testing.assert_allclose(
            np.abs(coarse[k] @ chained.as_quat(scalar_first=True)), 1.0, atol=1e-12, err_msg=f"sample {k}"
        )


def test_any_shape_of_index_is_answered_and_the_last_sample_is_there() -> None:
    increments, acc = moving(400.0)
    count = len(increments)
    coarse = coarse_orientation(increments[: count - 1], acc[: count - 1], rate=400.0)
    index = np.array([[0, 3], [count - 3, count - 2]])
    assert coarse[index].shape == (2, 2, 4)
    np.testing.assert_array_equal(coarse[index][1, 1], coarse[count - 2])
    with pytest.raises(IndexError):
        coarse[count + 3]


@pytest.mark.parametrize("rate", [50.0, 200.0])
def test_a_filled_gap_is_no_rest(rate: float) -> None:
    # By hand: a gyroscope with a bias of 0.5 °/s lies flat and rests, turns to and fro about the vertical, is lost for
    # 20 s, turns again and rests. The rests tell the bias; the gap's zeros would tell that there is none.
    time = np.arange(0.0, 60.0, 1.0 / rate)
    there, moves = (time < 20.0) | (time >= 40.0), (time > 8.0) & (time < 52.0)
    turning = np.where(moves & there, np.radians(30.0) * np.cos(2.0 * np.pi * 2.0 * time), 0.0)
    increments = np.zeros((len(time), 3))
    increments[1:, 2] = (turning + np.where(there, np.radians(0.5), 0.0))[1:] / rate
    acc = np.tile([0.0, 0.0, 9.81], (len(time), 1))
    coarse = coarse_orientation(increments, acc, rate=rate, unusable=~there)
    q = coarse[np.arange(len(time))]
    heading = np.unwrap(2.0 * np.arctan2(q[:, 3], q[:, 0])) - np.cumsum(turning) / rate
    for stretch in (time < 20.0, time > 40.0):
        assert np.ptp(heading[stretch]) < np.radians(1.0)


@pytest.mark.parametrize("lost_at_end", [True, False])
def test_a_sensor_that_is_lost_at_an_end_is_at_no_rest_there(lost_at_end: bool) -> None:
    # As above, by hand: 20 s of movement between the only rest, which tells a bias of 0.5 °/s, and 20 s of zeros.
    rate = 50.0
    time = np.arange(0.0, 48.0, 1.0 / rate)
    there, moves = time < 28.0, (time > 8.0) & (time < 28.0)
    turning = np.where(moves, np.radians(30.0) * np.cos(2.0 * np.pi * 2.0 * time), 0.0)
    reading = np.where(there, turning + np.radians(0.5), 0.0)
    if not lost_at_end:
        there, turning, reading = there[::-1], turning[::-1], reading[::-1]
    increments = np.zeros((len(time), 3))
    increments[1:, 2] = reading[1:] / rate
    acc = np.tile([0.0, 0.0, 9.81], (len(time), 1))
    q = coarse_orientation(increments, acc, rate=rate, unusable=~there)[np.arange(len(time))]
    heading = np.unwrap(2.0 * np.arctan2(q[:, 3], q[:, 0])) - np.cumsum(turning) / rate
    assert np.ptp(heading[there]) < np.radians(1.0)
    np.testing.assert_allclose(np.linalg.norm(q, axis=1), 1.0, atol=1e-9)
