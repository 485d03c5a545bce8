"""What must not matter to orientation: how a sensor is strapped on, which way is north, and how data are cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from orientation_chain_for_tests import chain

from imuswing.orientation import estimate_quaternions
from imuswing.orientation.quaternion import angle_between, exp, inverse, multiply, rotate
from imuswing.orientation.relative import heading_offset_from_hinges, two_hinge_axes, with_heading
from imuswing.orientation.smooth import Stretch, smooth_swing
from imuswing.orientation.strapdown import integrate, rotation_increments

RATE = 200.0
SESSION = chain.session(seed=3, rate=RATE, swings=1, flaws=chain.Flaws())
ADDRESS, IMPACT = int(SESSION.address[0]), int(SESSION.impact[0])
FIRST, LAST = ADDRESS - 500, int(SESSION.finish[0]) + 300
mounts = st.tuples(*(st.floats(-3.0, 3.0) for _ in range(3))).map(np.array)
angles = st.floats(-3.1, 3.1)


def stretch() -> Stretch:
    increments = rotation_increments(SESSION.gyr, rate=RATE, sample_meaning="instant")[FIRST:LAST]
    count = LAST - FIRST
    return Stretch(
        rate=RATE,
        increments=increments,
        acc=SESSION.acc[FIRST:LAST],
        still=SESSION.still[FIRST:LAST],
        acc_doubtful=np.zeros(count, bool),
        gyr_noise=0.002,
        gyr_se=np.full(count, 0.002),
        bias_se=0.0005,
    )


def up_in_sensor(q: np.ndarray) -> np.ndarray:
    return rotate(inverse(q), np.array([0.0, 0.0, 1.0]))


@settings(max_examples=8, deadline=None)
@given(mount=mounts)
def test_turning_the_sensor_in_its_mount_turns_the_estimate_along(mount: np.ndarray) -> None:
    """Up in the old axes stays the same; 0.1° is what VQF's rest detection, axis by axis, may change."""
    turn = exp(mount)
    cut = slice(0, LAST)
    plain = estimate_quaternions(SESSION.gyr[cut], SESSION.acc[cut], rate=RATE)
    turned = estimate_quaternions(
        rotate(inverse(turn), SESSION.gyr[cut]), rotate(inverse(turn), SESSION.acc[cut]), rate=RATE
    )
    apart = np.sum(up_in_sensor(plain) * rotate(turn, up_in_sensor(turned)), axis=1)
    assert np.degrees(np.max(np.arccos(np.clip(apart, -1.0, 1.0)))) < 0.1


@settings(max_examples=8, deadline=None)
@given(mount=mounts)
def test_the_smoother_does_not_care_how_the_sensor_is_strapped_on(mount: np.ndarray) -> None:
    """Up to the accelerometer's prior, which gives scale and axes different sizes: 0.05°."""
    turn, part = exp(mount), stretch()
    turned = replace(part, increments=rotate(inverse(turn), part.increments), acc=rotate(inverse(turn), part.acc))
    address, impact = ADDRESS - FIRST, IMPACT - FIRST
    plain, other = (smooth_swing(one, reference=address) for one in (part, turned))
    relative = multiply(inverse(plain.q[address]), plain.q[impact])
    relative_other = multiply(turn, multiply(multiply(inverse(other.q[address]), other.q[impact]), inverse(turn)))
    assert np.degrees(angle_between(relative, relative_other)) < 0.05
    np.testing.assert_allclose(up_in_sensor(plain.q), rotate(turn, up_in_sensor(other.q)), atol=1e-3)
    moments = np.array([address, impact])
    tilts = [np.einsum("aiai->a", one.error_covariance(moments)[:, :2, :, :2]) for one in (plain, other)]
    np.testing.assert_allclose(tilts[0], tilts[1], rtol=0.05)


@settings(max_examples=25, deadline=None)
@given(cut=st.integers(1, 198), mount=mounts)
def test_strapdown_in_two_parts_is_strapdown(cut: int, mount: np.ndarray) -> None:
    increments = stretch().increments[450:650]
    start = exp(mount)
    whole = integrate(increments, start=start)
    second = integrate(increments[cut:], start=whole[cut])
    np.testing.assert_allclose(second, whole[cut:], atol=1e-12)
    from_middle = integrate(increments, start=whole[cut], start_index=cut)
    assert np.max(angle_between(from_middle, whole)) < 1e-7


@settings(max_examples=25, deadline=None)
@given(north=angles, other_north=angles, mount=mounts)
def test_heading_offset_follows_the_headings(north: float, other_north: float, mount: np.ndarray) -> None:
    time = np.arange(0.0, 6.0, 0.02)
    zeros = np.zeros_like(time)
    q1 = multiply(exp(np.column_stack((0.7 * np.sin(time), 0.5 * np.cos(1.3 * time), zeros))), exp(mount))
    z, x = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    flexion = exp(np.sin(2.0 * time)[:, None] * z)
    q2 = multiply(multiply(q1, flexion), exp((0.4 * np.cos(1.7 * time))[:, None] * x))
    found = heading_offset_from_hinges(with_heading(q1, north), with_heading(q2, other_north), z, x)
    fits = [found.delta, *([found.other] if found.other is not None else [])]
    apart = [abs((fit - (north - other_north) + np.pi) % (2.0 * np.pi) - np.pi) for fit in fits]
    assert min(apart) < 1e-3
    assert found.rms < 1e-6


@settings(max_examples=10, deadline=None)
@given(mount=mounts)
def test_hinge_axes_turn_with_the_sensor(mount: np.ndarray) -> None:
    time = np.arange(0.0, 6.0, 0.02)
    z, x = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    flexion, deviation = np.sin(2.0 * time), 0.4 * np.cos(1.7 * time)
    after = exp(deviation[:, None] * x)
    relative = multiply(exp(flexion[:, None] * z), after)
    own = np.column_stack((np.sin(time), np.cos(2 * time), 0.3 * np.sin(3 * time)))
    carried = rotate(inverse(exp(flexion[:, None] * z)), own) + (2.0 * np.cos(2.0 * time))[:, None] * z
    rates2 = rotate(inverse(after), carried) - (0.68 * np.sin(1.7 * time))[:, None] * x
    turn = exp(mount)
    found = two_hinge_axes(own, rotate(inverse(turn), rates2), multiply(relative, turn))
    assert abs(float(found.axis1 @ z)) > 0.9999
    assert abs(float(found.axis2 @ rotate(inverse(turn), x))) > 0.9999
