"""Axes and scales that are read wrongly, told by gravity: motions in closed form, with the rows spoilt by the test."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from sensors_for_tests import G, recording_of, smooth_steps, turning_sensor

from imuswing.errors import RecordingError
from imuswing.recording.model import SensorStream
from imuswing.sensors.clean import clean
from imuswing.sensors.prepare import prepare
from imuswing.sensors.settings import DEFAULT_SETTINGS
from imuswing.sensors.turning import Turning, check_turning

ORDERS = [
    (order, signs) for order in itertools.permutations(range(3)) for signs in itertools.product((1, -1), repeat=3)
]
AS_IT_IS = ((0, 1, 2), (1, 1, 1))


def turning_of(stream: SensorStream) -> Turning:
    return check_turning(clean(stream, settings=DEFAULT_SETTINGS))


def in_words(order: tuple[int, ...], signs: tuple[int, ...]) -> str:
    return ", ".join(("-" if sign < 0 else "") + "xyz"[k] for k, sign in zip(order, signs, strict=True))


@pytest.mark.parametrize(("order", "signs"), ORDERS, ids=[in_words(*each) for each in ORDERS])
def test_every_order_of_axes_is_named(order: tuple[int, ...], signs: tuple[int, ...]) -> None:
    """What the true columns were called in the file is what has to be read to undo it: a permutation's inverse."""
    stream = turning_sensor()
    spoilt = np.empty_like(stream.gyr)
    for axis, (column, sign) in enumerate(zip(order, signs, strict=True)):
        spoilt[:, column] = sign * stream.gyr[:, axis]
    found = turning_of(replace(stream, gyr=spoilt))
    if (order, signs) == AS_IT_IS:
        assert found.misread is None
        assert found.mismatch_deg is not None
        assert found.mismatch_deg < 0.5
    else:
        assert found.misread is not None
        assert found.misread.axes == in_words(order, signs)
        assert found.misread.mismatch_deg < 0.5


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_flipped_accelerometer_axis_is_two_flipped_gyroscope_axes(axis: int) -> None:
    """With the accelerometer mirrored along one axis, d(a)/dt = −ω × a holds with the two others of ω turned."""
    stream = turning_sensor()
    signs = np.where(np.arange(3) == axis, -1.0, 1.0)
    found = turning_of(replace(stream, acc=stream.acc * signs))
    assert found.misread is not None
    assert found.misread.axes == in_words((0, 1, 2), tuple(int(sign) for sign in -signs))


@pytest.mark.parametrize("read", [0.5, 0.7, 1.5, 2.0])
def test_a_wrong_scale_is_named_and_the_sensor_left_out(read: float) -> None:
    chest, stream = turning_sensor(tracked_point="chest"), turning_sensor(seed=1)
    spoilt = replace(stream, gyr=stream.gyr * read)
    found = turning_of(spoilt).misread
    assert found is not None
    assert found.axes is None
    # The scales that are tried stand 6 % apart (a twelfth of an octave).
    assert found.scale * read == pytest.approx(1.0, abs=0.03)
    prepared = prepare(recording_of(chest, spoilt))
    assert prepared.left_out == ("lead_hand",)
    assert "as if its gyroscope read" in prepared.warnings[0].text


@pytest.mark.parametrize("read", [0.81, 1.23])
def test_a_scale_that_is_learnt_is_told_and_leaves_the_sensor_in(read: float) -> None:
    stream = turning_sensor(turn=2.0)
    spoilt = replace(stream, gyr=stream.gyr * read)
    assert turning_of(spoilt).misread is not None
    prepared = prepare(recording_of(spoilt))
    assert prepared.left_out == ()
    (warning,) = prepared.warnings
    assert "disagree" in warning.text


def bent_turning_sensor() -> SensorStream:
    """Bends by 60° about x, turns by 90° about the vertical, straightens, and rests: gravity is back each time."""
    rate, bent = 100.0, np.radians(60.0)
    time = np.arange(int(60.0 * rate)) / rate
    begins, ones = np.arange(2.0, 55.0, 4.0), np.ones(14)
    down, down_speed = smooth_steps(time, begins, bent * ones, 0.7)
    up, up_speed = smooth_steps(time, begins + 1.4, -bent * ones, 0.7)
    _, turning = smooth_steps(time, begins + 0.7, 0.5 * np.pi * ones, 0.7)
    still = np.zeros_like(time)
    vertical = np.column_stack((still, np.sin(down + up), np.cos(down + up)))
    rng = np.random.default_rng(3)
    gyr = np.column_stack((down_speed + up_speed, still, still)) + turning[:, None] * vertical
    gyr += np.radians(0.1) * rng.standard_normal(gyr.shape)
    acc = G * vertical + 0.02 * rng.standard_normal(gyr.shape)
    return SensorStream(tracked_point="chest", tracking_system="imu", rate=rate, time=time, gyr=gyr, acc=acc)


@pytest.mark.parametrize("axis", [1, 2])
def test_a_movement_that_ends_where_it_began_tells_axes_as_well(axis: int) -> None:
    """As a golfer's chest, which bends, turns and comes back: any two rests agree about where down is."""
    stream = bent_turning_sensor()
    right = turning_of(stream)
    assert right.misread is None
    assert right.pairs == 14
    wrong = turning_of(replace(stream, gyr=stream.gyr * np.where(np.arange(3) == axis, -1.0, 1.0)))
    assert wrong.misread is not None
    assert wrong.misread.axes is not None


def test_a_sensor_with_wrong_axes_is_left_out_and_the_others_serve() -> None:
    good, stream = turning_sensor(tracked_point="chest"), turning_sensor(seed=1)
    spoilt = replace(stream, gyr=stream.gyr[:, [1, 0, 2]])
    prepared = prepare(recording_of(good, spoilt))
    assert list(prepared.motions) == ["chest"]
    assert prepared.left_out == ("lead_hand",)
    (warning,) = prepared.warnings
    assert warning.level == "problem"
    assert "gyroscope's axes x, y, z were y, x, z" in warning.text
    assert "right-handed" in warning.do
    # Its numbers and its clock stay in the record.
    assert set(prepared.reports) == {"chest", "lead_hand"}


def test_where_all_axes_are_wrong_the_recording_is_refused_and_says_why() -> None:
    streams = [turning_sensor(tracked_point=point, seed=k) for k, point in enumerate(("chest", "lead_hand"))]
    with pytest.raises(RecordingError, match=r"the chest sensor is left out: .* were -x, -y, -z, and no other sensor"):
        prepare(recording_of(*(replace(stream, gyr=-stream.gyr) for stream in streams)))
