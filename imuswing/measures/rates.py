"""Turn rates through the ball: at impact, fastest before, slowest through; continuity, verdict, stall probability."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.segments import ALIGNMENT, BIAS, SCALE, SegmentMotion, error_maps, orientations_at
from imuswing.measures.pose import BETWEEN_WEARERS, Estimate, SoftTissue
from imuswing.orientation.quaternion import FloatArray, IntArray, bracket, cross, inverse, rotate
from imuswing.sensors.filters import smooth_gaussian, smooth_parabola
from imuswing.swings.events import Moments
from imuswing.vocabulary import LeadSide

RIPPLE_SHARE = math.sqrt(1.0 - math.sqrt(2.0) + 1.0 / math.sqrt(3.0))
"""SD that is left of a process whose correlation falls as a Gaussian when its mean over a Gaussian of the same length
is taken off."""
HALF_S = 0.01
"""Slopes and bends of a rate are read over so long before and after, s: about the smoothing's own SD."""
EVEN, DRAWS = 32, 256
"""Places at which a curve's errors are drawn, a few to each time in which they change, and how often: the mean of so
many extremes is known to a twentieth of the errors' SD."""


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
    skin_share: SD of the share of a turn that the skin does not follow, the same through a swing (see `SoftTissue`).
    own_rate, own_share: SD of the turning that the skin adds of its own, rad/s, and as a share of the fastest turn.
    late_s: SD of how late the skin turns.  These are of a usual wearer and assumptions: nothing was found of sensors on
    a trunk.
    calm_s, calm_share: a sensor that swings on after the ball dips under the bone's slowest rate. A parabola over so
    many s loses most of such ringing, and of what it loses this share is kept: of a true sag of 0.05 s (SD) 12 % are
    lost, of one of 0.1 s 2 %.  calm_weight: of that curve's slowest rate beside the plain one.  calm_error: standard
    error as a share of how far the two are apart; plain_error: and as a share of the plain one's (assumptions, chosen
    with two simulators).
    change_s: in such a time the skin's own turning changes: a third of the 0.1 s or so that the arm, which pulls at it,
    takes through the ball (an assumption).
    """

    tissue_hz: float = 20.0
    before_s: float = 0.05
    after_s: float = 0.15
    turning_from: float = 0.7
    slowing_from: float = 0.4
    least_peak: float = _deg(30.0)
    skin_share: float = SoftTissue.trunk_share
    own_rate: float = _deg(2.0)
    own_share: float = 0.02
    late_s: float = 0.0015
    calm_s: float = 0.25
    calm_share: float = 0.25
    calm_weight: float = 0.5
    calm_error: float = 0.8
    plain_error: float = 0.8
    change_s: float = 0.03

    @property
    def smoothing_s(self) -> float:
        """SD of the Gaussian, s."""
        return math.sqrt(2.0) / (2.0 * math.pi * self.tissue_hz)

    def own_turning(self, fastest: float) -> float:
        """SD of the turning that a usual wearer's skin adds of its own, rad/s, in a swing with this fastest turn."""
        return math.hypot(self.own_rate, self.own_share * fastest)

    def skin_se(self, rate: float, slope: float, bend: float, fastest: float) -> float:
        """Standard error of a turn rate, rad/s, by the skin, where the rate has a slope and a bend (rad/s², rad/s³).

        How much sharper the tissue makes a bend is taken off, by an assumed frequency: the error is as large as that.
        """
        sharper = bend / (2.0 * math.pi * self.tissue_hz) ** 2
        parts = (self.skin_share * rate, self.own_turning(fastest), self.late_s * slope, sharper)
        return BETWEEN_WEARERS * math.hypot(*parts)


CONTINUITY_LIMITS: Final = (RateSettings().turning_from, RateSettings().slowing_from)
"""Beside these a continuity is not rounded to the other side."""


@dataclass(frozen=True, kw_only=True)
class TrunkRates:
    """Turn rate of a trunk segment through a swing (M,), rad/s, smoothed, and its angular velocity (M, 3); fastest: the
    largest turn rate of either sign; ripples: (M,) what of it is gone when it is smoothed over the time in which the
    skin's own turning changes; calm: (M,) rad/s, the turn rate with little of what the sensor rings."""

    time: FloatArray
    omega: FloatArray
    turn_rate: FloatArray
    ripples: FloatArray
    calm: FloatArray
    fastest: float


def smooth_rates(segment: SegmentMotion, *, lead_side: LeadSide, settings: RateSettings) -> TrunkRates:
    """Smooth the segment's angular velocity without phase shift."""
    omega = smooth_gaussian(segment.omega, rate=segment.rate, sd_s=settings.smoothing_s)
    turn_rate = define.trunk_turn_rate(omega, lead_side)
    fastest = float(max(turn_rate.max(), -turn_rate.min()))
    ripples = turn_rate - smooth_gaussian(turn_rate, rate=segment.rate, sd_s=settings.change_s)
    parabola = smooth_parabola(turn_rate, rate=segment.rate, length_s=settings.calm_s)
    calm = parabola + settings.calm_share * (turn_rate - parabola)
    return TrunkRates(time=segment.time, omega=omega, turn_rate=turn_rate, ripples=ripples, calm=calm, fastest=fastest)


