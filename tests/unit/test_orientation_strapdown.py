"""Strapdown integration on motions whose orientation is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import angle_between, exp, multiply, rotate
from imuswing.orientation.strapdown import integrate, rotation_increments, tilt_from_up


def coning(time: np.ndarray, *, turn_dps: float, spin_dps: float) -> tuple[np.ndarray, np.ndarray]:
    """A spin about Z followed by a turn about the moving X, both at a constant rate: orientation and body rates.

    R(t) = Rz(spin·t)·Rx(turn·t); the body's angular velocity is turn·x + Rx(−turn·t)·spin·z (textbook kinematics).
    """
    turn, spin = np.radians(turn_dps), np.radians(spin_dps)
    zeros = np.zeros_like(time)
    q = multiply(exp(np.column_stack((zeros, zeros, spin * time))), exp(np.column_stack((turn * time, zeros, zeros))))
    rates = np.column_stack(
        (np.full_like(time, turn), spin * np.sin(turn * time), spin * np.cos(turn * time)),
    )
    return q, rates


@pytest.mark.parametrize(("rate", "tolerance_deg"), [(100.0, 0.02), (200.0, 0.004), (400.0, 5e-4)])
def test_instants_of_a_turning_axis(rate: float, tolerance_deg: float) -> None:
    """1000 °/s about an axis that itself turns at 600 °/s: a wrist's speed in a fast swing, for half a second.

    The end intervals, taken by trapezoids, decide: their error falls with the cube of the step.
    """
    time = np.arange(0.0, 0.5, 1.0 / rate)
    truth, gyr = coning(time, turn_dps=600.0, spin_dps=1000.0)
    q = integrate(rotation_increments(gyr, rate=rate, sample_meaning="instant"))
    assert np.degrees(np.max(angle_between(q, truth))) < tolerance_deg


@pytest.mark.parametrize(("rate", "tolerance_deg"), [(100.0, 0.05), (200.0, 0.004), (400.0, 3e-4)])
def test_means_of_a_turning_axis(rate: float, tolerance_deg: float) -> None:
    time = np.arange(0.0, 0.5, 1.0 / rate)
    truth, _ = coning(time, turn_dps=600.0, spin_dps=1000.0)
    means = np.array(
        [
            [
                quad(lambda t, axis=axis: coning(np.array([t]), turn_dps=600.0, spin_dps=1000.0)[1][0, axis], a, b)[0]
                for axis in range(3)
            ]
            for a, b in zip(time - 1 / rate, time, strict=True)
        ]
    )
    q = integrate(rotation_increments(means * rate, rate=rate, sample_meaning="mean"))
    assert np.degrees(np.max(angle_between(q, truth))) < tolerance_deg


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_short_data_keep_a_constant_rate(count: int) -> None:
    constant = np.full((count, 3), 2.0)
    for meaning in ("mean", "instant"):
        increments = rotation_increments(constant, rate=10.0, sample_meaning=meaning)
        np.testing.assert_allclose(increments[1:], constant[1:] / 10.0)
        assert integrate(increments).shape == (count, 4)


def test_integration_from_the_middle_and_of_many_at_once() -> None:
    rng = np.random.default_rng(3)
    increments = rng.normal(scale=0.1, size=(4, 60, 3))
    start = Rotation.random(4, random_state=5).as_quat()[:, [3, 0, 1, 2]]
    q = integrate(increments, start=start, start_index=25)
    for swing in range(4):
        np.testing.assert_allclose(q[swing, 25], start[swing], atol=1e-12)
        steps = Rotation.from_rotvec(increments[swing])
        expected = Rotation.from_quat(start[swing][[1, 2, 3, 0]])
        for k in range(26, 60):
            expected = expected * steps[k]
        last = Rotation.from_quat(q[swing, -1][[1, 2, 3, 0]])
        assert (last.inv() * expected).magnitude() < 1e-12
    back = multiply(q[:, 24], exp(increments[:, 25]))
    assert np.max(angle_between(back, q[:, 25])) < 1e-7


def test_tilt_takes_up_to_up_with_heading_zero() -> None:
    rng = np.random.default_rng(4)
    up = np.concatenate((rng.normal(size=(100, 3)), [[0, 0, 1], [0, 0, -1], [1, 0, 0], [0, 2, 0]]))
    q = tilt_from_up(up)
    expected = np.tile([0.0, 0.0, 1.0], (len(up), 1))
    np.testing.assert_allclose(rotate(q, up / np.linalg.norm(up, axis=1, keepdims=True)), expected, atol=1e-7)
    np.testing.assert_allclose(q[:, 3], 0.0, atol=1e-12)  # the turn's axis is horizontal: no heading


def test_settings_are_checked() -> None:
    with pytest.raises(SettingsError, match="rate"):
        rotation_increments(np.zeros((5, 3)), rate=0.0, sample_meaning="mean")
    with pytest.raises(SettingsError, match="'instant', 'mean'"):
        rotation_increments(np.zeros((5, 3)), rate=100.0, sample_meaning="sum")  # type: ignore[arg-type]
