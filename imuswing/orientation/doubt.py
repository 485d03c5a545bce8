"""Runs of gyro samples whose integral is in doubt: bridged ones, and those around a shock."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from imuswing.orientation.closure import mask_runs
from imuswing.orientation.quaternion import FloatArray
from imuswing.orientation.stretch import Stretch
from imuswing.recording.model import BoolArray, IntArray

BRIDGED = 1.5
"""A sample whose standard error is this many times the noise was bridged."""

RUN_PIECE_S = 0.015
"""Length of the pieces of a doubtful run; a fast arm's rate is about straight over it."""

MOST_PIECES = 4
"""A longer run is cut into so many pieces."""

ALIKE = 0.8
"""Correlation of the rate errors of a run's pieces: a bridge mostly misses a peak on one side (an assumption)."""

RING_HZ = 25.0
"""About how fast skin and strap ring after a shock (an assumption); a smooth movement has next to nothing there."""

RING_LAG_S = 0.005
"""Spacing of the fourth difference that tells a ring from a movement: an eighth of the ring's period."""

RING_REACH_S = 0.04
"""How far beside a bridged run a ring is looked for."""


def doubtful_runs(stretch: Stretch) -> tuple[IntArray, IntArray, FloatArray]:
    """First and one-past-last increment (R,) of runs whose sum is in doubt, and the covariance (R, R) of the errors of
    their mean rates, (rad/s)², each axis.

    Bridged samples, whose errors add up over the run, more of them where the sensor rang beside it, which no bridge
    follows; and samples around a shock, too rough to be integrated by a cubic: the error term of the four-sample rule,
    11/720 of the fourth difference (Taylor series), of any sign. A run is cut into pieces, since what a bridge misses
    has a shape; the error of the whole run is as stated.
    """
    bridged = np.where(stretch.gyr_se > BRIDGED * stretch.gyr_noise, stretch.gyr_se, 0.0)
    bridged[0] = 0.0
    rough = np.where(bridged > 0.0, 0.0, _integration_error(stretch))
    rough[0] = 0.0
    runs = [
        (int(first), int(last), float(bridged[first:last].max()))
        for first, last in zip(*mask_runs(bridged > 0.0), strict=True)
    ]
    if runs:
        ring = _ringing(stretch, bridged > 0.0)
        speed = np.linalg.norm(stretch.increments, axis=1) * stretch.rate
        runs = [(i, j, float(np.hypot(error, _beside(ring, speed, i, j, stretch.rate)))) for i, j, error in runs]
    runs += [
        (int(first), int(last), float(np.sqrt(np.sum(rough[first:last] ** 2)) / (last - first)))
        for first, last in zip(*mask_runs(rough > 0.0), strict=True)
    ]
    bounds: list[tuple[int, int]] = []
    variances: list[tuple[int, float]] = []
    for first, last, error in sorted(runs):
        pieces = int(np.clip(round((last - first) / stretch.rate / RUN_PIECE_S), 1, min(MOST_PIECES, last - first)))
        bounds += pairwise(np.linspace(first, last, pieces + 1).round().astype(int).tolist())
        variances.append((pieces, error**2))
    covariance = np.zeros((len(bounds), len(bounds)))
    at = 0
    for pieces, variance in variances:
        alike = ALIKE + (1.0 - ALIKE) * np.eye(pieces)
        covariance[at : at + pieces, at : at + pieces] = variance / alike.mean() * alike
        at += pieces
    first_last = np.array(bounds, dtype=np.intp).reshape(-1, 2)
    return first_last[:, 0], first_last[:, 1], covariance


def _integration_error(stretch: Stretch) -> FloatArray:
    """(N,) rad/s, error of an increment as a rate where it stands out of the noise, else 0."""
    rough = np.zeros(len(stretch.increments))
    fourth = np.diff(stretch.increments[1:], n=4, axis=0)
    rough[3 : 3 + len(fourth)] = 11.0 / 720.0 * stretch.rate * np.max(np.abs(fourth), axis=1)
    rough[rough <= BRIDGED * stretch.gyr_noise] = 0.0
    return rough


def _ringing(stretch: Stretch, bridged: BoolArray) -> FloatArray:
    """(N,) rad/s: size of a ring around each sample, NaN where a bridged sample would have to be asked."""
    lag = max(1, round(RING_LAG_S * stretch.rate))
    out = np.full(len(bridged), np.nan)
    if len(bridged) <= 4 * lag + 1:
        return out
    rates = stretch.increments * stretch.rate
    taps = [slice(k * lag, len(rates) - (4 - k) * lag) for k in range(5)]
    fourth = sum(weight * rates[tap] for weight, tap in zip((1.0, -4.0, 6.0, -4.0, 1.0), taps, strict=True))
    touched = np.any([bridged[tap] for tap in taps], axis=0)
    gain = (2.0 * np.sin(np.pi * RING_HZ * lag / stretch.rate)) ** 4
    out[taps[2]] = np.where(touched, np.nan, np.max(np.abs(fourth), axis=1) / gain)
    out[: taps[2].start + 1] = np.nan
    return out


def _beside(ring: FloatArray, speed: FloatArray, first: int, last: int, rate: float) -> float:
    """The larger of both sides' root mean squares of a ring, as an amplitude; no more than the greatest speed there."""
    reach = round(RING_REACH_S * rate)
    sides = (ring[max(first - reach, 0) : first], ring[last : last + reach])
    means = [float(np.sqrt(2.0 * np.mean(side[np.isfinite(side)] ** 2))) for side in sides if np.isfinite(side).any()]
    return min(max(means, default=0.0), float(np.max(speed[max(first - reach, 0) : last + reach])))
