"""A joint that two segments share, from the acceleration of its centre that both sensors feel.

Each sensor's acceleration, carried to the joint's centre by its own turning, must be the same vector in the earth frame
(Weygers & Kok 2020, IEEE Sensors J 20:7969). The way from each sensor to the centre is not known exactly; it is the
same in all swings of a session and is estimated with the headings of the two sensors against each other, which drift.
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
NOISE, NOISE_SHARE = 0.6, 0.06
"""m/s² and share of the acceleration that skin and timing add, each axis; one sample in five is independent."""
INDEPENDENT = 0.2
LONGEST_STEP = 0.5
"""rad, by which a heading is moved at most in one step."""
HARDLY_TOLD = 1e-6
"""rad⁻², so that a heading that the samples do not show can be divided by."""

Swing = tuple[SegmentMotion, SegmentMotion, float, float]
"""Both segments, one on either side of the joint, time of top and of impact, s."""


@dataclass(frozen=True, kw_only=True)
class Ways:
    """Ways (6,) in m from either sensor to a joint's centre, in segment axes, and their covariance (6, 6)."""

    mean: FloatArray
    covariance: FloatArray

    @classmethod
    def expected(cls, one: FloatArray, other: FloatArray, sd: FloatArray) -> Ways:
        """Of one (3,) and the other sensor (3,), each to sd (6,)."""
        return cls(mean=np.concatenate((one, other)), covariance=np.diag(sd**2))


@dataclass(frozen=True, kw_only=True)
class JointFit:
    """used: (J,) numbers of the swings whose samples serve.  heading, heading_sd: (J,) rad, of the one's earth frame
    against the other's.  ways: what is known of them afterwards."""

    used: IntArray
    heading: FloatArray
    heading_sd: FloatArray
    ways: Ways


def fit_joint(swings: Sequence[Swing], guesses: FloatArray | None, ways: Ways, *, steps: int = 4) -> JointFit | None:
    """Headings and ways by least squares; None where no swing's samples can be used.

    guesses: (K,) rad, headings to start from; None starts from those that bring the accelerations together.
    """
    stretches = [_stretch(*swing) for swing in swings]
    used = np.array([k for k, stretch in enumerate(stretches) if stretch is not None], dtype=np.intp)
    if len(used) == 0:
        return None
    samples = _Samples.of([stretch for stretch in stretches if stretch is not None])
    way, precision = ways.mean.copy(), np.linalg.inv(ways.covariance)
    delta = _rough_headings(samples, way) if guesses is None else guesses[used].astype(float)
    for _ in range(steps):
        normal, right, across, own, own_right = _equations(samples, delta, way)
        # Each swing's heading is its own: it is eliminated, and found when the ways are.
        slope = across / own[:, None]
        covariance = np.linalg.inv(normal + precision - across.T @ slope)
        step = covariance @ (right + precision @ (ways.mean - way) - slope.T @ own_right)
        way += step
        delta += np.clip(own_right / own - slope @ step, -LONGEST_STEP, LONGEST_STEP)
    variance = 1.0 / own + np.sum((slope @ covariance) * slope, axis=1)
    return JointFit(
        used=used,
        heading=delta,
        heading_sd=np.sqrt(variance),
        ways=Ways(mean=way, covariance=np.asarray(covariance, dtype=np.float64)),
    )


def _rough_headings(samples: _Samples, way: FloatArray) -> FloatArray:
    """(J,) rad, the turn about the vertical that brings each swing's horizontal accelerations nearest together."""
    one, other = samples.acc_one + samples.map_one @ way[:3], samples.acc_other + samples.map_other @ way[3:]
    sine = np.add.reduceat(other[:, 0] * one[:, 1] - other[:, 1] * one[:, 0], samples.first)
    cosine = np.add.reduceat(other[:, 0] * one[:, 0] + other[:, 1] * one[:, 1], samples.first)
    return np.asarray(np.arctan2(sine, cosine))


def _stretch(one: SegmentMotion, other: SegmentMotion, top: float, impact: float) -> tuple[FloatArray, ...] | None:
    """What both segments did before impact, at even times (M,): angular velocities and accelerations (M, 12) of the
    one and the other, smoothed, and their slopes (M, 12); orientations before and after each time (M, 2, 4), and where
    it lies between (M, 2)."""
    time = np.arange(top - BEFORE_TOP_S, impact - BEFORE_IMPACT_S, 1.0 / RATE)
    if len(time) < 10:
        return None
    raw, before, after, share = [], [], [], []
    for segment in (one, other):
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
    """The samples of J stretches one after the other, N in all.

    count, first: (J,) samples of each, and the first.  Of the one and the other segment, in their own earth frames:
    acceleration (N, 3), and the matrix (N, 3, 3) from a way to acceleration.
    """

    first: IntArray
    count: IntArray
    acc_one: FloatArray
    map_one: FloatArray
    acc_other: FloatArray
    map_other: FloatArray

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
            acc_one=(turn[:, 0] @ acc_f[..., None])[..., 0],
            map_one=turn[:, 0] @ (_skew(alpha[0]) + across_f @ across_f),
            acc_other=(turn[:, 1] @ acc_h[..., None])[..., 0],
            map_other=turn[:, 1] @ (_skew(alpha[2]) + across_h @ across_h),
        )


def _equations(
    samples: _Samples, delta: FloatArray, way: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Normal equations of all swings' A_one − Z(delta)·A_other = 0, linearised, for changes of the ways and headings.

    Among the ways (6, 6) and their right side (6,); across to the headings (J, 6); the headings' own (J,) and right
    side (J,).
    """
    turn = np.repeat(to_matrix(exp(delta[:, None] * Z_AXIS)), samples.count, axis=0)
    at_one = samples.acc_one + samples.map_one @ way[:3]
    at_other = (turn @ (samples.acc_other + samples.map_other @ way[3:])[..., None])[..., 0]
    design = np.zeros((len(at_one), 3, 8))
    design[:, :, :3] = samples.map_one
    design[:, :, 3:6] = -(turn @ samples.map_other)
    design[:, 0, 6], design[:, 1, 6] = at_other[:, 1], -at_other[:, 0]
    design[:, :, 7] = at_other - at_one
    variance = (NOISE**2 + (NOISE_SHARE * length(at_one)) ** 2) / INDEPENDENT
    design /= np.sqrt(variance)[:, None, None]
    # Each swing's columns with each other, and with what is left over.
    blocks = np.add.reduceat(design.swapaxes(1, 2) @ design, samples.first, axis=0)
    together = blocks.sum(axis=0)
    return together[:6, :6], together[:6, 7], blocks[:, :6, 6], blocks[:, 6, 6] + HARDLY_TOLD, blocks[:, 6, 7]


def _skew(v: FloatArray) -> FloatArray:
    x, y, z = v.T
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = -z, y
    out[:, 1, 0], out[:, 1, 2] = z, -x
    out[:, 2, 0], out[:, 2, 1] = -y, x
    return out
