"""Stillness, noise and bias on sensors whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from sensors_for_tests import turning_sensor

from imuswing.sensors.bias import estimate_bias
from imuswing.sensors.clean import clean
from imuswing.sensors.settings import DEFAULT_SETTINGS
from imuswing.sensors.stillness import find_rest


def rest_of(stream, settings=DEFAULT_SETTINGS):
    bad = np.zeros(len(stream.time), bool)
    return find_rest(stream.gyr, stream.acc, bad, rate=stream.rate, settings=settings)


@pytest.mark.parametrize("bias_dps", [(0.0, 0.0, 0.0), (0.5, -0.2, 0.1), (8.0, -5.0, 3.0)])
def test_stillness_and_bias_whatever_the_bias(bias_dps: tuple[float, float, float]) -> None:
    """Also far over 2 °/s, where an orientation filter's own bias estimate stops (fusion measurements)."""
    stream = turning_sensor(bias_dps=bias_dps)
    rest = rest_of(stream)
    turning = (np.mod(stream.time - 2.0, 3.0) < 0.8) & (stream.time >= 2.0) & (stream.time < 57.0)
    assert not rest.still[
        turning & (np.mod(stream.time - 2.0, 3.0) > 0.1) & (np.mod(stream.time - 2.0, 3.0) < 0.7)
    ].any()
    resting = ~turning & (np.mod(stream.time - 2.0, 3.0) > 0.95) & (np.mod(stream.time - 2.0, 3.0) < 2.85)
    assert rest.still[resting].mean() > 0.99
    sensor = clean(stream, settings=DEFAULT_SETTINGS)
    np.testing.assert_allclose(np.degrees(sensor.bias.mean), bias_dps, atol=0.02)
    assert np.degrees(sensor.bias.se) < 0.03


def test_noise_is_told_from_tremor() -> None:
    """A 9 Hz tremor of 1.4 °/s beside noise of 0.1 °/s and 0.02 m/s²."""
    stream = turning_sensor(seconds=40.0, turn=0.0)
    tremor = np.radians(2.0) * np.sin(2.0 * np.pi * 9.0 * stream.time)[:, None]
    bad = np.zeros(len(stream.time), bool)
    rest = find_rest(stream.gyr + tremor, stream.acc, bad, rate=stream.rate, settings=DEFAULT_SETTINGS)
    assert rest.still.mean() > 0.95
    assert rest.gyr_noise == pytest.approx(np.radians(0.1), rel=0.3)
    assert rest.acc_noise == pytest.approx(0.02, rel=0.05)


@pytest.mark.parametrize("tremor_dps", [0.0, 4.0])
def test_slow_steady_turning_is_no_rest(tremor_dps: float) -> None:
    """No variance and no change of gravity: only the bias of the other rests tells."""
    stream = turning_sensor(seconds=60.0, turn=0.0)
    gyr = np.array(stream.gyr)
    gyr += np.radians(tremor_dps) * np.sin(2.0 * np.pi * 9.0 * stream.time)[:, None]
    gyr[4000:5000, 2] += np.radians(6.0)
    rest = find_rest(gyr, stream.acc, np.zeros(len(gyr), bool), rate=stream.rate, settings=DEFAULT_SETTINGS)
    assert not rest.still[4060:4940].any()
    assert rest.still[:3940].mean() > 0.98


def test_drift_is_followed_and_its_error_told() -> None:
    """A bias that wanders by half a degree per second over twenty minutes."""
    stream = turning_sensor(seconds=1200.0, rate=50.0, bias_dps=(0.0, 0.0, 0.0))
    true = np.radians(np.column_stack([0.5 * np.sin(stream.time / 300.0 + k) for k in range(3)]))
    rest = find_rest(stream.gyr + true, stream.acc, np.zeros(len(true), bool), rate=50.0, settings=DEFAULT_SETTINGS)
    bias = estimate_bias(rest.stretches, stream.time, noise=rest.gyr_noise, rate=50.0, settings=DEFAULT_SETTINGS)
    error = bias.take_from(true, stream.time)
    rms = np.degrees(np.sqrt(np.mean(error**2)))
    assert rms < 0.03
    assert rms / np.degrees(bias.se) < 2.0
    assert np.degrees(bias.drift) == pytest.approx(1.0, abs=0.15)


def test_error_is_told_honestly_over_many_sensors() -> None:
    """Few short rests in a swaying person: bias errors against their standard errors, 60 draws."""
    ratios = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        stream = turning_sensor(seconds=30.0, seed=seed, bias_dps=(0.0, 0.0, 0.0))
        sway = np.cumsum(rng.standard_normal((len(stream.time), 3)), axis=0)
        sway = np.diff(
            np.stack([np.convolve(s, np.ones(60) / 60.0, "same") for s in sway.T], axis=1), axis=0, prepend=0.0
        )
        sway *= np.radians(0.8) / sway.std()
        rest = find_rest(
            stream.gyr + sway, stream.acc, np.zeros(len(sway), bool), rate=200.0, settings=DEFAULT_SETTINGS
        )
        bias = estimate_bias(rest.stretches, stream.time, noise=rest.gyr_noise, rate=200.0, settings=DEFAULT_SETTINGS)
        ratios.extend(bias.mean / bias.se)
    assert 0.3 < np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_never_still() -> None:
    rng = np.random.default_rng(0)
    gyr = np.cumsum(rng.normal(size=(2000, 3)), axis=0)
    rest = find_rest(
        gyr, 9.8 + 3.0 * rng.normal(size=(2000, 3)), np.zeros(2000, bool), rate=200.0, settings=DEFAULT_SETTINGS
    )
    assert not rest.still.any()
    assert rest.gyr_noise is None
    bias = estimate_bias(rest.stretches, np.arange(2000) / 200.0, noise=None, rate=200.0, settings=DEFAULT_SETTINGS)
    assert not bias.mean.any()
    assert np.degrees(bias.se) >= 1.0


@pytest.mark.parametrize("count", [0, 1, 5, 59])
def test_too_short_for_a_rest(count: int) -> None:
    zeros = np.zeros((count, 3))
    assert not find_rest(zeros, zeros, np.zeros(count, bool), rate=200.0, settings=DEFAULT_SETTINGS).still.any()
