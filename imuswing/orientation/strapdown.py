"""Strapdown integration: rotation increments of a gyro and the orientations that they add up to, vectorised.

Increment k is the rotation vector (rad, sensor axes) that takes the sensor from sample k−1 to sample k; increment 0
leads to sample 0 from before the data and is ignored by `integrate`.
"""

from __future__ import annotations

import numpy as np

from imuswing.errors import SettingsError, require_one_of
from imuswing.orientation.quaternion import FloatArray, cumulative_product, exp, inverse, multiply, normalise
from imuswing.sensors.increments import instants_from_means, interval_means, rotation_vectors
from imuswing.vocabulary import SAMPLE_MEANINGS, SampleMeaning


def rotation_increments(gyr: FloatArray, *, rate: float, sample_meaning: SampleMeaning) -> FloatArray:
    """Rotation vectors (N, 3) in rad between samples of gyr (N, 3) rad/s, evenly spaced at `rate` Hz, without gaps.

    `mean`: a sample stands for the interval before it. `instant`: the cubic through the four samples around an interval
    is integrated, since plain sums of instants are half a sample late, which costs degrees at golf speed. The coning
    term of axes that turn is added. Row 0 is zero. Raises `SettingsError` for a rate that is not a positive number.
    """
    require_one_of("sample_meaning", sample_meaning, SAMPLE_MEANINGS)
    if not (np.isfinite(rate) and rate > 0):
        raise SettingsError(f"rate is {rate!r}; it must be a positive number of Hz")
    gyr = np.asarray(gyr, dtype=np.float64)
    if sample_meaning == "mean":
        return rotation_vectors(instants_from_means(gyr), gyr, step=1.0 / rate)
    return rotation_vectors(gyr, interval_means(gyr), step=1.0 / rate)


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
