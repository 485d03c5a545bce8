"""Orientation over a whole recording at a coarse step, and at any sample when asked for.

Finding swings, addresses and slips asks for few samples, and the filter's corrections are slow (seconds), so it runs at
some 50 Hz. Nothing of the motion is lost by that: the rotations of a step are chained exactly, and its accelerations
are turned into the axes at its end before they are averaged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imuswing.orientation.filters import estimate_quaternions
from imuswing.orientation.quaternion import FloatArray, exp, inverse, log, multiply, rotate
from imuswing.orientation.strapdown import integrate
from imuswing.recording.model import BoolArray, IntArray
from imuswing.sensors.columns import runs

COARSE_HZ = 50.0
"""The filter runs at about this rate, never faster than the data: it averages accelerations over three seconds. Tilt is
as at 100 Hz and the heading of hand against forearm drifts by a tenth more from swing to swing, since the filter sees
less of fast turns in its search for a bias: root mean square 0.42° for 0.38° (`realistic`, 12 simulated lessons at
200 Hz) and 1.12° for 1.07° (`hard`); at 33 Hz 0.46° and 1.17°. What is measured of a wrist does not show it: joints and
poses tie the headings of each swing (`body.tie`)."""

LONG_LOST_S = 1.0
"""A filled gap that is no longer is no rest to the filter, which looks for 1.5 s of it (VQF's default)."""
LEAST_S = 2.0
"""Of less than this between two long gaps the filter tells little; the increments are followed instead."""

CHUNK_STEPS = 4096
"""So many steps are worked on at a time, so that intermediate arrays stay in the processor's cache."""


@dataclass(frozen=True, kw_only=True)
class CoarseOrientation:
    """Orientations of N samples: `[index]`, integers (...,) from 0 to N − 1, gives (..., 4) `q_earth_from_sensor`.

    size: samples a step.  q: (K, 4) at samples 0, size, 2·size, …  increments: (N, 3) rad, which lead on from there.
    """

    size: int
    q: FloatArray
    increments: FloatArray

    def __getitem__(self, index: int | IntArray) -> FloatArray:
        index = np.asarray(index)
        step, further = np.divmod(index, self.size)
        q = self.q[step]
        for k in range(1, self.size):
            more = further >= k
            q[more] = multiply(q[more], exp(self.increments[step[more] * self.size + k]))
        return q

    def turned_about_vertical(self, angle: float) -> CoarseOrientation:
        """The same with its heading turned by `angle` rad about the earth's Z."""
        return replace(self, q=multiply(exp(np.array([0.0, 0.0, angle])), self.q))


def coarse_orientation(
    increments: FloatArray, acc: FloatArray, *, rate: float, unusable: BoolArray | None = None
) -> CoarseOrientation:
    """Orientation of increments (N, 3) rad and acc (N, 3) m/s², finite, at `rate` Hz, by `vqf_offline`.

    unusable: (N,) what stands there is made up. Through a long stretch of it the increments are followed, and what lies
    before it and after is filtered apart: to the filter a filled gap is a rest, at which it would learn a wrong bias.
    """
    size = max(int(rate / COARSE_HZ + 0.1), 1)
    lost = unusable[::size] if unusable is not None else np.zeros(len(increments[::size]), np.bool_)
    if size == 1:
        q = _filtered(increments * rate, acc, lost, rate=rate)
        return CoarseOrientation(size=1, q=q, increments=increments)
    steps = (len(increments) - 1) // size
    gyr, mean = np.zeros((steps + 1, 3)), np.empty((steps + 1, 3))
    mean[0] = acc[0]
    for first in range(0, steps, CHUNK_STEPS):
        last = min(first + CHUNK_STEPS, steps)
        part, rows = slice(1 + first * size, 1 + last * size), slice(1 + first, 1 + last)
        turned, mean[rows] = _steps(increments[part], acc[part], size)
        gyr[rows] = turned * (rate / size)
    q = _filtered(gyr, mean, lost[: steps + 1], rate=rate / size)
    return CoarseOrientation(size=size, q=q, increments=increments)


def _filtered(gyr: FloatArray, acc: FloatArray, lost: BoolArray, *, rate: float) -> FloatArray:
    """(K, 4) by the filter, apart on either side of long lost stretches, of one heading as far as these tell it."""
    spans = _spans(lost, rate)
    if spans in ([], [(0, len(lost))]):
        return estimate_quaternions(gyr, acc, rate=rate)
    increments = gyr / rate
    q = np.empty((len(gyr), 4))
    end = 0
    for first, last in spans:
        own = gyr[first:last].copy()
        own[0] = 0.0  # it leads here from what was lost
        found = estimate_quaternions(own, acc[first:last], rate=rate)
        if end:
            q[end - 1 : first + 1] = integrate(increments[end - 1 : first + 1], start=q[end - 1])
            difference = multiply(q[first], inverse(found[0]))
            heading = 2.0 * np.arctan2(difference[3], difference[0])
            found = multiply(exp(np.array([0.0, 0.0, heading])), found)
        else:
            q[: first + 1] = integrate(increments[: first + 1], start=found[0], start_index=first)
        q[first:last], end = found, last
    q[end - 1 :] = integrate(increments[end - 1 :], start=q[end - 1])
    return q


def _spans(lost: BoolArray, rate: float) -> list[tuple[int, int]]:
    """[first, last) of what lies between long lost stretches."""
    first, last = runs(lost)
    long = last - first > LONG_LOST_S * rate
    edges = [0, *np.stack((first[long], last[long]), axis=1).ravel().tolist(), len(lost)]
    ends = list(zip(edges[::2], edges[1::2], strict=True))
    return [(begin, end) for begin, end in ends if end - begin > rate * LEAST_S or len(ends) == 1]


def _steps(increments: FloatArray, acc: FloatArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Rotation vector (K, 3) of each step of `size` samples, and its mean acceleration (K, 3) in its last axes."""
    turns = exp(increments).reshape(-1, size, 4)
    acc = acc.reshape(-1, size, 3)
    onward, total = turns[:, -1], acc[:, -1].copy()
    for k in range(size - 2, -1, -1):
        total += rotate(inverse(onward), acc[:, k])
        onward = multiply(turns[:, k], onward)
    return log(onward), total / size
