"""Segments in motion through one swing, with a linear model of the error of their orientation.

A small rotation e(t) in the segment's own axes separates estimate from truth, R_estimate = R_true · exp(e). It is
linear in parameters that stay the same through the swing: the alignment, the tilt and heading at the address, what is
left of gyro bias, the gyro's scale and cross-axis errors, and the errors of bridged stretches. Two moments of one swing
share them, so a turn since address keeps only what differs.

The orientation is strapdown from the address; gravity in the quiet stretches before and after the swing updates the
parameters (weighted least squares over the whole stretch, which is a fixed-interval smoother for constant
parameters: Kailath, Sayed & Hassibi 2000, Linear Estimation, ch. 10, from memory). What the sensor's gyro matrix and
accelerometer leave open is learnt from the whole recording beforehand (`orientation.learn`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.orientation.coarse import CoarseOrientation
from imuswing.orientation.quaternion import FloatArray, exp, inverse, length, multiply, rotate, to_matrix
from imuswing.orientation.strapdown import integrate
from imuswing.orientation.stretch import SensorCorrection, unknown_correction
from imuswing.recording.model import BoolArray, IntArray
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import STANDARD_GRAVITY

ALIGNMENT = slice(0, 3)
TILT = slice(3, 5)
HEADING = slice(5, 6)
BIAS = slice(6, 9)
SCALE = slice(9, 18)
BRIDGE = slice(18, 21)
PARAMETERS = 21
"""Where each kind of error stands among the parameters p."""
OWN_SCALE = slice(SCALE.start - ALIGNMENT.stop, SCALE.stop - ALIGNMENT.stop)
"""The same where the alignment is left out."""


def _deg(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class SegmentSettings:
    """Prior sizes of errors (SD) and how the quiet stretches are read; those of the sensor stand in `SensorCorrection`.

    bias_floor: rad/s of bias that stillness does not show.  tilt_prior: rad, of the coarse orientation.
    bin_s, bin_floor, bin_turn_s: gravity is averaged over bins of so many s; no bin counts for better than the floor,
    rad, and a turning one for less, by the angle of so many s.
    before_s, after_s: how far around the swing quiet is looked for.
    """

    bias_floor: float = _deg(0.03)
    tilt_prior: float = _deg(5.0)
    bin_s: float = 0.2
    bin_floor: float = _deg(0.4)
    bin_turn_s: float = 0.1
    before_s: float = 2.0
    after_s: float = 1.5


@dataclass(frozen=True, kw_only=True)
class _Drift:
    """What the errors of a strapdown orientation grow by: running sums over its samples, kept at knots.

    Only a few moments of a swing are ever asked for, so that the sums between knots are made then.
    turning: (M, 9) earth-from-sensor matrices, row by row.  drivers: (M, 5) 1, gyr and what bridging adds, per sample.
    width: samples a bin.  knots: (K,) the middle of each bin.  sums: (K, 9, 5) of turning × drivers up to each knot.
    origin: (9, 5) the same at the anchor, where drift is zero.
    """

    turning: FloatArray
    drivers: FloatArray
    width: int
    knots: IntArray
    sums: FloatArray
    origin: FloatArray

    @classmethod
    def of(
        cls, matrix: FloatArray, gyr: FloatArray, excess: FloatArray, *, rate: float, anchor: int, width: int
    ) -> _Drift:
        count = len(matrix)
        turning = matrix.reshape(count, 9)
        drivers = np.empty((count, 5))
        drivers[:, 0], drivers[:, 1:4], drivers[:, 4] = 1.0, gyr, excess
        drivers /= rate
        first, bins = width // 2 + 1, count // width
        start = turning[:first].T @ drivers[:first]
        inner = slice(first, first + max(bins - 1, 0) * width)
        blocks = turning[inner].reshape(-1, width, 9).transpose(0, 2, 1) @ drivers[inner].reshape(-1, width, 5)
        sums = np.cumsum(np.concatenate((start[None], blocks)), axis=0)
        knots = first - 1 + width * np.arange(len(sums))
        bare = cls(turning=turning, drivers=drivers, width=width, knots=knots, sums=sums, origin=np.zeros((9, 5)))
        return replace(bare, origin=bare._sum(anchor))

    def _sum(self, index: int) -> FloatArray:
        knot = (index - self.width // 2) // self.width
        if knot < 0:
            return np.asarray(self.turning[: index + 1].T @ self.drivers[: index + 1])
        knot = min(knot, len(self.sums) - 1)
        rest = slice(int(self.knots[knot]) + 1, index + 1)
        return np.asarray(self.sums[knot] + self.turning[rest].T @ self.drivers[rest])

    def at(self, index: int) -> FloatArray:
        """(3, 18): the error in earth axes at a sample per unit of tilt, heading, bias, scale (row-major), bridge."""
        return _as_rows((self._sum(index) - self.origin)[None])[0]

    def at_knots(self, chosen: BoolArray) -> FloatArray:
        """(C, 3, 18): the same at the knots that `chosen` (K,) marks."""
        return _as_rows(self.sums[chosen] - self.origin)


def _as_rows(sums: FloatArray) -> FloatArray:
    """(C, 3, 18) from sums (C, 9, 5)."""
    parts = sums.reshape(-1, 3, 3, 5)
    rows = np.empty((len(parts), 3, 18))
    rows[:, :, :3] = np.eye(3)
    rows[:, :, 3:6] = parts[..., 0]
    rows[:, :, 6:15] = parts[..., 1:4].reshape(-1, 3, 9)
    rows[:, :, 15:] = parts[..., 4]
    return rows


@dataclass(frozen=True, kw_only=True)
class ErrorMap:
    """The error map of a followed segment: `[index]` gives a sample's (3, P), worked out when asked for."""

    drift: _Drift
    segment_from_sensor: FloatArray

    def __getitem__(self, index: int) -> FloatArray:
        to_segment = self.segment_from_sensor @ self.drift.turning[index].reshape(3, 3).T
        out = np.empty((3, PARAMETERS))
        out[:, ALIGNMENT] = np.eye(3)
        out[:, ALIGNMENT.stop :] = to_segment @ self.drift.at(index)
        return out