def turn_rate_at_impact(
    segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings
) -> Estimate:
    """Turn rate at impact, rad/s."""
    value = _value(rates, moments.impact)
    timing = _slope(rates, moments.impact) * moments.impact_se
    return Estimate(value=value, se=_se(segment, rates, moments.impact, timing, settings))


def fastest_before(segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings) -> Estimate:
    """Largest turn rate between top and impact, rad/s."""
    value, time, at_edge = _extreme(rates.time, rates.turn_rate, moments.top, moments.impact, sign=1.0)
    timing = _slope(rates, time) * moments.impact_se if at_edge else 0.0
    return Estimate(value=value, se=_se(segment, rates, time, timing, settings))


def slowest_through(segment: SegmentMotion, rates: TrunkRates, moments: Moments, *, settings: RateSettings) -> Estimate:
    """Smallest turn rate from 0.05 s before to 0.15 s after impact, rad/s.

    The smallest of a curve with errors is too small, most where the chest stays slow for a while. By how much, the
    curve shows with errors once more on top of those it has (the bootstrap's estimate of a bias: Efron & Tibshirani
    1993, An Introduction to the Bootstrap, ch. 10, from memory); that is taken off. A sharp maximum has hardly any.
    What rings for several turns to and fro shows in the curve itself: the calm curve's slowest rate is weighed with it.
    """
    start, end = moments.impact - settings.before_s, moments.impact + settings.after_s
    value, time, at_edge = _extreme(rates.time, rates.turn_rate, start, end, sign=-1.0)
    timing = _slope(rates, time) * moments.impact_se if at_edge else 0.0
    apart = _extreme(rates.time, rates.calm, start, end, sign=-1.0)[0] - value
    value += settings.calm_weight * apart + _too_small(rates, start, end, settings)
    own = settings.plain_error * _se(segment, rates, time, timing, settings)
    return Estimate(value=value, se=math.hypot(own, settings.calm_error * apart))


def continuity(slowest: Estimate, fastest: Estimate, *, settings: RateSettings) -> Estimate | None:
    """Slowest through the ball over fastest before it; None where the chest hardly turned.

    What the skin does not follow of a turn is common to both and cancels in the ratio. Errors of scale and alignment do
    as well; treating them as separate overstates the error by little, since they are its smaller part.
    """
    if fastest.value < settings.least_peak:
        return None
    ratio = slowest.value / fastest.value
    own = math.hypot(_own_se(slowest, settings), ratio * _own_se(fastest, settings))
    return Estimate(value=ratio, se=own / fastest.value)


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
    own = math.hypot(
        _own_se(slowest, settings), limit * _own_se(fastest, settings), BETWEEN_WEARERS * settings.skin_share * margin
    )
    return _normal(margin / max(own, 1e-9))


def tilt_rates_at_impact(
    segments: Sequence[SegmentMotion],
    rates: Sequence[TrunkRates],
    moments: Sequence[Moments],
    *,
    lead_side: LeadSide,
    settings: RateSettings,
) -> list[Estimate]:
    """Rate of change of the shoulder tilt at impact, rad/s, in each of S swings."""
    impacts = [np.array([each.impact]) for each in moments]
    q = orientations_at(segments, impacts)
    omega = np.stack([_omega_at(each, at) for each, at in zip(rates, impacts, strict=True)])
    value = define.shoulder_tilt_rate(q, omega, lead_side)
    index = np.array([_nearest(each.time, when.impact) for each, when in zip(rates, moments, strict=True)])
    slope = _tilt_slopes(segments, rates, index, lead_side)
    # The rate is the vertical part of omega x s: an error of omega enters through s x up, in segment axes.
    up = rotate(inverse(q), define.Z_AXIS)
    side = -define.trunk_sign(lead_side) * define.Z_AXIS
    direction = cross(side, up)
    # A tilted orientation changes the rate by the turning across it.
    tilted = cross(cross(omega, side), up)
    by_parameter = (tilted[:, None] @ error_maps(segments, index[:, None])[:, 0])[:, 0]
    found = []
    for k, (segment, smoothed, when) in enumerate(zip(segments, rates, moments, strict=True)):
        x, y, z = direction[k].tolist()
        variance = _variance(segment, smoothed, int(index[k]), (x, y, z), settings)
        variance += float(by_parameter[k] @ segment.error_covariance @ by_parameter[k])
        skin = settings.skin_se(float(value[k]), float(slope[k]), 0.0, smoothed.fastest)
        variance += skin**2 + (float(slope[k]) * when.impact_se) ** 2
        found.append(Estimate(value=float(value[k]), se=math.sqrt(variance)))
    return found


