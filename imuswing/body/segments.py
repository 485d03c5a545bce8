"""Segments in motion through one swing, with a linear model of the error of their orientation.

A small rotation e(t) in the segment's own axes separates estimate from truth, R_estimate = R_true · exp(e). It is
linear in parameters that stay the same through the swing: the alignment, the tilt and heading at the address, what is
left of gyro bias, the gyro's scale and cross-axis errors, and the errors of bridged stretches. Two moments of one swing
share them, so a turn since address keeps only what differs.

The orientation is strapdown from the address; gravity in the quiet stretches before and after the swing updates the
parameters (weighted least squares over the whole stretch, which is a fixed-interval smoother for constant
parameters: Kailath, Sayed & Hassibi 2000, Linear Estimation, ch. 10, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.orientation.quaternion import FloatArray, exp, inverse, multiply, rotate, to_matrix
from imuswing.orientation.strapdown import integrate
from imuswing.sensors.motion import Motion

ALIGNMENT = slice(0, 3)
TILT = slice(3, 5)
HEADING = slice(5, 6)
BIAS = slice(6, 9)
SCALE = slice(9, 18)
BRIDGE = slice(18, 21)
PARAMETERS = 21
"""Where each kind of error stands among the parameters p."""


def _deg(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class SegmentSettings:
    """Prior sizes of errors (SD) and how the quiet stretches are read.

    gyro_scale, gyro_cross: the gyro's scale and cross-axis errors (typical data-sheet figures of consumer sensors:
    about 1 %, from memory).  bias_floor: rad/s of bias that stillness does not show.  acc_tilt: rad by which the
    accelerometer's own errors tilt gravity.  bin_s, bin_floor, bin_turn_s: gravity is averaged over bins of so many
    s; no bin counts for better than the floor, rad, and a turning one for less, by the angle of so many s.
    before_s, after_s: how far around the swing quiet is looked for.
    """

    gyro_scale: float = 0.007
    gyro_cross: float = 0.004
    bias_floor: float = _deg(0.03)
    acc_tilt: float = _deg(0.3)
    tilt_prior: float = _deg(5.0)
    bin_s: float = 0.2
    bin_floor: float = _deg(0.4)
    bin_turn_s: float = 0.1
    before_s: float = 2.0
    after_s: float = 1.5


@dataclass(frozen=True, kw_only=True)
class SegmentMotion:
    """One segment through one swing.

    time: (M,) s on the common clock, evenly spaced.  q: (M, 4) earth from segment.  omega (M, 3) rad/s, acc (M, 3) m/s²
    in segment axes.  error_map: (M, 3, P), e(t) = error_map[t] @ p.  error_covariance: (P, P).
    bridged, unusable: (M,) samples that were bridged, and that are not to be believed.  rate: Hz.
    """

    tracked_point: str
    rate: float
    time: FloatArray
    q: FloatArray
    omega: FloatArray
    acc: FloatArray
    error_map: FloatArray
    error_covariance: FloatArray
    bridged: np.ndarray
    unusable: np.ndarray
    gyr_noise: float

    def turned_about_vertical(self, angle: float) -> SegmentMotion:
        """The same motion with its heading turned by `angle` rad about the earth's Z."""
        turn = exp(np.array([0.0, 0.0, angle]))
        return replace(self, q=multiply(turn, self.q))

    def realigned(self, error: FloatArray) -> SegmentMotion:
        """The same motion with an alignment error (3,), rad in segment axes, taken off."""
        change = exp(-error)
        back = inverse(change)
        return replace(self, q=multiply(self.q, change), omega=rotate(back, self.omega), acc=rotate(back, self.acc))


