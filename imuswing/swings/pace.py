"""Moments of the smooth motion that go along with the impact: when each sensor turns fastest near the ball.

A golfer repeats the same downswing, so the ball is met at nearly the same place of it: so long after the arm is back at
its address direction, and so long after forearm, hand and chest turn fastest. Which of these tells best is different
from golfer to golfer; `swings.impact` learns that from the session's clear shots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray, length
from imuswing.sensors.columns import finite_rows, median
from imuswing.swings.moments import parabola_vertex
from imuswing.swings.surprise import ShockWindow


@dataclass(frozen=True, kw_only=True)
class PaceSettings:
    """How the fastest moments are looked for (common practice, no source).

    around_s: so far around the arm's return.  smooth_s: standard deviation of the Gaussian that turn rates are smoothed
    with: a ring of 20 Hz and more is all but gone (its amplitude is exp(-(2 pi 20 Hz x 0.015 s)^2 / 2) = 0.17).
    longest_gap_s: where more is missing the moment is not told.
    """

    around_s: float = 0.12
    smooth_s: float = 0.015
    longest_gap_s: float = 0.03


def clues(swings: Sequence[Sequence[ShockWindow]], backs: Sequence[float], *, settings: PaceSettings) -> FloatArray:
    """For each swing (K) and sensor, when it turns fastest after the arm's return, s, (K, S); NaN where not told.

    swings: each swing's sensors.  backs: (K) the arm's return to its address direction, s.
    """
    points = list(dict.fromkeys(window.tracked_point for swing in swings for window in swing))
    found = np.full((len(swings), len(points)), np.nan)
    for k, (swing, back) in enumerate(zip(swings, backs, strict=True)):
        for window in swing:
            found[k, points.index(window.tracked_point)] = _fastest(window, back, settings) - back
    return found


def _fastest(window: ShockWindow, back: float, settings: PaceSettings) -> float:
    """When a sensor turns fastest near the arm's return, s; NaN where samples are missing or the rate still grows."""
    there = finite_rows(window.gyr)
    reach = settings.around_s + 4.0 * settings.smooth_s
    near = there & (np.abs(window.time - back) <= reach)
    if near.sum() < 8:
        return np.nan
    step = median(np.diff(window.time))
    grid = np.arange(back - reach, back + reach, min(step, 0.005))
    known = window.time[near]
    edges = np.concatenate(([grid[0]], known, [grid[-1]]))
    if np.diff(edges).max() > max(settings.longest_gap_s, 2.5 * step):
        return np.nan
    gyr = np.stack([np.interp(grid, known, window.gyr[near, axis]) for axis in range(3)], axis=1)
    speed = length(_smoothed(gyr, grid[1] - grid[0], settings.smooth_s))
    inside = np.flatnonzero(np.abs(grid - back) <= settings.around_s)
    best = int(inside[np.argmax(speed[inside])])
    if best in (inside[0], inside[-1]):
        return np.nan
    return parabola_vertex(grid, speed, best)


def _smoothed(values: FloatArray, step: float, spread: float) -> FloatArray:
    reach = int(np.ceil(4.0 * spread / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / spread) ** 2)
    kernel /= kernel.sum()
    return np.stack([np.convolve(values[:, axis], kernel, mode="same") for axis in range(3)], axis=1)
