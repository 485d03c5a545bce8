"""Windows of two sensors that tell most about how their clocks stand, and their signals there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_lines import Line
from imuswing.sensors.columns import magnitude
from imuswing.sensors.filters import lowpass_zero_phase

WINDOW_S = 4.0
MARGIN_S = 1.0
"""Windows are filtered with so much before and after them."""

STRATA = 60
"""The most telling window of each of so many parts of the recording is used."""

MISFIT, BENT_M = 0.3, 0.1
"""What the accelerations of one point may differ by, m/s², and, times the squared turn rate, m: soft parts and joints
that are none (an assumption). So a walk tells more than a swing."""

LEAST_TELLING = 0.5
"""A window that may tell less than this is left out."""


@dataclass(frozen=True, kw_only=True)
class Signals:
    """Windows of one sensor: values (9, M, W) of gyr, its derivative and acc; begin: (W,) s own clock; rate: Hz."""

    values: FloatArray
    begin: FloatArray
    rate: float

    def at(self, time: FloatArray) -> FloatArray:
        """(9, W, n) at own times (W, n): cubic through four samples."""
        place = (time - self.begin[:, None]) * self.rate
        left = np.clip(np.floor(place).astype(np.intp), 1, self.values.shape[1] - 3)
        f = place - left
        window = np.arange(len(self.begin))[:, None]
        v = self.values
        return np.asarray(
            (-f * (f - 1.0) * (f - 2.0) / 6.0) * v[:, left - 1, window]
            + ((f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0) * v[:, left, window]
            - ((f + 1.0) * f * (f - 2.0) / 2.0) * v[:, left + 1, window]
            + ((f + 1.0) * f * (f - 1.0) / 6.0) * v[:, left + 2, window]
        )


def telling_windows(first: Clean, second: Clean, line: Line, reach_s: float) -> FloatArray:
    """Begins (W,) of the most telling windows on the second clock, in which both sensors have good data."""
    margin = MARGIN_S + reach_s
    begins = np.arange(second.start + margin, second.time[-1] - WINDOW_S - margin, 1.0)
    if len(begins) == 0:
        return begins
    telling = np.minimum(_telling(second, begins), _telling(first, line(begins)))
    good = telling > LEAST_TELLING
    good &= _good(second, begins - margin, begins + WINDOW_S + margin)
    good &= _good(first, line(begins) - margin, line(begins) + WINDOW_S + margin)
    chosen: list[int] = []
    parts = min(STRATA, max(int(len(begins) / WINDOW_S), 1))
    for part in np.array_split(np.arange(len(begins)), parts):
        usable = part[good[part]]
        if len(usable):
            best = int(usable[np.argmax(telling[usable])])
            if not chosen or begins[best] - begins[chosen[-1]] >= WINDOW_S:
                chosen.append(best)
    return np.asarray(begins[chosen])


def _index(sensor: Clean, time: FloatArray) -> IntArray:
    return np.asarray(np.clip(np.round((time - sensor.start) * sensor.rate), 0, len(sensor.gyr)), dtype=np.intp)


def _telling(sensor: Clean, begins: FloatArray) -> FloatArray:
    """How much windows (W,) may tell: variance of the acceleration's magnitude over that of what bent joints add."""
    # Every second sample or so is enough here, and an hour is long.
    stride = max(int(sensor.rate / 50.0), 1)
    size = magnitude(sensor.acc[::stride])
    spin = magnitude(sensor.gyr[::stride]) ** 2
    i, j = _index(sensor, begins) // stride, _index(sensor, begins + WINDOW_S) // stride

    def mean(values: FloatArray) -> FloatArray:
        running = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray((running[j] - running[i]) / np.maximum(j - i, 1))

    variance = mean(size * size) - mean(size) ** 2
    return np.asarray(variance / (MISFIT**2 + BENT_M**2 * mean(spin * spin)))


def _good(sensor: Clean, begin: FloatArray, end: FloatArray) -> BoolArray:
    """Whether spans (W,) lie within the recording and have no sample that is not to be believed."""
    running = np.concatenate(([0], np.cumsum(sensor.unusable)))
    i, j = _index(sensor, begin), _index(sensor, end)
    inside = (begin >= sensor.start) & (end <= sensor.start + (len(sensor.gyr) - 1) / sensor.rate)
    return np.asarray(inside & (running[i] == running[j]))


def signals(sensor: Clean, begins: FloatArray, reach_s: float, cutoff_hz: float) -> Signals:
    """Low-passed windows of a sensor, with a margin before each begin and after its end."""
    margin = MARGIN_S + reach_s
    length = int((WINDOW_S + 2.0 * margin) * sensor.rate)
    index = np.minimum(_index(sensor, begins - margin), len(sensor.gyr) - length)
    rows = index + np.arange(length)[:, None]
    raw = np.concatenate((np.moveaxis(sensor.gyr[rows], 2, 1), np.moveaxis(sensor.acc[rows], 2, 1)), axis=1)
    smooth = lowpass_zero_phase(raw, rate=sensor.rate, cutoff_hz=min(cutoff_hz, 0.4 * sensor.rate))
    turn = np.gradient(smooth[:, :3], 1.0 / sensor.rate, axis=0)
    values = np.concatenate((smooth[:, :3], turn, smooth[:, 3:]), axis=1)
    begin = sensor.start + index / sensor.rate
    return Signals(values=np.ascontiguousarray(np.moveaxis(values, 1, 0)), begin=begin, rate=sensor.rate)
