"""Zero-phase smoothing in plain numpy."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from imuswing.errors import SettingsError
from imuswing.recording.model import FloatArray

TWICE_RUN = (math.sqrt(2.0) - 1.0) ** 0.25
"""By this the pre-warped cut-off of a second-order Butterworth filter is divided so that two runs give half power at
the cut-off asked for (Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69; Robertson & Dowling
2003, J Electromyogr Kinesiol 13:569, equation 1)."""

SETTLED = 1e-12
"""Share of a filter's response that may be left out."""


def corrected_cutoff(cutoff_hz: float, *, rate: float) -> float:
    """Cut-off in Hz for each of two runs of a second-order Butterworth filter that together give `cutoff_hz`."""
    if not 0.0 < cutoff_hz < 0.5 * rate:
        raise SettingsError(f"cutoff_hz is {cutoff_hz!r}; it must lie between 0 and half the rate, {0.5 * rate} Hz")
    return rate / math.pi * math.atan(math.tan(math.pi * cutoff_hz / rate) / TWICE_RUN)


def lowpass_zero_phase(x: npt.ArrayLike, *, rate: float, cutoff_hz: float) -> FloatArray:
    """Second-order Butterworth low-pass run forwards and backwards, half power at `cutoff_hz`, along the first axis.

    x: (N,) or (N, M), finite; rate in Hz. The two runs are one multiplication by |H(f)|² in the frequency domain;
    the ends are continued by turning the signal about its end values (as `scipy.signal.filtfilt` does by default).
    """
    values = np.asarray(x, dtype=np.float64)
    single_cutoff = corrected_cutoff(cutoff_hz, rate=rate)
    if len(values) < 2:
        return values.copy()
    warped = math.tan(math.pi * single_cutoff / rate)
    # The poles' modulus tells how long the response lasts.
    modulus = math.sqrt((1.0 - math.sqrt(2.0) * warped + warped**2) / (1.0 + math.sqrt(2.0) * warped + warped**2))
    pad = min(len(values) - 1, math.ceil(math.log(SETTLED) / math.log(max(modulus, 1e-9))) + 3)
    extended = np.concatenate(
        (2.0 * values[:1] - values[pad:0:-1], values, 2.0 * values[-1:] - values[-2 : -pad - 2 : -1]), axis=0
    )
    length = _fast_length(len(extended) + pad)
    gain = _gain(length, warped).reshape((-1,) + (1,) * (values.ndim - 1))
    spectrum = np.fft.rfft(_ramp_to_start(extended, length), axis=0) * gain
    return np.ascontiguousarray(np.fft.irfft(spectrum, length, axis=0)[pad : pad + len(values)])


@lru_cache(maxsize=64)
def _gain(length: int, warped: float) -> FloatArray:
    """|H(f)|² (length // 2 + 1,) of one run at the frequencies of a transform of `length` samples, read-only."""
    frequency = np.fft.rfftfreq(length)
    with np.errstate(over="ignore"):
        ratio = np.tan(np.pi * np.minimum(frequency, 0.5 - 1e-12)) / warped
        gain = 1.0 / (1.0 + ratio**4)
    gain.flags.writeable = False
    return np.asarray(gain)


def _ramp_to_start(values: FloatArray, length: int) -> FloatArray:
    """`values` continued to `length` rows by a straight line from its end to its beginning."""
    missing = length - len(values)
    fraction = (np.arange(1, missing + 1) / (missing + 1)).reshape((-1,) + (1,) * (values.ndim - 1))
    return np.concatenate((values, values[-1:] + fraction * (values[:1] - values[-1:])), axis=0)


@lru_cache(maxsize=1024)
def _fast_length(least: int) -> int:
    """The smallest 2^a·3^b·5^c that is not under `least`."""
    best = 1 << max(least - 1, 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-least // three)
            best = min(best, three << max(rest - 1, 0).bit_length())
            three *= 3
        five *= 5
    return best


def smooth_gaussian(x: npt.ArrayLike, *, rate: float, sd_s: float) -> FloatArray:
    """Weighted mean with a Gaussian of `sd_s` s around each sample, along the first axis; rate in Hz.

    x: (N,) or (N, M), finite. The ends are continued by turning the signal about its end values. The weights are the
    integrals of the Gaussian over each sample's length, so that any rate smooths alike.
    """
    values = np.asarray(x, dtype=np.float64)
    reach = min(math.ceil(4.0 * sd_s * rate), len(values) - 1)
    if reach < 1:
        return values.copy()
    weights = _gaussian(reach, sd_s * rate)
    extended = np.concatenate(
        (2.0 * values[:1] - values[reach:0:-1], values, 2.0 * values[-1:] - values[-2 : -reach - 2 : -1]), axis=0
    )
    columns = extended.reshape(len(extended), -1)
    smooth = np.stack([np.convolve(column, weights, mode="valid") for column in columns.T], axis=1)
    return smooth.reshape(values.shape)


@lru_cache(maxsize=64)
def _gaussian(reach: int, sd: float) -> FloatArray:
    """Weights (2·reach + 1,) of a Gaussian whose SD is so many samples, read-only."""
    edges = (np.arange(-reach, reach + 2) - 0.5) / sd
    weights = np.diff([0.5 * math.erfc(-edge / math.sqrt(2.0)) for edge in edges])
    weights /= weights.sum()
    weights.flags.writeable = False
    return weights


def smooth_parabola(x: FloatArray, *, rate: float, length_s: float) -> FloatArray:
    """The middle of a parabola through the samples of `length_s` s around each one (Savitzky & Golay 1964, Anal Chem
    36:1627), along the first axis; rate in Hz.

    x: (N,) or (N, M), finite; as it is where it is shorter. The ends are held.
    """
    half = max(round(0.5 * length_s * rate), 2)
    weights = _parabola(half)
    if len(x) < len(weights):
        return x
    held = np.concatenate((np.repeat(x[:1], half, axis=0), x, np.repeat(x[-1:], half, axis=0)))
    columns = held.reshape(len(held), -1)
    smooth = np.stack([np.convolve(column, weights, mode="valid") for column in columns.T], axis=1)
    return smooth.reshape(x.shape)


@lru_cache(maxsize=64)
def _parabola(half: int) -> FloatArray:
    """(2·half + 1,) by which samples add up to the middle of the parabola through them, read-only."""
    place = np.arange(-half, half + 1) / half
    weights: FloatArray = np.linalg.pinv(np.vander(place, 3))[-1]
    weights.flags.writeable = False
    return weights