def follow_segment(
    motion: Motion,
    q_coarse: FloatArray,
    alignment: Alignment,
    *,
    start: float,
    end: float,
    address: float,
    settings: SegmentSettings,
) -> SegmentMotion | None:
    """Orientation of a segment from `before_s` before `start` to `after_s` after `end` (s), anchored at `address`.

    q_coarse: (N, 4) earth from sensor of the whole recording, which gives the heading and a first tilt at the address.
    None where the recording does not hold the stretch.
    """
    first, last = np.searchsorted(motion.time, [start - settings.before_s, end + settings.after_s])
    if last - first < 8 or address <= motion.time[0] or address >= motion.time[-1]:
        return None
    part = slice(int(first), int(last))
    anchor = int(np.clip(np.searchsorted(motion.time[part], address), 0, last - first - 1))
    q = integrate(motion.increments[part], start=q_coarse[first + anchor], start_index=anchor)
    matrix = to_matrix(q)
    earth_map = _earth_map(matrix, motion, part, anchor)
    prior = _prior(motion, settings)
    estimate, covariance = _update(matrix, earth_map, motion, part, prior, settings)
    error = np.einsum("tji,tjp->tip", matrix, earth_map)  # into sensor axes
    q = multiply(q, exp(-error @ estimate))
    c = alignment.q_sensor_from_segment
    to_segment = to_matrix(inverse(c))
    error_map = np.concatenate((np.broadcast_to(np.eye(3), (len(q), 3, 3)), to_segment @ error), axis=2)
    full = np.zeros((PARAMETERS, PARAMETERS))
    full[ALIGNMENT, ALIGNMENT] = alignment.covariance
    full[3:, 3:] = covariance
    full[TILT, TILT] += np.eye(2) * settings.acc_tilt**2
    omega = motion.gyr[part] - estimate[3:6] - motion.gyr[part] @ estimate[6:15].reshape(3, 3).T
    return SegmentMotion(
        tracked_point=motion.tracked_point,
        rate=motion.rate,
        time=motion.time[part],
        q=multiply(q, c),
        omega=rotate(inverse(c), omega),
        acc=rotate(inverse(c), motion.acc[part]),
        error_map=error_map,
        error_covariance=full,
        bridged=motion.lost[part] | motion.clipped[part],
        unusable=motion.unusable[part],
        gyr_noise=motion.gyr_noise,
    )


def _earth_map(matrix: FloatArray, motion: Motion, part: slice, anchor: int) -> FloatArray:
    """(M, 3, 18): the orientation error in earth axes per unit of tilt, heading, bias, scale (row-major) and bridge."""
    step = 1.0 / motion.rate
    gyr = motion.gyr[part]
    excess = np.sqrt(np.maximum(motion.gyr_se[part] ** 2 - motion.gyr_noise**2, 0.0))
    scale = matrix[:, :, :, None] * gyr[:, None, None, :]
    drivers = np.concatenate((matrix, scale.reshape(len(gyr), 3, 9), matrix * excess[:, None, None]), axis=2)
    integral = np.cumsum(drivers, axis=0) * step
    integral -= integral[anchor]
    start = np.broadcast_to(np.eye(3), (len(gyr), 3, 3))
    return np.concatenate((start, integral), axis=2)


def _prior(motion: Motion, settings: SegmentSettings) -> FloatArray:
    """(18,) SD of tilt, heading, bias, scale and bridge before gravity is looked at."""
    scale = np.full((3, 3), settings.gyro_cross)
    np.fill_diagonal(scale, settings.gyro_scale)
    bias = float(np.hypot(motion.bias_se, settings.bias_floor))
    return np.concatenate(([settings.tilt_prior] * 2, [1e-9], [bias] * 3, scale.ravel(), [1.0] * 3))


def _update(
    matrix: FloatArray, earth_map: FloatArray, motion: Motion, part: slice, prior: FloatArray, settings: SegmentSettings
) -> tuple[FloatArray, FloatArray]:
    """Parameters (18,) and their covariance (18, 18) after gravity in the quiet bins around the swing."""
    information = np.diag(1.0 / prior**2)
    width = max(int(settings.bin_s * motion.rate), 1)
    bins = len(matrix) // width
    if bins == 0:
        return np.zeros(18), np.diag(prior**2)
    cut = bins * width
    acc = np.einsum("tij,tj->ti", matrix[:cut], motion.acc[part][:cut]).reshape(bins, width, 3)
    mean, spread = acc.mean(axis=1), acc.std(axis=1)
    size = np.linalg.norm(mean, axis=1)
    turning = np.linalg.norm(motion.gyr[part][:cut], axis=1).reshape(bins, width).mean(axis=1)
    bad = (motion.unusable[part] | motion.acc_clipped[part])[:cut].reshape(bins, width).any(axis=1)
    gravity = float(np.median(size))
    sd = np.sqrt(
        settings.bin_floor**2
        + (np.linalg.norm(spread, axis=1) / gravity) ** 2
        + ((size - gravity) / gravity * 3.0) ** 2
        + (settings.bin_turn_s * turning) ** 2
    )
    good = ~bad & (sd < _deg(6.0))
    middle = np.arange(bins) * width + width // 2
    rows = earth_map[middle[good]]
    weight = 1.0 / sd[good] ** 2
    # Gravity seen in earth axes is z + psi x z: its horizontal parts are (psi_y, -psi_x).
    for axis, sign, observed in ((1, 1.0, mean[good, 0]), (0, -1.0, mean[good, 1])):
        h = sign * rows[:, axis, :]
        information += h.T @ (h * weight[:, None])
        if axis == 1:
            right = h.T @ (observed / size[good] * weight)
        else:
            right += h.T @ (observed / size[good] * weight)
    covariance = np.linalg.inv(information)
    return np.asarray(covariance @ right, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
