"""Impacts as sensors feel them: short decaying rings, told in closed form with their exact averages.

Club and ball touch for about half a millisecond, less than a sample; what a sensor sees is the ring-down of strap,
skin and hand. Its sizes and spectrum at hand and wrist were not found in the literature: they are assumptions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray


@dataclass(frozen=True, kw_only=True)
class Ring:
    """One ring at one sensor: a velocity (and angle) e^(−x/decay)·sin(2πf·x) that starts at `time`, x s after it.

    time, decay_s: s.  frequency: Hz.  acc: (3,) m/s², gyr: (3,) rad/s, the peaks, in segment axes.
    """

    time: float
    frequency: float
    decay_s: float
    acc: FloatArray
    gyr: FloatArray


LASTING = 8.0
"""Decay times after which a ring is over."""


def _shape(ring: Ring, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The integral of the ring (N,), scaled so that its derivative starts at 1, and that derivative."""
    x = np.maximum(time - ring.time, 0.0)
    pulsation = 2.0 * np.pi * ring.frequency
    fade = np.exp(-x / ring.decay_s)
    integral = fade * np.sin(pulsation * x) / pulsation
    derivative = fade * np.cos(pulsation * x) - integral / ring.decay_s
    return integral, np.where(time < ring.time, 0.0, derivative)


def ring_signals(rings: tuple[Ring, ...], time: FloatArray, before: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """What the rings add to gyr and acc (N, 3) at increasing times (N,), or to their means since `before` (N,)."""
    gyr, acc = np.zeros((len(time), 3)), np.zeros((len(time), 3))
    for ring in rings:
        first, last = np.searchsorted(time, [ring.time, ring.time + LASTING * ring.decay_s])
        part = slice(max(int(first) - 1, 0), int(last) + 1)
        integral, shape = _shape(ring, time[part])
        if before is not None:
            shape = (integral - _shape(ring, before[part])[0]) / (time[part] - before[part])
        gyr[part] += shape[:, None] * ring.gyr
        acc[part] += shape[:, None] * ring.acc
    return gyr, acc
