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
from imuswing.sensors.columns import finite_rows
from imuswing.swings.moments import parabola_vertex
from imuswing.swings.surprise import ShockWindow, usual_step


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
    for column, point in enumerate(points):
        held = [(k, w) for k, swing in enumerate(swings) for w in swing if w.tracked_point == point]
        step, reach = usual_step([window for _, window in held]), settings.around_s + 4.0 * settings.smooth_s
        if np.isnan(step):
            continue
        after = np.arange(-reach, reach, min(step, 0.005))
        longest_gap = max(settings.longest_gap_s, 2.5 * step)
        even = [(k, gyr) for k, w in held if (gyr := _evenly(w, backs[k] + after, longest_gap)) is not None]
        if even:
            fastest = _fastest(after, np.stack([gyr for _, gyr in even]), settings)
            found[[k for k, _ in even], column] = fastest
    return found


def _evenly(window: ShockWindow, grid: FloatArray, longest_gap: float) -> FloatArray | None:
    """Angular velocity (G, 3) at even times (G,), by lines; None where too much is missing."""
    time, gyr = window.time, window.gyr
    first, last = np.searchsorted(time, (grid[0], grid[-1]), side="left")
    time, gyr = time[first : last + 1], gyr[first : last + 1]
    there = finite_rows(gyr)
    if not there.all():
        time, gyr = time[there], gyr[there]
    if len(time) < 8:
        return None
    gaps = np.diff(time)
    if max(float(gaps.max()), float(time[0] - grid[0]), float(grid[-1] - time[-1])) > longest_gap:
        return None
    return np.stack([np.interp(grid, time, gyr[:, axis]) for axis in range(3)], axis=1)


def _fastest(time: FloatArray, gyr: FloatArray, settings: PaceSettings) -> FloatArray:
    """When each of S stretches (S, G, 3) at even times (G,) turns fastest, (S,) s; NaN where the rate still grows."""
    speed = length(_smoothed(gyr, float(time[1] - time[0]), settings.smooth_s))
    inside = np.flatnonzero(np.abs(time) <= settings.around_s)
    best = inside[np.argmax(speed[:, inside], axis=1)]
    return np.array(
        [
            np.nan if k in (inside[0], inside[-1]) else parabola_vertex(time, row, k)
            for row, k in zip(speed, best.tolist(), strict=True)
        ]
    )


def _smoothed(values: FloatArray, step: float, spread: float) -> FloatArray:
    """Values (S, G, 3) under a Gaussian along G; beyond their ends they are 0."""
    reach = int(np.ceil(4.0 * spread / step))
    kernel = np.exp(-0.5 * (np.arange(reach + 1) * step / spread) ** 2)
    kernel /= kernel[0] + 2.0 * kernel[1:].sum()
    smooth = kernel[0] * values
    for shift, weight in enumerate(kernel[1:].tolist(), start=1):
        smooth[:, shift:] += weight * values[:, :-shift]
        smooth[:, :-shift] += weight * values[:, shift:]
    return smooth
