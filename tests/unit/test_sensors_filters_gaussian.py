"""The Gaussian mean against scipy's, by hand on polynomials, and alike at every rate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from imuswing.sensors.filters import smooth_gaussian


def test_it_is_scipys_gaussian_where_samples_are_dense() -> None:
    # scipy.ndimage.gaussian_filter1d samples the Gaussian; at 20 samples a deviation both are the same to 1e-4.
    x = np.random.default_rng(1).standard_normal((2000, 3))
    mine = smooth_gaussian(x, rate=1000.0, sd_s=0.02)
    theirs = gaussian_filter1d(x, 20.0, axis=0, truncate=4.0)
    np.testing.assert_allclose(mine[200:-200], theirs[200:-200], atol=1e-4)


@pytest.mark.parametrize("rate", [100.0, 200.0, 1000.0])
def test_a_parabola_rises_by_half_the_curvature_times_the_variance(rate: float) -> None:
    # By hand: the mean of (t + s)² over s of variance v is t² + v; a sample's own length adds step²/12.
    time = np.arange(-1.0, 1.0, 1.0 / rate)
    smooth = smooth_gaussian(time**2, rate=rate, sd_s=0.03)
    inside = np.abs(time) < 0.5
    np.testing.assert_allclose(smooth[inside] - time[inside] ** 2, 0.03**2 + 1.0 / (12.0 * rate**2), rtol=0.01)


def test_straight_lines_stay_up_to_the_ends() -> None:
    line = 3.0 - 2.0 * np.arange(50.0)
    np.testing.assert_allclose(smooth_gaussian(line, rate=100.0, sd_s=0.05), line, atol=1e-9)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_short_signals_stay_finite(count: int) -> None:
    x = np.arange(float(count))
    smooth = smooth_gaussian(x, rate=200.0, sd_s=0.01)
    assert smooth.shape == x.shape
    np.testing.assert_allclose(smooth, x, atol=1e-9)
