"""Plain tools of the references: written for the bench alone, so that they share nothing with the analysis."""

from __future__ import annotations

import numpy as np

from imuswing.orientation.quaternion import (
    FloatArray,
    cumulative_product,
    exp,
    inverse,
    multiply,
    normalise,
    rotate,
    slerp,
)

SMOOTHING_HZ = 20.0
"""Cut-off of the zero-phase second-order low-pass for rates read at a moment (common practice, no source)."""


def filled(time: FloatArray, values: FloatArray, grid: FloatArray) -> FloatArray:
    """Values (M, 3) on an even grid by cubic interpolation through the samples (N, 3) that are there."""
    from scipy.interpolate import CubicSpline

    good = np.isfinite(values).all(axis=1)
    return np.asarray(CubicSpline(time[good], values[good])(grid))


def integrated(gyr: FloatArray, rate: float, *, mean: bool) -> FloatArray:
    """Orientation (N, 4) since the first sample; gyr (N, 3) rad/s, averages over the interval before or instants."""
    steps = gyr / rate
    if not mean:
        # Mean over an interval of the cubic through the four samples around it.
        padded = np.concatenate((gyr[:1], gyr, gyr[-1:]))
        steps = np.zeros_like(gyr)
        steps[1:] = (-padded[:-3] + 13.0 * padded[1:-2] + 13.0 * padded[2:-1] - padded[3:]) / (24.0 * rate)
    steps[0] = 0.0
    return cumulative_product(exp(steps))


def levelled(q: FloatArray, up_in_segment: FloatArray) -> FloatArray:
    """The orientation nearest to q (4,) (same heading) in which the measured direction (3,) points up."""
    seen = rotate(q, up_in_segment / np.linalg.norm(up_in_segment))
    axis = np.cross(seen, [0.0, 0.0, 1.0])
    size = np.linalg.norm(axis)
    angle = np.arctan2(size, seen[2])
    turn = axis / size * angle if size > 1e-12 else np.zeros(3)
    return multiply(exp(turn), q)


def smoothed(values: FloatArray, rate: float) -> FloatArray:
    """Zero-phase low-pass of (N, 3)."""
    from scipy.signal import butter, sosfiltfilt

    cut = min(SMOOTHING_HZ, 0.4 * rate)
    return np.asarray(sosfiltfilt(butter(2, cut, fs=rate, output="sos"), values, axis=0))


def at_times(q: FloatArray, time: FloatArray, wanted: FloatArray) -> FloatArray:
    """Orientations (M, 4) at wanted times by slerp."""
    return slerp(q, time, wanted)


def axes_from(first: FloatArray, first_axis: int, second: FloatArray, second_axis: int) -> FloatArray:
    """q_body_from_segment (4,) whose axis `first_axis` is `first` and whose `second_axis` is nearest to `second`.

    Both are directions (3,) in the body that carries the sensor.
    """
    from scipy.spatial.transform import Rotation

    matrix = np.zeros((3, 3))
    one = first / np.linalg.norm(first)
    two = second - (second @ one) * one
    two /= np.linalg.norm(two)
    third_axis = 3 - first_axis - second_axis
    matrix[:, first_axis], matrix[:, second_axis] = one, two
    sign = 1.0 if (second_axis - first_axis) % 3 == 1 else -1.0
    matrix[:, third_axis] = sign * np.cross(one, two)
    return np.asarray(Rotation.from_matrix(matrix).as_quat(scalar_first=True))


def main_axis(omega: FloatArray) -> FloatArray:
    """Axis (3,) of the largest share of the turning in omega (N, 3), with the sign of the first movement."""
    _, vectors = np.linalg.eigh(omega.T @ omega)
    axis = vectors[:, -1]
    along = omega @ axis
    moving = np.flatnonzero(np.abs(along) > 0.1 * np.max(np.abs(along)))
    return np.asarray(axis if along[moving[0]] > 0.0 else -axis)


def heading_turn(angle: float) -> FloatArray:
    """A turn (4,) about the earth's vertical by `angle` rad."""
    return exp(np.array([0.0, 0.0, angle]))


def relative(q_a: FloatArray, q_b: FloatArray) -> FloatArray:
    """q_a_from_b of two orientations in one earth frame."""
    return normalise(multiply(inverse(q_a), q_b))
