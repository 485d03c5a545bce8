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

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from imuswing.orientation.quaternion import FloatArray, IntArray, between, bracket, exp, multiply, to_matrix

ALIGNMENT = slice(0, 3)
TILT = slice(3, 5)
HEADING = slice(5, 6)
BIAS = slice(6, 9)
SCALE = slice(9, 18)
BRIDGE = slice(18, 21)
PARAMETERS = 21
"""Where each kind of error stands among the parameters p."""
MOST_LINEAR_SD = float(np.deg2rad(30.0))
"""rad: errors of axes beyond this are no small rotations: an angle may not change at first with an axis that is far
off (an arc is longest for an axis square to the turn), and linear propagation would call it sure."""
OWN_SCALE = slice(SCALE.start - ALIGNMENT.stop, SCALE.stop - ALIGNMENT.stop)
"""The same where the alignment is left out."""


def _deg(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class SegmentSettings:
    """Prior sizes of errors (SD) and how the quiet stretches are read; those of the sensor stand in `SensorCorrection`.

    bias_floor: rad/s of bias that stillness does not show.  tilt_prior: rad, of the coarse orientation about each level
    axis, which errs by 0.7° in all over five trials of open data (Laidig et al. 2021, BROAD).  tilt_reach_s: bridged
    samples no farther off than this add to it what they leave open of the turn, up to tilt_lost, rad.
    bin_s, bin_floor, bin_turn_s: gravity is averaged over bins of so many s; no bin counts for better than the floor,
    rad, and a turning one for less, by the angle of so many s.
    before_s, after_s: how far around the swing quiet is looked for.
    """

    bias_floor: float = _deg(0.03)
    tilt_prior: float = _deg(0.7)
    tilt_reach_s: float = 10.0
    tilt_lost: float = _deg(5.0)
    bin_s: float = 0.2
    bin_floor: float = _deg(0.4)
    bin_turn_s: float = 0.1
    before_s: float = 2.0
    after_s: float = 1.5


@dataclass(frozen=True, kw_only=True)
class ErrorMap:
    """The error map of a followed segment: `[index]` gives a sample's (3, P), worked out when asked for; `error_maps`
    those of many swings at once.

    What the errors of a strapdown orientation grow by are sums over its samples of orientation × driver. Only a few
    moments of a swing are ever asked for, so the sums are kept at knots, `width` samples apart from sample
    `width // 2` on, and those between are made then.
    q: (M, 4) earth from sensor, by strapdown.  gyr: (M, 3) rad/s.  excess: (M,) rad/s, what bridging adds to its error.
    sums: (K, 9, 5) of matrix (row by row) × (1, gyr, excess), s, up to each knot.  origin: (9, 5) the same at the
    anchor, where drift is zero.  sensor_from_segment: (3, 3).
    """

    rate: float
    width: int
    q: FloatArray
    gyr: FloatArray
    excess: FloatArray
    sums: FloatArray
    origin: FloatArray
    sensor_from_segment: FloatArray

    def __getitem__(self, index: int) -> FloatArray:
        return _maps_at([self], np.array([[index]]))[0, 0]


def error_maps(segments: Sequence[SegmentMotion], index: IntArray) -> FloatArray:
    """The error maps (S, T, 3, P) of one sensor's segment in S swings at samples (S, T), worked out together."""
    maps = [segment.error_map for segment in segments]
    followed = [each for each in maps if isinstance(each, ErrorMap)]
    if len(followed) == len(maps):
        return _maps_at(followed, index)
    return np.stack([each[row] for each, row in zip(maps, index, strict=True) if not isinstance(each, ErrorMap)])


def _maps_at(maps: Sequence[ErrorMap], index: IntArray) -> FloatArray:
    width, rate = maps[0].width, maps[0].rate
    last_knot = np.array([[len(each.sums) - 1] for each in maps])
    knot = np.minimum((index - width // 2) // width, last_knot)
    # Sums up to the knot before, and what the samples since then add; on a knot its own pose is still asked for.
    first = np.where(knot < 0, 0, width // 2 + width * knot + 1)
    since = first[..., None] + np.arange(max(int((index - first).max()) + 1, 1))
    rows = np.minimum(since, index[..., None])
    poses = to_matrix(np.stack([each.q[own] for each, own in zip(maps, rows, strict=True)]))
    gyr = np.stack([each.gyr[own] for each, own in zip(maps, rows, strict=True)])
    excess = np.stack([each.excess[own] for each, own in zip(maps, rows, strict=True)])
    driving = np.where((since <= index[..., None])[..., None], drivers(gyr, excess, rate=rate), 0.0)
    total = poses.reshape(*rows.shape, 9).swapaxes(-1, -2) @ driving
    before = np.stack([each.sums[own] for each, own in zip(maps, np.maximum(knot, 0), strict=True)])
    total += np.where((knot < 0)[..., None, None], 0.0, before)
    origin = np.stack([each.origin for each in maps])
    mount = np.stack([each.sensor_from_segment for each in maps])
    to_segment = (poses[:, :, -1] @ mount[:, None]).swapaxes(-1, -2)
    out = np.zeros((*index.shape, 3, PARAMETERS))
    out[..., ALIGNMENT] = np.eye(3)
    out[..., ALIGNMENT.stop :] = to_segment @ drift_rows(total - origin[:, None])
    return out


def drivers(gyr: FloatArray, excess: FloatArray, *, rate: float) -> FloatArray:
    """(..., 5) s and rad: 1, gyr (..., 3) and excess (...,), each times a sample's length."""
    out = np.empty((*excess.shape, 5))
    out[..., 0], out[..., 1:4], out[..., 4] = 1.0, gyr, excess
    out /= rate
    return out


def drift_rows(sums: FloatArray) -> FloatArray:
    """(..., 3, 18): the error in earth axes per unit of tilt, heading, bias, scale (row-major) and bridge, from sums
    (..., 9, 5) since the anchor."""
    parts = sums.reshape(*sums.shape[:-2], 3, 3, 5)
    rows = np.empty((*sums.shape[:-2], 3, 18))
    rows[..., :3] = np.eye(3)
    rows[..., 3:6] = parts[..., 0]
    rows[..., 6:15] = parts[..., 1:4].reshape(*sums.shape[:-2], 3, 9)
    rows[..., 15:] = parts[..., 4]
    return rows


@dataclass(frozen=True, kw_only=True)
class SegmentMotion:
    """One segment through one swing.

    time: (M,) s on the common clock, evenly spaced.  q: (M, 4) earth from segment.  omega (M, 3) rad/s, acc (M, 3) m/s²
    in segment axes.  error_map: by sample t (3, P), e(t) = error_map[t] @ p.  error_covariance: (P, P).
    mount_variance: rad², what a mount that may have shifted adds to the alignment's error about each axis.
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
    mount_variance: float = 0.0

    @property
    def axes_known(self) -> np.ndarray:
        """(3,) bool: about which axes the alignment's error is a small rotation, so that its propagation is linear."""
        return np.asarray(np.sqrt(np.diag(self.error_covariance[ALIGNMENT, ALIGNMENT])) < MOST_LINEAR_SD)

    def turned_about_vertical(self, angle: float) -> SegmentMotion:
        """The same motion with its heading turned by `angle` rad about the earth's Z."""
        turn = exp(np.array([0.0, 0.0, angle]))
        return replace(self, q=multiply(turn, self.q))

    def realigned(self, error: FloatArray) -> SegmentMotion:
        """The same motion with an alignment error (3,), rad in segment axes, taken off."""
        change = exp(-error)
        axes = to_matrix(change)
        return replace(self, q=multiply(self.q, change), omega=self.omega @ axes, acc=self.acc @ axes)

    def refitted(self, change: FloatArray, covariance: FloatArray) -> SegmentMotion:
        """The same motion by another alignment of its sensor.

        change: (4,) rotation from the axes by the new alignment to those by the old.  covariance: (3, 3) rad², the new
        alignment's.
        """
        assert isinstance(self.error_map, ErrorMap)
        axes = to_matrix(change)
        error_covariance = self.error_covariance.copy()
        error_covariance[ALIGNMENT, ALIGNMENT] = covariance
        return replace(
            self,
            q=multiply(self.q, change),
            omega=self.omega @ axes,
            acc=self.acc @ axes,
            error_map=replace(self.error_map, sensor_from_segment=self.error_map.sensor_from_segment @ axes),
            error_covariance=error_covariance,
        )


def orientations_at(segments: Sequence[SegmentMotion], times: Sequence[FloatArray]) -> FloatArray:
    """Orientations (N, 4) of segments, each at its own times, one segment after the other; ends are held."""
    where = [bracket(segment.time, at) for segment, at in zip(segments, times, strict=True)]
    before = np.concatenate([segment.q[index] for segment, (index, _) in zip(segments, where, strict=True)])
    after = np.concatenate([segment.q[index + 1] for segment, (index, _) in zip(segments, where, strict=True)])
    return between(before, after, np.concatenate([fraction for _, fraction in where]))