@dataclass(frozen=True, kw_only=True)
class SegmentMotion:
    """One segment through one swing.

    time: (M,) s on the common clock, evenly spaced.  q: (M, 4) earth from segment.  omega (M, 3) rad/s, acc (M, 3) m/s²
    in segment axes.  error_map: by sample t (3, P), e(t) = error_map[t] @ p.  error_covariance: (P, P).
    bridged, unusable: (M,) samples that were bridged, and that are not to be believed.  rate: Hz.
    """

    tracked_point: str
    rate: float
    time: FloatArray
    q: FloatArray
    omega: FloatArray
    acc: FloatArray
    error_map: ErrorMap | FloatArray
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
    q_coarse: CoarseOrientation | FloatArray,
    alignment: Alignment,
    *,
    start: float,
    end: float,
    address: float,
    correction: SensorCorrection | None = None,
    settings: SegmentSettings,
) -> SegmentMotion | None:
    """Orientation of a segment from `before_s` before `start` to `after_s` after `end` (s), anchored at `address`.

    q_coarse: by sample (4,) earth from sensor of the whole recording: the heading and a first tilt at the address.
    correction: what was learnt of the sensor; it is taken off `motion` already, and its covariance says what is left.
    None where the recording does not hold the stretch.
    """
    first, last = np.searchsorted(motion.time, [start - settings.before_s, end + settings.after_s])
    if last - first < 8 or address <= motion.time[0] or address >= motion.time[-1]:
        return None
    part = slice(int(first), int(last))
    anchor = int(np.clip(np.searchsorted(motion.time[part], address), 0, last - first - 1))
    q = integrate(motion.increments[part], start=q_coarse[first + anchor], start_index=anchor)
    gyr = motion.gyr[part]
    correction = correction or unknown_correction()
    excess = np.sqrt(np.maximum(motion.gyr_se[part] ** 2 - motion.gyr_noise**2, 0.0))
    width = max(int(settings.bin_s * motion.rate), 1)
    drift = _Drift.of(to_matrix(q), gyr, excess, rate=motion.rate, anchor=anchor, width=width)
    estimate, covariance = _update(q, drift, motion, part, correction, settings)
    bias, scale = estimate[3:6], estimate[6:15].reshape(3, 3)
    wrong = bias + gyr @ scale.T
    driven = np.cumsum(rotate(q, wrong + excess[:, None] * estimate[15:]), axis=0) / motion.rate
    error = rotate(inverse(q), estimate[:3] + driven - driven[anchor])  # in sensor axes
    c = alignment.q_sensor_from_segment
    sensor_from_segment = to_matrix(c)
    full = np.zeros((PARAMETERS, PARAMETERS))
    full[ALIGNMENT, ALIGNMENT] = alignment.covariance
    full[3:, 3:] = covariance
    full[TILT, TILT] += _tilt_by_accelerometer(to_matrix(q[anchor]), correction)
    return SegmentMotion(
        tracked_point=motion.tracked_point,
        rate=motion.rate,
        time=motion.time[part],
        q=multiply(multiply(q, exp(-error)), c),
        omega=(gyr - wrong) @ sensor_from_segment,
        acc=motion.acc[part] @ sensor_from_segment,
        error_map=ErrorMap(drift=drift, segment_from_sensor=sensor_from_segment.T),
        error_covariance=full,
        bridged=motion.lost[part] | motion.clipped[part],
        unusable=motion.unusable[part],
        gyr_noise=motion.gyr_noise,
    )


