"""The heading between forearm and hand from the acceleration of the wrist that both sensors feel.

Each sensor's acceleration, carried to the wrist's centre by its own turning, must be the same vector in the earth frame
(Weygers & Kok 2020, IEEE Sensors J 20:7969). The way from each sensor to the wrist is not known exactly; it is the same
in all swings of a session and is estimated with the headings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imuswing.body.segments import SegmentMotion
from imuswing.orientation.quaternion import FloatArray, exp, length, slerp, to_matrix
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
    way = np.concatenate((WAY_FROM_FOREARM, WAY_FROM_HAND))
    prior = way.copy()
    delta = guesses[used].astype(float)
    for _ in range(4):
        size = 6 + len(used)
        normal, right = np.zeros((size, size)), np.zeros(size)
        normal[:6, :6] = np.eye(6) / WAY_SD**2
        right[:6] = (prior - way) / WAY_SD**2
        for place, k in enumerate(used):
            _add(stretches[k], delta[place], way, 6 + place, normal, right)
        normal[np.arange(6, size), np.arange(6, size)] += 1e-6
        step = np.linalg.solve(normal, right)
        way += step[:6]
        delta += np.clip(step[6:], -0.5, 0.5)
    covariance = np.linalg.inv(normal)
    angles[used] = delta
    sds[used] = np.sqrt(np.diag(covariance)[6:])
    return angles, sds


def _stretch(forearm: SegmentMotion, hand: SegmentMotion, top: float, impact: float) -> tuple[FloatArray, ...] | None:
    """Per segment, acceleration (M, 3) and the matrix (M, 3, 3) from a way to acceleration, in its earth frame."""
    time = np.arange(top - BEFORE_TOP_S, impact - BEFORE_IMPACT_S, 1.0 / RATE)
    if len(time) < 10:
        return None
    parts = []
    for segment in (forearm, hand):
        if time[0] < segment.time[0] or time[-1] > segment.time[-1]:
            return None
        inside = (segment.time >= time[0]) & (segment.time <= time[-1])
        if np.any(segment.unusable[inside]):
            return None
        raw = np.concatenate((segment.omega, segment.acc), axis=1)
        raw = np.stack([np.interp(time, segment.time, raw[:, k]) for k in range(6)], axis=1)
        smooth = lowpass_zero_phase(raw, rate=RATE, cutoff_hz=CUTOFF_HZ)
        omega, acc = smooth[:, :3], smooth[:, 3:]
        alpha = np.gradient(omega, 1.0 / RATE, axis=0)
        across = _skew(omega)
        matrix = to_matrix(slerp(segment.q, segment.time, time))
        parts += [(matrix @ acc[:, :, None])[..., 0], matrix @ (_skew(alpha) + across @ across)]
    return tuple(parts)


def _add(
    stretch: tuple[FloatArray, ...] | None,
    delta: float,
    way: FloatArray,
    column: int,
    normal: FloatArray,
    right: FloatArray,
) -> None:
    """Add one swing's equations A_forearm − Z(delta)·A_hand = 0, linearised, to the normal equations."""
    assert stretch is not None
    acc_f, map_f, acc_h, map_h = stretch
    turn = to_matrix(exp(np.array([0.0, 0.0, delta])))
    at_f = acc_f + map_f @ way[:3]
    at_h = (acc_h + map_h @ way[3:]) @ turn.T
    residual = at_f - at_h
    jacobian = np.zeros((len(acc_f), 3, 7))
    jacobian[:, :, :3] = map_f
    jacobian[:, :, 3:6] = -(turn @ map_h)
    jacobian[:, 0, 6], jacobian[:, 1, 6] = at_h[:, 1], -at_h[:, 0]
    variance = (NOISE**2 + (NOISE_SHARE * length(at_f)) ** 2) / INDEPENDENT
    weight = 1.0 / np.sqrt(variance)
    design = (jacobian * weight[:, None, None]).reshape(-1, 7)
    block = design.T @ design
    pull = -(residual * weight[:, None]).ravel() @ design
    normal[:6, :6] += block[:6, :6]
    normal[:6, column] += block[:6, 6]
    normal[column, :6] += block[6, :6]
    normal[column, column] += block[6, 6]
    right[:6] += pull[:6]
    right[column] += pull[6]


def _skew(v: FloatArray) -> FloatArray:
    x, y, z = v.T
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = -z, y
    out[:, 1, 0], out[:, 1, 2] = z, -x
    out[:, 2, 0], out[:, 2, 1] = -y, x
    return out
