"""Impact: contact of club and ball lasts half a millisecond, so a sensor sees only the shock's ring-down.

The shock is what smooth motion does not predict: the second difference of the acceleration, measured against the same
swing's own smooth part, sensor by sensor. Its onset lies between the first sample that shows it and the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray

ONSET_SHARE = 0.25
"""Share of the shock's largest jolt that its first sample must reach."""
ONSET_NOISE = 4.0
"""Times the swing's own smooth jolts that a shock's first sample must reach."""
GUARD_S = 0.03
"""Samples this near to the largest jolt are not counted as smooth motion."""


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
    """What one sensor shows of a shock: onset (s) with its standard error, and size against smooth motion.

    jolt: largest second difference, m/s².  ratio: jolt / (the swing's own 90th percentile of them).
    """

    tracked_point: str
    time: float
    se: float
    jolt: float
    ratio: float


def find_shock(window: AccWindow, *, earliest: float, latest: float) -> Shock | None:
    """The largest shock between earliest and latest (s) in one sensor; None where the window holds too few samples."""
    time, acc = window.time, window.acc
    if len(time) < 12:
        return None
    jolt = np.zeros(len(time))
    jolt[2:] = np.linalg.norm(acc[2:] - 2.0 * acc[1:-1] + acc[:-2], axis=1)
    inside = np.flatnonzero((time >= earliest) & (time <= latest))
    if len(inside) < 3:
        return None
    peak = int(inside[np.argmax(jolt[inside])])
    smooth = jolt[np.abs(time - time[peak]) > GUARD_S]
    # Noise alone gives second differences of sqrt(6) per axis.
    floor = max(float(np.quantile(smooth, 0.9)) if len(smooth) else 0.0, np.sqrt(18.0) * window.noise, 1e-6)
    level = max(ONSET_SHARE * jolt[peak], min(ONSET_NOISE * floor, 0.9 * jolt[peak]))
    step = time[1] - time[0]
    first = peak
    while first - 1 >= max(inside[0], peak - int(np.ceil(GUARD_S / step))) and np.any(
        jolt[max(first - 2, 0) : first] >= level
    ):
        first -= 1
    while jolt[first] < level:
        first += 1
    return Shock(
        tracked_point=window.tracked_point,
        time=float(time[first] - 0.5 * step),
        se=float(np.hypot(step / np.sqrt(12.0), window.clock_se)),
        jolt=float(jolt[peak]),
        ratio=float(jolt[peak] / floor),
    )


def combine(shocks: Sequence[Shock], *, expected: float, expected_se: float) -> tuple[float, float] | None:
    """Time and standard error (s) of the impact from the sensors' shocks; None without a clear one.

    The clearest shock leads; others that agree with it to three standard errors join, weighted by their precision.
    """
    clear = [shock for shock in shocks if shock.ratio >= 1.0]
    if not clear:
        return None
    lead = max(clear, key=lambda shock: shock.ratio)
    joined = [s for s in clear if abs(s.time - lead.time) <= 3.0 * np.hypot(s.se, lead.se) and s.ratio >= 3.0]
    joined = joined or [lead]
    weights = np.array([1.0 / s.se**2 for s in joined])
    time = float(np.sum(weights * [s.time for s in joined]) / weights.sum())
    se = float(max(1.0 / np.sqrt(weights.sum()), 0.5 * lead.se))
    return time, se
