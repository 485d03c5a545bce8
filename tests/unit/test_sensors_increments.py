"""Instants, interval means and rotation vectors against closed forms and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from imuswing.sensors.columns import CHUNK_ROWS
from imuswing.sensors.increments import instants_from_means, interval_means, rotation_vectors

STEP = 0.01


def polynomial_case(degree: int) -> tuple[np.ndarray, np.ndarray]:
    """Instants and interval means (12, 3) of polynomials, by their antiderivative."""
    rng = np.random.default_rng(degree)
    time = np.arange(12) * STEP
    instants, means = np.empty((12, 3)), np.empty((12, 3))
    for axis in range(3):
        p = np.polynomial.Polynomial(rng.normal(size=degree + 1) * 100.0 ** np.arange(degree + 1) / 10.0)
        integral = p.integ()
        instants[:, axis] = p(time)
        means[:, axis] = (integral(time) - integral(time - STEP)) / STEP
    return instants, means


def test_interval_means_are_exact_for_cubics() -> None:
    instants, means = polynomial_case(3)
    np.testing.assert_allclose(interval_means(instants)[2:-1], means[2:-1], rtol=1e-12, atol=1e-12)


def test_instants_are_exact_for_cubics() -> None:
    instants, means = polynomial_case(3)
    np.testing.assert_allclose(instants_from_means(means)[1:-2], instants[1:-2], rtol=1e-12, atol=1e-12)


def test_a_sample_that_means_an_instant_is_integrated_as_one() -> None:
    """A 1600 °/s peak at 200 Hz: summing instants is 4° wrong at the peak (half a sample), interval means are not."""
    time = np.arange(-100, 1) / 200.0
    omega = np.radians(1600.0) * np.exp(-0.5 * (time / 0.06) ** 2)
    true = quad(lambda t: np.radians(1600.0) * np.exp(-0.5 * (t / 0.06) ** 2), time[0], 0.0)[0]
    extended = np.radians(1600.0) * np.exp(-0.5 * (np.arange(-100, 4) / 200.0 / 0.06) ** 2)
    means = interval_means(np.repeat(extended[:, None], 3, axis=1))[:101, 0]
    assert np.degrees(abs(omega[1:].sum() / 200.0 - true)) > 3.5
    assert np.degrees(abs(means[1:].sum() / 200.0 - true)) < 0.01


def coning(time: np.ndarray, *, tilt: float, pulsation: float) -> tuple[Rotation, np.ndarray]:
    """Classical coning motion (Bortz 1971): a rotation vector of fixed length `tilt` that turns in the x-y plane,
    and the angular velocity in body axes, from q⁻¹·dq/dt in closed form."""
    phase = pulsation * time
    orientation = Rotation.from_rotvec(tilt * np.column_stack((np.cos(phase), np.sin(phase), np.zeros_like(phase))))
    omega = pulsation * np.column_stack(
        (
            -np.sin(tilt) * np.sin(phase),
            np.sin(tilt) * np.cos(phase),
            -2.0 * np.sin(tilt / 2.0) ** 2 * np.ones_like(phase),
        )
    )
    return orientation, omega


def chained(vectors: np.ndarray) -> Rotation:
    total = Rotation.identity()
    for vector in vectors[1:]:
        total = total * Rotation.from_rotvec(vector)
    return total


@pytest.mark.parametrize(("rate", "most_deg"), [(100.0, 0.02), (200.0, 0.002)])
def test_coning_is_followed(rate: float, most_deg: float) -> None:
    time = np.arange(int(5 * rate) + 1) / rate
    orientation, omega = coning(time, tilt=0.5, pulsation=2.0 * np.pi * 2.0)
    true = orientation[0].inv() * orientation[-1]
    vectors = rotation_vectors(omega, interval_means(omega), step=1.0 / rate)
    assert np.degrees((true.inv() * chained(vectors)).magnitude()) < most_deg
    plain = interval_means(omega) / rate
    assert np.degrees((true.inv() * chained(plain)).magnitude()) > 20 * most_deg


def test_first_row_is_zero_and_short_input_works() -> None:
    for count in range(6):
        values = np.ones((count, 3))
        vectors = rotation_vectors(instants_from_means(values), values, step=STEP)
        assert vectors.shape == (count, 3)
        assert not vectors[:1].any()
        np.testing.assert_allclose(vectors[1:], STEP)
        np.testing.assert_allclose(interval_means(values), 1.0)


@pytest.mark.parametrize("count", [1, 2, CHUNK_ROWS, CHUNK_ROWS + 1, CHUNK_ROWS + 2, 2 * CHUNK_ROWS + 9])
def test_rotation_vectors_of_long_recordings_are_those_of_the_formula(count: int) -> None:
    # Bortz 1971 for a rate that changes linearly, with numpy's cross product.
    instants, means = np.random.default_rng(3).normal(size=(2, count, 3))
    expected = STEP * means
    expected[0] = 0.0
    expected[1:] += STEP**2 / 12.0 * np.cross(instants[:-1], instants[1:])
    np.testing.assert_allclose(rotation_vectors(instants, means, step=STEP), expected, atol=1e-15)
