"""What the smoother takes: a stretch of one sensor, what is known of the sensor, and the sizes assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import STANDARD_GRAVITY


@dataclass(frozen=True, kw_only=True)
class SmoothSettings:
    """Sizes that the smoother assumes: standard deviations, each axis (common practice, no source, unless named).

    gyro_scale, gyro_cross: error of the gyro's scale and of its axes' directions (MEMS data sheets: 0.5 to 1 %).
    gyro_unmodelled: what no matrix describes of the gyro's error, as a share of the rate.
    acc_bias_mps2, acc_scale, acc_cross: the same of the accelerometer.  gravity: m/s², its error is part of acc_scale.
    still_speed_mps: how fast a sensor that counts as still may drift with the person's sway; a rest may show more.
    moving_speed_mps: how fast it may be where there is no rest (walking).
    push_share: error of the accelerometer's integral as a share of the integral of what it reads beyond gravity.
    doubtful_push_mps: and of each clipped or bridged sample in a row.  rough_share: and as a share of what second
        differences leave open, which is where a shock is sampled too coarsely to be integrated.
    still_knot_s, moving_knot_s: spacing at which velocity is compared.  walk_span_s: of the random walk's spans.
    block_s: length of the blocks between whose edges J is a straight line: its integrals are that smooth (an angular
    acceleration of 1000 rad/s² bends a 0.5 % scale error's course by 0.01° within 0.02 s).
    """

    gyro_scale: float = 0.005
    gyro_cross: float = 0.005
    gyro_unmodelled: float = 0.0005
    acc_bias_mps2: float = 0.05
    acc_scale: float = 0.004
    acc_cross: float = 0.003
    gravity: float = STANDARD_GRAVITY
    still_speed_mps: float = 0.02
    moving_speed_mps: float = 1.5
    push_share: float = 0.02
    doubtful_push_mps: float = 0.5
    rough_share: float = 0.25
    still_knot_s: float = 0.5
    moving_knot_s: float = 1.0
    walk_span_s: float = 2.0
    block_s: float = 0.02


DEFAULT_SMOOTHING = SmoothSettings()


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """One sensor from some seconds before a swing to some seconds after it, evenly spaced.

    rate: Hz.  increments: (N, 3) rad, from sample k − 1 to k; row 0 is not used.  acc: (N, 3) m/s² at the samples.
    still: (N,).  acc_doubtful: (N,) clipped or bridged.  gyr_noise: SD of a gyro sample, rad/s.  gyr_se: (N,) rad/s,
    larger where a sample was bridged; within a bridged run the error has one sign.  bias_se: rad/s, each axis.
    """

    rate: float
    increments: FloatArray
    acc: FloatArray
    still: BoolArray
    acc_doubtful: BoolArray
    gyr_noise: float
    gyr_se: FloatArray
    bias_se: float

    def __post_init__(self) -> None:
        count = len(self.increments)
        if self.increments.shape != (count, 3) or self.acc.shape != (count, 3):
            raise SettingsError(
                f"increments and acc have shapes {self.increments.shape} and {self.acc.shape}; both must be (N, 3)"
            )
        if {len(self.still), len(self.acc_doubtful), len(self.gyr_se)} != {count}:
            raise SettingsError(f"still, acc_doubtful and gyr_se must have {count} samples, as increments have")
        if not (np.isfinite(self.rate) and self.rate > 0 and count >= 0.1 * self.rate and count >= 8):
            raise SettingsError(
                f"a stretch of {count} samples at {self.rate} Hz is too short; the least is 0.1 s and 8"
            )
        if not (np.isfinite(self.increments).all() and np.isfinite(self.acc).all()):
            raise SettingsError("increments or acc hold NaN; bridge lost samples first")


def stretch_of(motion: Motion, first: int, last: int) -> Stretch:
    """Samples [first, last) of a prepared sensor."""
    cut = slice(first, last)
    return Stretch(
        rate=motion.rate,
        increments=motion.increments[cut],
        acc=motion.acc[cut],
        still=motion.still[cut],
        acc_doubtful=motion.acc_clipped[cut] | motion.lost[cut],
        gyr_noise=motion.gyr_noise,
        gyr_se=motion.gyr_se[cut],
        bias_se=motion.bias_se,
    )


@dataclass(frozen=True, kw_only=True)
class SensorCorrection:
    """What is known of a sensor's fixed errors: mean (21,) and covariance (21, 21) of the shared parameters.

    gyro matrix M (9, row by row), accelerometer bias b (3) and matrix S (9): true rate = (1 + M)·reading, true
    acceleration = reading − b − S·reading.
    learnt: from the session's own stretches, so that a stretch's own closing must not be counted a second time.
    """

    mean: FloatArray
    covariance: FloatArray
    learnt: bool

    @property
    def gyro_matrix(self) -> FloatArray:
        """(3, 3) M."""
        return self.mean[:9].reshape(3, 3)

    @property
    def acc_bias(self) -> FloatArray:
        """(3,) b, m/s²."""
        return self.mean[9:12]

    @property
    def acc_matrix(self) -> FloatArray:
        """(3, 3) S."""
        return self.mean[12:].reshape(3, 3)

    @property
    def gyro_matrix_covariance(self) -> FloatArray:
        """(9, 9) of M row by row."""
        return self.covariance[:9, :9]

    def acc_covariance(self, acc: FloatArray) -> FloatArray:
        """(..., 3, 3) (m/s²)²: error of readings acc (..., 3), m/s² in sensor axes, with the correction taken off."""
        slope = np.zeros((*acc.shape[:-1], 3, 12))
        for axis in range(3):
            slope[..., axis, axis] = 1.0
            slope[..., axis, 3 + 3 * axis : 6 + 3 * axis] = acc
        return np.asarray(slope @ self.covariance[9:, 9:] @ slope.swapaxes(-1, -2))

    @property
    def gyro_matrix_se(self) -> FloatArray:
        """(3, 3) standard errors of M."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[:9]).reshape(3, 3))


def unknown_correction(settings: SmoothSettings = DEFAULT_SMOOTHING) -> SensorCorrection:
    """No knowledge of a sensor but the settings' sizes."""

    def matrix_sd(scale: float, cross: float) -> FloatArray:
        return np.where(np.eye(3, dtype=np.bool_), scale, cross).ravel()

    sd = np.concatenate(
        (
            matrix_sd(settings.gyro_scale, settings.gyro_cross),
            np.full(3, settings.acc_bias_mps2),
            matrix_sd(settings.acc_scale, settings.acc_cross),
        )
    )
    return SensorCorrection(mean=np.zeros(len(sd)), covariance=np.diag(sd**2), learnt=False)
