"""Impact: contact of club and ball lasts half a millisecond, so a sensor sees only the shock's ring-down.

The shock is what smooth motion does not predict: the second difference of the acceleration, measured against the same
swing's own smooth part, sensor by sensor. Its onset lies between the first sample that shows it and the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray

ONSET_SHARE = 0.06
"""Share of the shock's largest jolt that its first sample must reach: a ring may start at any phase."""
ONSET_RISE = 4.0
"""Times the largest jolt shortly before, that a shock's first sample must reach."""
BEFORE_S = (0.09, 0.03)
"""The stretch before the largest jolt that shows the swing's own smooth jolts."""
RING_S = 0.12
"""A shock has rung down after this long (assumption)."""
RING_GAP_S = 0.013
"""Between two jolted samples of one ring there may be this much of quiet."""
LEAST_RATIO = 3.0
"""A shock under this ratio tells no time."""
WEAK_START_STEPS = 0.6
LATE_S = 0.0007
OUTLIER = 1e-3
GRID_S, GRID_STEP_S = (0.03, 0.015), 0.0001
"""Shape and grid of the likelihood of the onset (assumptions, checked by simulation)."""
SMOOTH_SHARE, SMOOTH_RATE, SMOOTH_POWER = 0.35, 100.0, 2.5
AROUND_S = 0.1
"""Jolts that smooth swings themselves show near impact, as a share of the acceleration there: 0.35 at 100 Hz, falling with
rate^2.5 (read off simulated practice swings; the session's own split corrects it)."""
LEAST_JOLT = 0.3
"""m/s²; smooth motion is never told to be smoother than this."""


@dataclass(frozen=True, kw_only=True)
class AccWindow:
    """One sensor's acceleration (M, 3), m/s², at evenly spaced `time` (M,), s, around the end of a downswing."""

    tracked_point: str
    time: FloatArray
    acc: FloatArray
    noise: float
    clock_se: float


@dataclass(frozen=True, kw_only=True)
class Shock:
    """What one sensor shows of a shock: its first jolted sample and the step before it (s), and its size.

    clock_se: standard error of the sensor's time, s.  jolt: largest difference, m/s².  ratio: jolt / (the swing's own 90th percentile of them).
    """

    tracked_point: str
    time: float
    step: float
    clock_se: float
    jolt: float
    ratio: float


def find_shock(window: AccWindow, *, earliest: float, latest: float) -> Shock | None:
    """The largest shock between earliest and latest (s) in one sensor; None where the window holds too few samples."""
    time, acc = window.time, window.acc
    if len(time) < 12:
        return None
    inside = np.flatnonzero((time >= earliest) & (time <= latest))
    if len(inside) < 3:
        return None
    step = time[1] - time[0]
    # At low rates a third difference of smooth motion is no smaller than a second one: take what shows the shock best.
    second, third = (_contrast(window, order, inside) for order in (2, 3))
    best = max((second, third), key=lambda seen: seen.jolt[seen.peak] / seen.quiet)
    jolt, peak = best.jolt, best.peak
    level = min(max(ONSET_RISE * best.quiet, ONSET_SHARE * jolt[peak]), 0.9 * jolt[peak])
    first = peak
    gap = max(int(round(RING_GAP_S / step)), 1)
    earlier = np.flatnonzero(jolt[inside[0] : peak] >= level) + inside[0]
    for index in earlier[::-1]:
        if first - index > gap:
            break
        first = int(index)
    return Shock(
        tracked_point=window.tracked_point,
        time=float(time[first]),
        step=float(step),
        clock_se=window.clock_se,
        jolt=float(third.jolt[third.peak]),
        ratio=float(third.jolt[third.peak] / third.floor),
    )


@dataclass(frozen=True, kw_only=True)
class _Contrast:
    """Jolts (M,) by differences of one order; the largest inside the window; what is smooth all over and just before."""

    jolt: FloatArray
    peak: int
    floor: float
    quiet: float


def _contrast(window: AccWindow, order: int, inside: np.ndarray) -> _Contrast:
    jolt = np.zeros(len(window.time))
    jolt[order:] = np.linalg.norm(np.diff(window.acc, n=order, axis=0), axis=1)
    peak = int(inside[np.argmax(jolt[inside])])
    since = window.time - window.time[peak]
    # White noise grows by the norm of the difference's weights: 6 for the second, 20 for the third, on three axes.
    noise = float(np.sqrt(3.0 * (6.0, 20.0)[order - 2])) * window.noise
    least = max(noise, LEAST_JOLT)
    smooth = jolt[(since < -BEFORE_S[1]) | (since > RING_S)]
    before = jolt[(since < -BEFORE_S[1]) & (since > -BEFORE_S[0])]
    floor = max(float(np.quantile(smooth, 0.9)) if len(smooth) else 0.0, least)
    quiet = max(float(before.max()) if len(before) else floor, least)
    return _Contrast(jolt=jolt, peak=peak, floor=floor, quiet=quiet)


def combine(shocks: Sequence[Shock]) -> tuple[float, float] | None:
    """Time and standard error (s) of the impact from the sensors' shocks; None without a clear one.

    Each sensor says that the onset lies in the step that ends with its first jolted sample, less likely some steps earlier
    (a ring may start weakly), hardly later. The product of these likelihoods over all clear sensors, flattened against
    outliers, gives mean and spread.
    """
    clear = [shock for shock in shocks if shock.ratio >= LEAST_RATIO]
    if not clear:
        return None
    lead = max(clear, key=lambda shock: shock.ratio)
    grid = lead.time + np.arange(-GRID_S[0], GRID_S[1], GRID_STEP_S)
    log_likelihood = np.zeros(len(grid))
    for shock in clear:
        before = shock.time - grid
        weak = WEAK_START_STEPS * shock.step + shock.clock_se
        late = LATE_S + shock.clock_se
        density = np.where(before < 0.0, before / late, -np.maximum(before - shock.step, 0.0) / weak)
        log_likelihood += np.log(np.exp(density) + OUTLIER)
    weight = np.exp(log_likelihood - log_likelihood.max())
    weight /= weight.sum()
    time = float(weight @ grid)
    return time, float(np.sqrt(weight @ (grid - time) ** 2))
