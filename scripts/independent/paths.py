"""Smooth functions of time: everything that moves is built from these, sampled at `RATE_HZ`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BPoly, PchipInterpolator
from scipy.signal import butter, sosfiltfilt

Floats = NDArray[np.float64]

RATE_HZ = 1000.0  # five times the sensors' usual rate, so that central differences are exact enough


def blend(count: int) -> Floats:
    """From 0 to 1 in `count` samples with the least jerk (Flash & Hogan 1985, J Neurosci 5:1688, eq. 3)."""
    s = np.linspace(0.0, 1.0, count)
    return s**3 * (10.0 - 15.0 * s + 6.0 * s**2)


def quintic(times_s: Sequence[float], knots: Sequence[Sequence[float]], at_s: Floats) -> Floats:
    """Quintic pieces through knots of value, first and second derivative; constant outside of them."""
    return np.asarray(BPoly.from_derivatives(times_s, knots)(np.clip(at_s, times_s[0], times_s[-1])))


def monotone(times_s: Sequence[float], values: Sequence[float], at_s: Floats) -> Floats:
    """Through the values without overshoot (Fritsch & Carlson 1980), constant outside."""
    return np.asarray(PchipInterpolator(times_s, values)(np.clip(at_s, times_s[0], times_s[-1])))


def integral(values: Floats) -> Floats:
    """Running integral over time, trapezoids, starting at 0."""
    steps = (values[1:] + values[:-1]) / (2.0 * RATE_HZ)
    return np.concatenate([[0.0], np.cumsum(steps)])


def wander(rng: np.random.Generator, count: int, cutoff_hz: float, columns: int = 1) -> Floats:
    """Noise of unit spread below `cutoff_hz`, (count, columns): sway, tremor, drift."""
    step = max(1, int(RATE_HZ / (20.0 * cutoff_hz)))  # coarse grid: a filter far below its rate loses digits
    coarse = rng.standard_normal((count // step + 200, columns))
    coarse = sosfiltfilt(butter(2, cutoff_hz, fs=RATE_HZ / step, output="sos"), coarse, axis=0)
    coarse /= coarse.std(axis=0)
    at = np.arange(count) / step + 50.0
    return np.column_stack([np.interp(at, np.arange(len(c)), c) for c in coarse.T])
