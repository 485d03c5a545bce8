"""From samples to rotation: instants, interval means and rotation vectors.

What a sample means is worth degrees at a fast wrist: a sample that is an instant is no interval's mean. Both are
carried to both forms here by local polynomials of third degree; noise is hardly amplified (0.83 and 0.77).
"""

from __future__ import annotations

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.columns import CHUNK_ROWS


def interval_means(instants: FloatArray) -> FloatArray:
    """Mean over the interval before each sample, (N, 3), of values given at even instants (N, 3); row 0 is row 0.

    The integral of the cubic through four samples: (-x[k-2] + 13 x[k-1] + 13 x[k] - x[k+1]) / 24; trapezoids at the
    ends.
    """
    means = np.empty_like(instants)
    if len(instants) == 0:
        return means
    means[0] = instants[0]
    if len(instants) >= 4:
        means[1], means[-1] = 0.5 * (instants[0] + instants[1]), 0.5 * (instants[-2] + instants[-1])
        _four_points(instants, 13.0 / 24.0, -1.0 / 24.0, out=means[2:-1])
    else:
        means[1:] = 0.5 * (instants[:-1] + instants[1:])
    return means


def instants_from_means(means: FloatArray) -> FloatArray:
    """Values at even instants, (N, 3), of means over the interval before each sample, (N, 3).

    The slope of the quartic through five points of the running integral:
    (-m[k-1] + 7 m[k] + 7 m[k+1] - m[k+2]) / 12; the mean of both intervals near the ends, extrapolated at the last.
    """
    instants = np.empty_like(means)
    count = len(means)
    if count == 0:
        return instants
    if count >= 4:
        instants[0], instants[-2] = 0.5 * (means[0] + means[1]), 0.5 * (means[-2] + means[-1])
        _four_points(means, 7.0 / 12.0, -1.0 / 12.0, out=instants[1:-2])
    else:
        instants[:-1] = 0.5 * (means[:-1] + means[1:])
    instants[-1] = means[-1] if count < 2 else 1.5 * means[-1] - 0.5 * means[-2]
    return instants


def _four_points(values: FloatArray, near: float, far: float, *, out: FloatArray) -> None:
    """near · (v[k] + v[k+1]) + far · (v[k-1] + v[k+2]) of values (N, 3) into out (N - 3, 3), k = 1 … N - 3."""
    for first in range(0, len(out), CHUNK_ROWS):
        inner = out[first : first + CHUNK_ROWS]
        part = values[first : first + len(inner) + 3]
        np.add(part[1:-2], part[2:-1], out=inner)
        inner *= near
        outer = part[:-3] + part[3:]
        outer *= far
        inner += outer


def rotation_vectors(instants: FloatArray, means: FloatArray, *, step: float) -> FloatArray:
    """Rotation vectors (N, 3) in rad over each interval of `step` s, from angular velocity in body axes (rad/s).

    The Magnus expansion's first two terms: the integral, and the coning term step²/12 · ω[k-1] × ω[k] (Bortz 1971,
    IEEE Trans. Aerosp. Electron. Syst. AES-7:61, linear rate over the interval). Row 0 is zero.
    """
    vectors = np.empty_like(means)
    vectors[:1] = 0.0
    share = step * step / 12.0
    for first in range(1, len(vectors), CHUNK_ROWS):
        rows = slice(first, first + CHUNK_ROWS)
        part = np.multiply(means[rows], step, out=vectors[rows])
        before, now = instants[first - 1 : first - 1 + len(part)], instants[rows]
        for axis in range(3):
            i, j = (axis + 1) % 3, (axis + 2) % 3
            part[:, axis] += share * (before[:, i] * now[:, j] - before[:, j] * now[:, i])
    return vectors
