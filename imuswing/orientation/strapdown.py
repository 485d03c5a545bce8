"""Strapdown integration: rotation increments of a gyro and the orientations that they add up to, vectorised.

Increment k is the rotation vector (rad, sensor axes) that takes the sensor from sample k−1 to sample k; increment 0
leads to sample 0 from before the data and is ignored by `integrate`.
"""

from __future__ import annotations

import numpy as np

from imuswing.errors import SettingsError, require_one_of
from imuswing.orientation.quaternion import FloatArray, cross, cumulative_product, exp, inverse, multiply, normalise
from imuswing.vocabulary import SAMPLE_MEANINGS, SampleMeaning


def interval_means(gyr: FloatArray, *, sample_meaning: SampleMeaning) -> FloatArray:
    """Mean angular velocity (N, 3) over the interval before each sample, from gyr (N, 3) in any unit.

    `mean`: the samples are that already. `instant`: the cubic through the four samples around each interval is
    integrated (weights −1, 13, 13, −1 over 24); end intervals use the parabola through the nearest three. Sample 0 of
    `instant` data, whose interval was not seen, keeps its own value. Plain integration of instants is half a sample
    late, which costs degrees at golf speed.
    """
    require_one_of("sample_meaning", sample_meaning, SAMPLE_MEANINGS)
    gyr = np.asarray(gyr, dtype=np.float64)
    if sample_meaning == "mean" or len(gyr) < 2:
        return gyr.copy()
    means = np.empty_like(gyr)
    means[0] = gyr[0]
    means[1:] = 0.5 * (gyr[1:] + gyr[:-1])
    if len(gyr) >= 3:
        means[1] = (5.0 * gyr[0] + 8.0 * gyr[1] - gyr[2]) / 12.0
        means[-1] = (5.0 * gyr[-1] + 8.0 * gyr[-2] - gyr[-3]) / 12.0
    if len(gyr) >= 4:
        means[2:-1] = (13.0 * (gyr[1:-2] + gyr[2:-1]) - gyr[:-3] - gyr[3:]) / 24.0
    return means


def rotation_increments(gyr: FloatArray, *, rate: float, sample_meaning: SampleMeaning) -> FloatArray:
    """Rotation vectors (N, 3) in rad between samples of gyr (N, 3) rad/s, evenly spaced at `rate` Hz, without gaps.

    The interval means times the step, plus the part that turning axes add (coning): a twelfth of the cross product of
    the last increment with this one, exact for a rate that is linear over two steps (Bortz 1971, IEEE Trans Aerosp
    Electron Syst 7:61; Savage 1998, J Guid Control Dyn 21:19, eq. 47 without the higher terms; eq. from memory).
    Raises `SettingsError` for a rate that is not a positive number.
    """
    if not (np.isfinite(rate) and rate > 0):
        raise SettingsError(f"rate is {rate!r}; it must be a positive number of Hz")
    increments = interval_means(gyr, sample_meaning=sample_meaning) / rate
    increments[1:] += cross(increments[:-1].copy(), increments[1:]) / 12.0
    return increments


def integrate(increments: FloatArray, *, start: FloatArray | None = None, start_index: int = 0) -> FloatArray:
    """Orientations (..., N, 4), `q_reference_from_sensor`, that the increments (..., N, 3) in rad add up to.

    At sample `start_index` the orientation is `start` (..., 4), by default the identity; earlier samples are reached
    backwards. Leading axes are separate stretches (such as swings of one length), all integrated at once.
    """
    increments = np.asarray(increments, dtype=np.float64)
    steps = exp(increments)
    steps[..., 0, :] = (1.0, 0.0, 0.0, 0.0)
    q = cumulative_product(steps)
    if start_index != 0:
        q = multiply(inverse(q[..., start_index, None, :]), q)
    return q if start is None else multiply(np.asarray(start)[..., None, :], q)


def tilt_from_up(up: FloatArray) -> FloatArray:
    """Orientation (..., 4), earth from sensor, of heading zero: the shortest turn that takes `up` (..., 3), in sensor
    axes and of any length, to the earth's Z. Straight down turns about X.
    """
    up = np.asarray(up, dtype=np.float64)
    x, y, z = np.moveaxis(up / np.linalg.norm(up, axis=-1, keepdims=True), -1, 0)
    down = z < -1.0 + 1e-12
    w = np.sqrt(np.maximum(0.5 * (1.0 + z), 0.0))
    half = np.where(down, 1.0, 2.0 * np.where(down, 1.0, w))
    q = np.stack((np.where(down, 0.0, w), np.where(down, 1.0, y / half), np.where(down, 0.0, -x / half), 0.0 * z), -1)
    return normalise(q)
