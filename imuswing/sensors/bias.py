"""Gyroscope bias over a recording, from what the sensor reads while still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.columns import CHUNK_ROWS
from imuswing.sensors.settings import SensorSettings
from imuswing.sensors.stillness import Stretches

WANDERS_DPS = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3)
"""Random walks of the bias that are tried, °/s per square root of a minute: from none to a sensor warming up."""

PRIOR_WANDER_DPS = 0.01
PRIOR_WANDER_FACTOR = 5.0
"""Before data, a random walk is thought to be this, within this factor (log-normal; common practice, no source)."""

SCALES = (1.0, 2.0, 4.0)
"""Factors by which the stretches' standard errors may be too small."""

LEAST_SE_DPS = 0.001
"""No stretch tells the bias better than this, °/s: readings are rounded."""

MOST_KNOTS = 200
SHORTEST_KNOT_S = 5.0
"""Still stretches are pooled into at most so many times, at least so far apart."""


@dataclass(frozen=True, kw_only=True)
class Bias:
    """times: (K,) s, increasing.  values: (K, 3) rad/s, straight lines between.  se: rad/s, each axis, over the
    recording."""

    times: FloatArray
    values: FloatArray
    se: float

    def take_from(self, gyr: FloatArray, time: FloatArray) -> FloatArray:
        """gyr (N, 3) at times (N,) without it."""
        out = np.empty_like(gyr)
        for first in range(0, len(gyr), CHUNK_ROWS):
            rows = slice(first, first + CHUNK_ROWS)
            np.subtract(gyr[rows], _at(time[rows], self.times, self.values), out=out[rows])
        return out

    @property
    def mean(self) -> FloatArray:
        """(3,) rad/s."""
        return np.asarray(self.values.mean(axis=0))

    @property
    def drift(self) -> float:
        """Largest change over the recording on any axis, rad/s."""
        return float(np.ptp(self.values, axis=0).max())


def estimate_bias(
    stretches: Stretches, time: FloatArray, *, noise: float | None, rate: float, settings: SensorSettings
) -> Bias:
    """The bias as a random walk seen through the still stretches (kriging with a Wiener covariance); time: (N,) s.

    How much it wanders is chosen by the likelihood of what was seen. With no stretch it is zero with a standard error
    that says so.
    """
    ends = np.array([time[0], time[-1]]) if len(time) else np.zeros(2)
    if len(stretches) == 0 or noise is None:
        return Bias(times=ends[:1], values=np.zeros((1, 3)), se=np.radians(settings.bias_unknown_dps))
    at = 0.5 * (time[stretches.first] + time[stretches.last - 1])
    se = _stretch_se(stretches, noise=noise, rate=rate, settings=settings)
    at, seen, se = _pool(at, stretches.gyr, se, span=float(ends[1] - ends[0]))
    centre = np.average(seen, axis=0, weights=se**-2)
    for _ in range(2):
        wander, scale = _best_wander(at, seen - centre, se)
        times, values, error = _krige(at, seen - centre, se * scale, wander, ends)
        # A stretch that does not fit is no rest: it counts for less.
        misfit = np.linalg.norm(seen - centre - _at(at, times, values), axis=1) / (np.sqrt(3.0) * se * scale)
        se = se * np.maximum(misfit / 2.0, 1.0)
    return Bias(times=times, values=values + centre, se=error)


def _stretch_se(stretches: Stretches, *, noise: float, rate: float, settings: SensorSettings) -> FloatArray:
    """Standard error (S,) in rad/s of each stretch's mean as a reading of the bias: noise, sway and slow turning."""
    count = (stretches.last - stretches.first).astype(np.float64)
    span = count / rate
    sway = np.maximum(stretches.gyr_sd**2 - noise**2, 0.0)
    # Slow turning has no variance within the stretch; it is taken to be as much as the sway shows, up to a limit.
    slow = np.minimum(np.sqrt(sway) * settings.sway_time_s, np.radians(settings.sway_angle_deg)) / span
    variance = noise**2 / count + sway * np.minimum(settings.sway_time_s / span, 1.0) + slow**2
    return np.asarray(np.sqrt(variance + np.radians(LEAST_SE_DPS) ** 2))


