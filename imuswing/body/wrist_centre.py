"""The heading between forearm and hand from the acceleration of the wrist that both sensors feel.

Each sensor's acceleration, carried to the wrist's centre by its own turning, must be the same vector in the earth frame
(Weygers & Kok 2020, IEEE Sensors J 20:7969). The way from each sensor to the wrist is not known exactly; it is the same
in all swings of a session and is estimated with the headings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.body.definitions import Z_AXIS
from imuswing.body.segments import SegmentMotion
from imuswing.orientation.quaternion import FloatArray, between, bracket, exp, length, to_matrix
from imuswing.recording.model import IntArray
from imuswing.sensors.filters import lowpass_zero_phase

RATE = 100.0
"""Hz of the samples compared: the swing's own motion holds little over the cut-off."""
CUTOFF_HZ = 12.0
BEFORE_TOP_S = 0.3
BEFORE_IMPACT_S = 0.012
"""The stretch compared runs from before the top to just before the shock."""
WAY_FROM_FOREARM = np.array([0.02, -0.05, 0.0])
WAY_FROM_HAND = np.array([0.015, 0.06, 0.0])
"""m, from a sensor just above the wrist, or on the back of the hand, to the wrist's centre, in segment axes."""
WAY_SD = 0.04
NOISE, NOISE_SHARE = 0.6, 0.06
"""m/s² and share of the acceleration that skin and timing add, each axis; one sample in five is independent."""
INDEPENDENT = 0.2

Swing = tuple[SegmentMotion, SegmentMotion, float, float]