def _omega_at(rates: TrunkRates, at: FloatArray) -> FloatArray:
    """Angular velocity (3,) at a time (1,), straight between samples."""
    index, fraction = bracket(rates.time, at)
    before, after = rates.omega[index[0]], rates.omega[index[0] + 1]
    return np.asarray(before + fraction[0] * (after - before))


def _tilt_slopes(
    segments: Sequence[SegmentMotion], rates: Sequence[TrunkRates], index: IntArray, lead_side: LeadSide
) -> FloatArray:
    """(S,) rad/s², how the tilt rate changes from the sample before each index (S,) to the one after it."""
    last = np.array([len(each.time) - 1 for each in rates])
    ends = np.stack((np.maximum(index - 1, 0), np.minimum(index + 1, last)), axis=1)
    q = np.stack([segment.q[own] for segment, own in zip(segments, ends, strict=True)])
    omega = np.stack([each.omega[own] for each, own in zip(rates, ends, strict=True)])
    time = np.stack([each.time[own] for each, own in zip(rates, ends, strict=True)])
    curve = define.shoulder_tilt_rate(q, omega, lead_side)
    return np.asarray((curve[:, 1] - curve[:, 0]) / (time[:, 1] - time[:, 0]))


def _own_se(rate: Estimate, settings: RateSettings) -> float:
    """Standard error of a rate without what the skin does not follow of every turn of a swing."""
    return math.sqrt(max(rate.se**2 - (BETWEEN_WEARERS * settings.skin_share * rate.value) ** 2, 0.0))


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _nearest(time: FloatArray, at: float) -> int:
    return min(int(time.searchsorted(at)), len(time) - 1)


def _value(rates: TrunkRates, at: float) -> float:
    return float(np.interp(at, rates.time, rates.turn_rate))


def _slope(rates: TrunkRates, at: float) -> float:
    before, after = np.interp((at - HALF_S, at + HALF_S), rates.time, rates.turn_rate).tolist()
    return float(after - before) / (2.0 * HALF_S)


def _bend(rates: TrunkRates, at: float) -> float:
    before, here, after = np.interp((at - HALF_S, at, at + HALF_S), rates.time, rates.turn_rate).tolist()
    return float(before - 2.0 * here + after) / HALF_S**2


def _extreme(
    time: FloatArray, curve: FloatArray, start: float, end: float, *, sign: float
) -> tuple[float, float, bool]:
    """Largest (sign +1) or smallest (−1) of a curve (M,) between two times: value, its time, whether at an edge."""
    first, last = time.searchsorted(start, "right"), time.searchsorted(end)
    times = np.concatenate(([start], time[first:last], [end]))
    values = np.interp(times, time, curve)
    best = int(np.argmax(sign * values))
    return float(values[best]), float(times[best]), best in (0, len(times) - 1)


def _too_small(rates: TrunkRates, start: float, end: float, settings: RateSettings) -> float:
    """By how much, rad/s, the smallest turn rate between two times is expected to be told too small."""
    even = np.linspace(start, end, EVEN)
    curve, ripples = (np.interp(even, rates.time, y) for y in (rates.turn_rate, rates.ripples))
    # Errors are no larger than the curve's own ripples: a steady turn has none.
    ripple_sd = float(np.sqrt(np.mean(ripples**2))) / RIPPLE_SHARE
    errors = min(settings.own_turning(rates.fastest), ripple_sd) * _draws(round((end - start) / settings.change_s, 1))
    return float(np.min(curve) - np.mean(np.min(curve + errors, axis=1)))


@lru_cache(maxsize=64)
def _draws(length: float) -> FloatArray:
    """(D, EVEN), read-only: draws of the skin's own turning, SD 1, over a stretch of so many times in which it changes.

    A Gaussian process whose correlation falls as a Gaussian; each draw stands beside its negative.
    """
    apart = np.subtract.outer(np.arange(EVEN), np.arange(EVEN)) * length / (EVEN - 1)
    values, vectors = np.linalg.eigh(np.exp(-0.5 * apart**2))
    normal = np.random.default_rng(0).standard_normal((DRAWS // 2, EVEN))
    draws = normal @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    both = np.concatenate((draws, -draws))
    both.flags.writeable = False
    return both


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


def _se(segment: SegmentMotion, rates: TrunkRates, at: float, timing: float, settings: RateSettings) -> float:
    variance = _variance(segment, rates, _nearest(rates.time, at), (0.0, 1.0, 0.0), settings)
    skin = settings.skin_se(_value(rates, at), _slope(rates, at), _bend(rates, at), rates.fastest)
    return math.sqrt(variance + skin**2 + timing**2)