def _prior(motion: Motion, correction: SensorCorrection, settings: SegmentSettings) -> FloatArray:
    """(18, 18) covariance of tilt, heading, bias, scale and bridge before gravity is looked at."""
    bias = float(np.hypot(motion.bias_se, settings.bias_floor))
    prior = np.diag(np.concatenate(([settings.tilt_prior] * 2, [1e-9], [bias] * 3, np.zeros(9), np.ones(3))) ** 2)
    prior[OWN_SCALE, OWN_SCALE] = correction.gyro_matrix_covariance
    return prior


def _tilt_by_accelerometer(matrix: FloatArray, correction: SensorCorrection) -> FloatArray:
    """(2, 2) rad²: how the accelerometer's own errors tilt gravity, about the earth's X and Y, in a pose (3, 3)."""
    error = correction.acc_covariance(matrix[2] * STANDARD_GRAVITY)
    x, y = matrix[0], matrix[1]
    # Gravity is seen off by (psi_y, -psi_x).
    across = np.stack((-y, x)) / STANDARD_GRAVITY
    return np.asarray(across @ error @ across.T)


def _update(
    q: FloatArray,
    drift: _Drift,
    motion: Motion,
    part: slice,
    correction: SensorCorrection,
    settings: SegmentSettings,
) -> tuple[FloatArray, FloatArray]:
    """Parameters (18,) and their covariance (18, 18) after gravity in the quiet bins around the swing.

    q: (M, 4) earth from sensor.
    """
    prior = _prior(motion, correction, settings)
    width, bins = drift.width, len(q) // drift.width
    if bins == 0:
        return np.zeros(18), prior
    cut = bins * width
    inside = slice(part.start, part.start + cut)
    # Axes first, so that the sums run along contiguous memory.
    acc = np.ascontiguousarray(rotate(q[:cut], motion.acc[inside]).T).reshape(3, bins, width)
    mean = acc.mean(axis=2)
    spread = length(np.sqrt(np.mean((acc - mean[..., None]) ** 2, axis=2)).T)
    size = length(mean.T)
    turning = length(motion.gyr[inside]).reshape(bins, width).mean(axis=1)
    bad = (motion.unusable[inside] | motion.acc_clipped[inside]).reshape(bins, width).any(axis=1)
    gravity = float(np.median(size))
    sd = np.sqrt(
        settings.bin_floor**2
        + (spread / gravity) ** 2
        + ((size - gravity) / gravity * 3.0) ** 2
        + (settings.bin_turn_s * turning) ** 2
    )
    good = ~bad & (sd < _deg(6.0))
    rows = drift.at_knots(good)
    # Gravity seen in earth axes is z + psi x z: its horizontal parts are (psi_y, -psi_x).
    design = np.concatenate((rows[:, 1], -rows[:, 0]))
    observed = np.concatenate((mean[0, good] / size[good], mean[1, good] / size[good]))
    weighted = design.T * np.tile(1.0 / sd[good] ** 2, 2)
    fitted = np.ones(18, dtype=np.bool_)
    # These very swings taught the gyro's matrix: they must not narrow it a second time.
    fitted[OWN_SCALE] = not correction.learnt
    return _fit(prior, weighted @ design, weighted @ observed, fitted)


def _fit(prior: FloatArray, normal: FloatArray, right: FloatArray, fitted: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Least squares with a prior covariance (n, n): parameters (n,) and their covariance.

    What is not `fitted` (n,) keeps its prior, and the others' covariance follows it (a Schmidt filter's "considered"
    parameters: Schmidt 1966, Adv Control Syst 3:293, from memory).
    """
    own, kept = np.flatnonzero(fitted), np.flatnonzero(~fitted)
    inner = np.linalg.inv(np.linalg.inv(prior[np.ix_(own, own)]) + normal[np.ix_(own, own)])
    follows = -inner @ normal[np.ix_(own, kept)]
    share = np.zeros((len(prior), len(kept)))
    share[own], share[kept] = follows, np.eye(len(kept))
    covariance = share @ prior[np.ix_(kept, kept)] @ share.T
    covariance[np.ix_(own, own)] += inner
    estimate = np.zeros(len(prior))
    estimate[own] = inner @ right[own]
    return estimate, covariance