def _pool(
    at: FloatArray, seen: FloatArray, se: FloatArray, *, span: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weighted means over spans of time, so that a long recording has few of them."""
    width = max(SHORTEST_KNOT_S, span / MOST_KNOTS)
    slot, member = np.unique(np.floor((at - at[0]) / width), return_inverse=True)
    weight = se**-2.0
    total = np.bincount(member, weight, len(slot))

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(member, weight * values, len(slot)) / total)

    return mean(at), np.column_stack([mean(seen[:, axis]) for axis in range(3)]), np.asarray(1.0 / np.sqrt(total))


def _best_wander(at: FloatArray, seen: FloatArray, se: FloatArray) -> tuple[float, float]:
    """The likeliest random walk, (rad/s)²/s, and the factor (1 or more) by which the standard errors are too small."""
    loose = float(np.var(seen)) * 100.0 + float(np.max(se)) ** 2 * 100.0
    tried, scale = (grid.ravel() for grid in np.meshgrid(WANDERS_DPS, SCALES, indexing="ij"))
    wander = np.radians(tried) ** 2 / 60.0
    prior = -0.5 * (np.log(np.maximum(tried, 1e-3) / PRIOR_WANDER_DPS) / np.log(PRIOR_WANDER_FACTOR)) ** 2
    likelihood = _log_likelihood(at, seen, se, wander, scale, loose) + prior - 0.5 * np.log(scale)
    best = int(np.argmax(likelihood))
    return float(wander[best]), float(scale[best])


def _log_likelihood(
    at: FloatArray, seen: FloatArray, se: FloatArray, wander: FloatArray, scale: FloatArray, loose: float
) -> FloatArray:
    """Log likelihood (T,) of `seen` (K, 3) for each random walk and scale of the errors, (T,), but for a constant.

    A Kalman filter over the readings gives it without matrices (Schweppe 1965, IEEE Trans. Inf. Theory 11:61).
    """
    level, variance = np.zeros((len(wander), 3)), np.full(len(wander), loose)
    total, before = np.zeros(len(wander)), float(at[0])
    for time, value, error in zip(at.tolist(), seen, se.tolist(), strict=True):
        variance = variance + wander * (time - before)
        expected = variance + (error * scale) ** 2
        away = value - level
        total -= 0.5 * (3.0 * np.log(expected) + np.einsum("tc,tc->t", away, away) / expected)
        gain = variance / expected
        level += gain[:, None] * away
        variance = variance * (1.0 - gain)
        before = time
    return total


def _krige(
    at: FloatArray, seen: FloatArray, se: FloatArray, wander: float, ends: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Times (K,), bias (K, 3) there and its standard error averaged over the recording."""
    times = np.unique(np.concatenate((at, np.linspace(ends[0], ends[1], 50))))
    loose = float(np.var(seen)) * 100.0 + float(np.max(se)) ** 2 * 100.0
    origin = min(times[0], at[0])
    between = loose + wander * (np.minimum(times[:, None], at) - origin)
    covariance = loose + wander * (np.minimum(at[:, None], at) - origin) + np.diag(se**2)
    weights = np.linalg.solve(covariance, between.T).T
    variance = loose + wander * (times - origin) - np.sum(weights * between, axis=1)
    # Uneven times: average over the recording, not over the knots.
    mean_variance = float(np.interp(np.linspace(ends[0], ends[1], 200), times, np.maximum(variance, 0.0)).mean())
    return times, weights @ seen, float(np.sqrt(mean_variance))


def _at(where: FloatArray, times: FloatArray, values: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(where, times, values[:, axis]) for axis in range(3)])
