"""The zero-phase low-pass against SciPy's filters and Winter's correction of the cut-off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, filtfilt, freqz

from imuswing.errors import SettingsError
from imuswing.sensors.filters import corrected_cutoff, lowpass_zero_phase


@pytest.mark.parametrize(("rate", "cutoff", "corrected"), [(200.0, 6.0, 7.46682), (1000.0, 50.0, 62.0450)])
def test_corrected_cutoff(rate: float, cutoff: float, corrected: float) -> None:
    """Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69; Robertson & Dowling 2003, J
    Electromyogr Kinesiol 13:569, equation 1, applied to the pre-warped frequency (second hand, recomputed)."""
    assert corrected_cutoff(cutoff, rate=rate) == pytest.approx(corrected, rel=1e-5)


@pytest.mark.parametrize(("rate", "cutoff"), [(200.0, 6.0), (100.0, 20.0), (400.0, 4.0), (50.0, 12.0)])
def test_equals_two_runs_of_scipys_butterworth(rate: float, cutoff: float) -> None:
    """scipy.signal.butter and filtfilt with the corrected cut-off, which is itself checked above."""
    x = np.cumsum(np.random.default_rng(1).normal(size=(1500, 3)), axis=0)
    b, a = butter(2, corrected_cutoff(cutoff, rate=rate), fs=rate)
    expected = filtfilt(b, a, x, axis=0, padlen=1400)
    got = lowpass_zero_phase(x, rate=rate, cutoff_hz=cutoff)
    inner = slice(int(rate / cutoff * 2), -int(rate / cutoff * 2))
    np.testing.assert_allclose(got[inner], expected[inner], atol=2e-3 * np.ptp(x))
    np.testing.assert_allclose(got[300:-300], expected[300:-300], atol=1e-5 * np.ptp(x))


def test_half_power_at_the_cutoff_asked_for() -> None:
    """scipy.signal.freqz: two runs at the corrected cut-off halve the power at the cut-off; uncorrected ones quarter it
    (gain 0.5)."""
    rate, cutoff = 200.0, 6.0
    b, a = butter(2, corrected_cutoff(cutoff, rate=rate), fs=rate)
    gain = abs(freqz(b, a, worN=[cutoff], fs=rate)[1][0]) ** 2
    assert gain == pytest.approx(np.sqrt(0.5), abs=1e-9)
    b, a = butter(2, cutoff, fs=rate)
    assert abs(freqz(b, a, worN=[cutoff], fs=rate)[1][0]) ** 2 == pytest.approx(0.5, abs=1e-9)
    time = np.arange(4000) / rate
    filtered = lowpass_zero_phase(np.sin(2.0 * np.pi * cutoff * time), rate=rate, cutoff_hz=cutoff)[1000:3000]
    assert np.ptp(filtered) / 2.0 == pytest.approx(np.sqrt(0.5), abs=1e-3)


def test_keeps_lines_and_shapes() -> None:
    line = np.outer(np.arange(300.0), [1.0, -2.0])
    np.testing.assert_allclose(lowpass_zero_phase(line, rate=100.0, cutoff_hz=5.0), line, atol=1e-3)
    assert lowpass_zero_phase(np.ones(7), rate=100.0, cutoff_hz=5.0) == pytest.approx(np.ones(7))
    assert lowpass_zero_phase(np.ones((1, 2)), rate=100.0, cutoff_hz=5.0).shape == (1, 2)
    assert lowpass_zero_phase(np.ones((50, 2, 4)), rate=100.0, cutoff_hz=5.0).shape == (50, 2, 4)


@pytest.mark.parametrize("cutoff", [0.0, 50.0, 80.0, -1.0])
def test_impossible_cutoffs_are_refused(cutoff: float) -> None:
    with pytest.raises(SettingsError, match="between 0 and half the rate"):
        lowpass_zero_phase(np.ones(10), rate=100.0, cutoff_hz=cutoff)