def headings_from_wrist_centre(swings: Sequence[Swing], guesses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heading of the forearm against the hand (K,) in rad near `guesses` (K,), and its standard deviation (K,).

    swings: forearm, hand, time of top and of impact (s). NaN and infinity where the samples cannot be used.
    """
    stretches = [_stretch(*swing) for swing in swings]
    used = [k for k, stretch in enumerate(stretches) if stretch is not None]
    angles, sds = np.full(len(swings), np.nan), np.full(len(swings), np.inf)
    if not used:
        return angles, sds
    samples = _Samples.of([stretch for stretch in stretches if stretch is not None])
    way = np.concatenate((WAY_FROM_FOREARM, WAY_FROM_HAND))
    prior = way.copy()
    delta = guesses[used].astype(float)
    for _ in range(4):
        normal, right = _equations(samples, delta, way)
        normal[:6, :6] += np.eye(6) / WAY_SD**2
        right[:6] += (prior - way) / WAY_SD**2
        step = np.linalg.solve(normal, right)
        way += step[:6]
        delta += np.clip(step[6:], -0.5, 0.5)
    covariance = np.linalg.inv(normal)
    angles[used] = delta
    sds[used] = np.sqrt(np.diag(covariance)[6:])
    return angles, sds


def _stretch(forearm: SegmentMotion, hand: SegmentMotion, top: float, impact: float) -> tuple[FloatArray, ...] | None:
    """What both segments did before impact, at even times (M,): angular velocities and accelerations (M, 12) of
    forearm and hand, smoothed, and their slopes (M, 12); orientations before and after each time (M, 2, 4), and where
    it lies between (M, 2)."""
    time = np.arange(top - BEFORE_TOP_S, impact - BEFORE_IMPACT_S, 1.0 / RATE)
    if len(time) < 10:
        return None
    raw, before, after, share = [], [], [], []
    for segment in (forearm, hand):
        if time[0] < segment.time[0] or time[-1] > segment.time[-1]:
            return None
        index, fraction = bracket(segment.time, time)
        if np.any(segment.unusable[index[0] : index[-1] + 1]):
            return None
        for values in (segment.omega, segment.acc):
            raw.append(values[index] + fraction[:, None] * (values[index + 1] - values[index]))
        before.append(segment.q[index])
        after.append(segment.q[index + 1])
        share.append(fraction)
    smooth = lowpass_zero_phase(np.concatenate(raw, axis=1), rate=RATE, cutoff_hz=CUTOFF_HZ)
    slope = np.empty_like(smooth)
    slope[1:-1] = (smooth[2:] - smooth[:-2]) * (0.5 * RATE)
    slope[0], slope[-1] = (smooth[1] - smooth[0]) * RATE, (smooth[-1] - smooth[-2]) * RATE
    return smooth, slope, np.stack(before, axis=1), np.stack(after, axis=1), np.stack(share, axis=1)


@dataclass(frozen=True, kw_only=True)
class _Samples:
    """The samples of K stretches one after the other, N in all.

    count, first: (K,) samples of each, and the first.  Of forearm and hand, in their own earth frames: acceleration
    (N, 3), and the matrix (N, 3, 3) from a way to acceleration.
    """

    first: IntArray
    count: IntArray
    acc_forearm: FloatArray
    map_forearm: FloatArray
    acc_hand: FloatArray
    map_hand: FloatArray

    @classmethod
    def of(cls, stretches: Sequence[tuple[FloatArray, ...]]) -> _Samples:
        count = np.array([len(stretch[0]) for stretch in stretches])
        smooth, slope, before, after, share = (np.concatenate(parts) for parts in zip(*stretches, strict=True))
        (omega_f, acc_f, omega_h, acc_h), alpha = np.split(smooth, 4, axis=1), np.split(slope, 4, axis=1)
        turn = to_matrix(between(before, after, share))
        across_f, across_h = _skew(omega_f), _skew(omega_h)
        return cls(
            first=np.cumsum(count) - count,
            count=count,
            acc_forearm=(turn[:, 0] @ acc_f[..., None])[..., 0],
            map_forearm=turn[:, 0] @ (_skew(alpha[0]) + across_f @ across_f),
            acc_hand=(turn[:, 1] @ acc_h[..., None])[..., 0],
            map_hand=turn[:, 1] @ (_skew(alpha[2]) + across_h @ across_h),
        )


def _equations(samples: _Samples, delta: FloatArray, way: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Normal equations (6 + K, 6 + K) and right side of all swings' A_forearm − Z(delta)·A_hand = 0, linearised.

    Unknown are changes of the ways (6,) and of each swing's heading delta (K,).
    """
    turn = np.repeat(to_matrix(exp(delta[:, None] * Z_AXIS)), samples.count, axis=0)
    at_f = samples.acc_forearm + samples.map_forearm @ way[:3]
    at_h = (turn @ (samples.acc_hand + samples.map_hand @ way[3:])[..., None])[..., 0]
    design = np.zeros((len(at_f), 3, 8))
    design[:, :, :3] = samples.map_forearm
    design[:, :, 3:6] = -(turn @ samples.map_hand)
    design[:, 0, 6], design[:, 1, 6] = at_h[:, 1], -at_h[:, 0]
    design[:, :, 7] = at_h - at_f
    variance = (NOISE**2 + (NOISE_SHARE * length(at_f)) ** 2) / INDEPENDENT
    design /= np.sqrt(variance)[:, None, None]
    # Each swing's 7 columns with each other, and with what is left over.
    blocks = np.add.reduceat(design.swapaxes(1, 2) @ design, samples.first, axis=0)
    own = np.arange(6, 6 + len(delta))
    normal, right = np.zeros((6 + len(delta), 6 + len(delta))), np.zeros(6 + len(delta))
    normal[:6, :6] = blocks[:, :6, :6].sum(axis=0)
    normal[:6, own] = blocks[:, :6, 6].T
    normal[own, :6] = blocks[:, 6, :6]
    normal[own, own] = blocks[:, 6, 6] + 1e-6
    right[:6], right[own] = blocks[:, :6, 7].sum(axis=0), blocks[:, 6, 7]
    return normal, right


def _skew(v: FloatArray) -> FloatArray:
    x, y, z = v.T
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = -z, y
    out[:, 1, 0], out[:, 1, 2] = z, -x
    out[:, 2, 0], out[:, 2, 1] = -y, x
    return out
