"""Turn rates through the ball: at impact, fastest before, slowest through; continuity, verdict, stall probability."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.segments import ALIGNMENT, BIAS, SCALE, SegmentMotion
from imuswing.measures.pose import Estimate
from imuswing.orientation.quaternion import FloatArray, cross, rotate, slerp
from imuswing.sensors.filters import smooth_gaussian
from imuswing.swings.events import Moments
from imuswing.vocabulary import LeadSide


def _deg(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class RateSettings:
    """Smoothing, the window through the ball, and the verdict's limits.

    tissue_hz: natural frequency of a sensor on the trunk's soft tissue: it trails the bone by 1/(2π f)² of the angular
    acceleration, and so makes every bend of the rate sharper by that much; a Gaussian of √2/(2π f) takes it off again
    and smooths about as a low-pass at 15 Hz does. Wands on the leg's skin have 23 to 51 Hz by their mass (Tupa et al.
    1995, J Biomech Eng, abstract); 34 g on the skin ring at their own frequency, 1.5 g do not (Ziegert & Lewis 1979,
    J Biomech Eng, abstract; names and years of both from memory); of a strapped sensor nothing was found: 20 Hz is an
    assumption.
    before_s, after_s: the stretch through the ball, part of the measure's definition.
    turning_from, slowing_from, least_peak: verdict limits (common practice, no source; a coach's settings).
    skin_rate, skin_share: SD of the skin's own turning, rad/s, and as a share of the peak (assumptions).
    """

    tissue_hz: float = 20.0
    before_s: float = 0.05
    after_s: float = 0.15
    turning_from: float = 0.7
    slowing_from: float = 0.4
    least_peak: float = _deg(30.0)
    skin_rate: float = _deg(2.0)
    skin_share: float = 0.02

    @property
    def smoothing_s(self) -> float:
        """SD of the Gaussian, s."""
        return math.sqrt(2.0) / (2.0 * math.pi * self.tissue_hz)


@dataclass(frozen=True, kw_only=True)
class TrunkRates:
    """Turn rate of a trunk segment through a swing (M,), rad/s, smoothed, and its angular velocity (M, 3); fastest: the
    largest turn rate of either sign."""

    time: FloatArray
    omega: FloatArray
    turn_rate: FloatArray
    fastest: float


def smooth_rates(segment: SegmentMotion, *, lead_side: LeadSide, settings: RateSettings) -> TrunkRates:
    """Smooth the segment's angular velocity without phase shift."""
    omega = smooth_gaussian(segment.omega, rate=segment.rate, sd_s=settings.smoothing_s)
    turn_rate = define.trunk_turn_rate(omega, lead_side)
    fastest = float(max(turn_rate.max(), -turn_rate.min()))
    return TrunkRates(time=segment.time, omega=omega, turn_rate=turn_rate, fastest=fastest)


def turn_rate_at_impact(
    segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings
) -> Estimate:
    """Turn rate at impact, rad/s."""
    index = _nearest(rates.time, moments.impact)
    value = _value(rates, moments.impact)
    peak = rates.fastest
    timing = _slope(rates, moments.impact) * moments.impact_se
    return Estimate(value=value, se=_se(segment, rates, index, peak, timing, settings))


def fastest_before(segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings) -> Estimate:
    """Largest turn rate between top and impact, rad/s."""
    value, time, at_edge = _extreme(rates, moments.top, moments.impact, sign=1.0)
    timing = _slope(rates, time) * moments.impact_se if at_edge else 0.0
    return Estimate(value=value, se=_se(segment, rates, _nearest(rates.time, time), abs(value), timing, settings))


def slowest_through(segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings) -> Estimate:
    """Smallest turn rate from 0.05 s before to 0.15 s after impact, rad/s."""
    start, end = moments.impact - settings.before_s, moments.impact + settings.after_s
    value, time, at_edge = _extreme(rates, start, end, sign=-1.0)
    timing = _slope(rates, time) * moments.impact_se if at_edge else 0.0
    peak = rates.fastest
    return Estimate(value=value, se=_se(segment, rates, _nearest(rates.time, time), peak, timing, settings))


def continuity(slowest: Estimate, fastest: Estimate, *, settings: RateSettings) -> Estimate | None:
    """Slowest through the ball over fastest before it; None where the chest hardly turned.

    Scale and alignment errors are common to both and cancel in the ratio; treating them as separate overstates the
    error by little, since they are its smaller part.
    """
    if fastest.value < settings.least_peak:
        return None
    ratio = slowest.value / fastest.value
    return Estimate(value=ratio, se=math.hypot(slowest.se, ratio * fastest.se) / fastest.value)


def verdict(ratio: Estimate | None, *, settings: RateSettings) -> str:
    """`turning`, `slowing` or `stalled`; a chest that hardly turned is stalled."""
    if ratio is None or ratio.value < settings.slowing_from:
        return "stalled"
    return "slowing" if ratio.value < settings.turning_from else "turning"


def stall_probability(slowest: Estimate, fastest: Estimate, *, settings: RateSettings) -> float:
    """Probability that the true continuity is under the stalled limit, errors taken as normal.

    Under the limit means slowest < limit · fastest, which needs no division by a peak that may be small.
    """
    limit = settings.slowing_from
    margin = limit * max(fastest.value, 0.0) - slowest.value
    return _normal(margin / max(math.hypot(slowest.se, limit * fastest.se), 1e-9))


def tilt_rate_at_impact(
    segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, lead_side: LeadSide, settings: RateSettings
) -> Estimate:
    """Rate of change of the shoulder tilt at impact, rad/s."""
    index = _nearest(rates.time, moments.impact)
    q = slerp(segment.q, segment.time, np.array([moments.impact]))[0]
    omega = np.array([np.interp(moments.impact, rates.time, rates.omega[:, k]) for k in range(3)])
    value = float(define.shoulder_tilt_rate(q, omega, lead_side))
    around = slice(max(index - 1, 0), index + 2)
    curve = define.shoulder_tilt_rate(segment.q[around], rates.omega[around], lead_side)
    slope = float((curve[-1] - curve[0]) / (rates.time[around][-1] - rates.time[around][0]))
    # The rate is the vertical part of omega x s: an error of omega enters through s x up, in segment axes.
    up = rotate(q * np.array([1.0, -1.0, -1.0, -1.0]), define.Z_AXIS)
    side = -define.trunk_sign(lead_side) * define.Z_AXIS
    direction = cross(side, up)
    peak = rates.fastest
    x, y, z = direction.tolist()
    variance = _variance(segment, rates, index, (x, y, z), settings)
    # A tilted orientation changes the rate by the turning across it.
    tilted = cross(cross(omega, side), up)
    variance += float(tilted @ _rotation_covariance(segment, index) @ tilted)
    skin = settings.skin_rate + settings.skin_share * peak
    variance += skin**2 + (slope * moments.impact_se) ** 2
    return Estimate(value=value, se=math.sqrt(variance))


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _nearest(time: FloatArray, at: float) -> int:
    return min(int(time.searchsorted(at)), len(time) - 1)


def _value(rates: TrunkRates, at: float) -> float:
    return float(np.interp(at, rates.time, rates.turn_rate))


def _slope(rates: TrunkRates, at: float, half_s: float = 0.01) -> float:
    before, after = np.interp((at - half_s, at + half_s), rates.time, rates.turn_rate).tolist()
    return float(after - before) / (2.0 * half_s)


def _extreme(rates: TrunkRates, start: float, end: float, *, sign: float) -> tuple[float, float, bool]:
    """Largest (sign +1) or smallest (−1) turn rate between two times: value, its time, and whether it is at an edge."""
    first, last = rates.time.searchsorted(start, "right"), rates.time.searchsorted(end)
    times = np.concatenate(([start], rates.time[first:last], [end]))
    values = np.interp(times, rates.time, rates.turn_rate)
    best = int(np.argmax(sign * values))
    return float(values[best]), float(times[best]), best in (0, len(times) - 1)


def _rotation_covariance(segment: SegmentMotion, index: int) -> FloatArray:
    e = segment.error_map[index]
    return np.asarray(e @ segment.error_covariance @ e.T)


def _variance(
    segment: SegmentMotion, rates: TrunkRates, index: int, direction: tuple[float, float, float], settings: RateSettings
) -> float:
    """Variance of the angular velocity along a direction in segment axes, from alignment, bias, scale and noise.

    In plain floats: four times a swing the overhead of small arrays would be most of the work.
    """
    x, y, z = direction
    wx, wy, wz = rates.omega[index].tolist()
    own = np.diagonal(segment.error_covariance)
    bias = sum(own[BIAS].tolist()) / 3.0
    scale = own[SCALE].tolist()
    # Scale errors stand in sensor axes; their mean size serves for any mounting.
    trace = scale[0] + scale[4] + scale[8]
    along, cross = trace / 3.0, (sum(scale) - trace) / 6.0
    size = wx * wx + wy * wy + wz * wz
    gyro = sum(d * d * (along * w * w + cross * (size - w * w)) for d, w in zip(direction, (wx, wy, wz), strict=True))
    # White noise after a weighted mean: the sum of squared weights of a Gaussian.
    noise = segment.gyr_noise**2 * min(1.0 / (2.0 * math.sqrt(math.pi) * settings.smoothing_s * segment.rate), 1.0)
    across = np.array([y * wz - z * wy, z * wx - x * wz, x * wy - y * wx])
    alignment = float(across @ segment.error_covariance[ALIGNMENT, ALIGNMENT] @ across)
    return alignment + (x * x + y * y + z * z) * (bias + noise) + gyro


def _se(
    segment: SegmentMotion, rates: TrunkRates, index: int, peak: float, timing: float, settings: RateSettings
) -> float:
    variance = _variance(segment, rates, index, (0.0, 1.0, 0.0), settings)
    skin = settings.skin_rate + settings.skin_share * peak
    return math.sqrt(variance + skin**2 + timing**2)
