"""Turn rates through the ball: closed-form curves, the verdict's edges, and stated errors against repeated draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy
from motions_for_tests import UPRIGHT_TRUNK, make_segment, scalar_first
from scipy.signal import savgol_filter
from scipy.spatial.transform import Rotation

from imuswing.body.definitions import shoulder_tilt
from imuswing.body.segments import ALIGNMENT, BIAS, PARAMETERS, SCALE, SegmentMotion
from imuswing.measures.pose import BETWEEN_WEARERS, Estimate
from imuswing.measures.rates import (
    RateSettings,
    continuity,
    fastest_before,
    slowest_through,
    smooth_rates,
    stall_probability,
    tilt_rates_at_impact,
    turn_rate_at_impact,
    verdict,
)
from imuswing.orientation.quaternion import FloatArray
from imuswing.swings.events import Moments
from imuswing.vocabulary import LeadSide

SETTINGS = RateSettings()
NO_SKIN = RateSettings(skin_share=0.0, own_rate=0.0, own_share=0.0, late_s=0.0)
RATE = 200.0
TIME = np.arange(1200) / RATE
TOP_S, IMPACT_S = 2.5, 3.0
WHEN = Moments(
    address=1.0,
    takeaway=1.2,
    top=TOP_S,
    impact=IMPACT_S,
    finish=4.0,
    takeaway_se=0.0,
    top_se=0.0,
    impact_se=0.0,
    finish_se=0.0,
)
SIDES: tuple[LeadSide, ...] = ("left", "right")


def sign(side: LeadSide) -> float:
    """By the contract of the measures: turning to the left is towards the target for lead side left."""
    return 1.0 if side == "left" else -1.0


def chest(rate_dps: FloatArray, side: LeadSide = "left", **changes: object) -> SegmentMotion:
    """An upright trunk that turns towards the target at a rate given at `TIME`."""
    angle = np.cumsum(rate_dps) / RATE * sign(side)
    omega = np.zeros((len(TIME), 3))
    omega[:, 1] = np.radians(rate_dps) * sign(side)
    rotations = UPRIGHT_TRUNK * Rotation.from_euler("y", angle[:, None], degrees=True)
    return make_segment("chest", rotations, omega=omega, **changes)


def bump(at: float, height: float, sd: float) -> FloatArray:
    return np.asarray(height * np.exp(-0.5 * ((TIME - at) / sd) ** 2))


def found(rate_dps: FloatArray, side: LeadSide = "left") -> tuple[float, float, float]:
    """At impact, fastest, slowest, °/s."""
    segment = chest(rate_dps, side)
    rates = smooth_rates(segment, lead_side=side, settings=SETTINGS)
    parts = (turn_rate_at_impact, fastest_before, slowest_through)
    at, fast, slow = (float(np.degrees(part(segment, rates, WHEN, settings=SETTINGS).value)) for part in parts)
    return at, fast, slow


@pytest.mark.parametrize("side", SIDES)
def test_a_steady_turn_has_one_rate(side: LeadSide) -> None:
    np.testing.assert_allclose(found(np.full(len(TIME), 300.0), side), 300.0, rtol=1e-6)


@pytest.mark.parametrize("side", SIDES)
def test_peak_rate_at_impact_and_lowest_by_hand(side: LeadSide) -> None:
    # By hand: 400 °/s at 2.9 s, 0.3 s wide: at impact 400·exp(−½(0.1/0.15)²), least at the window's end, 0.15 s later.
    curve = bump(2.9, 400.0, 0.15)
    at, fast, slow = found(curve, side)
    assert fast == pytest.approx(400.0, rel=0.01)
    assert at == pytest.approx(400.0 * np.exp(-0.5 * (0.1 / 0.15) ** 2), rel=0.01)
    assert slow == pytest.approx(400.0 * np.exp(-0.5 * (0.25 / 0.15) ** 2), rel=0.03)


def test_a_peak_after_impact_does_not_count() -> None:
    # The contract of the measures: the fastest between top and impact.
    at, fast, _ = found(bump(3.2, 400.0, 0.15))
    assert fast == pytest.approx(at)
    assert fast < 200.0


@pytest.mark.parametrize(("at", "inside"), [(2.9, False), (2.97, True), (3.1, True), (3.24, False)])
def test_only_a_sag_within_the_window_counts(at: float, inside: bool) -> None:
    # The contract of the measures: from 0.05 s before to 0.15 s after impact. Sags of 20 ms SD and 200 °/s.
    slow = found(300.0 - bump(at, 200.0, 0.02))[2]
    assert (slow < 200.0) == inside
    if inside:
        # By hand: two Gaussians in a row are one whose variance is the sum; the sag keeps its area. The calm curve
        # (scipy's filter after Savitzky & Golay 1964) keeps less of it, and is weighed with it.
        sd = np.hypot(0.02, SETTINGS.smoothing_s)
        sag = bump(at, 200.0 * 0.02 / sd, sd)
        parabola = savgol_filter(sag, round(SETTINGS.calm_s * RATE) + 1, 2)
        calm = parabola + SETTINGS.calm_share * (sag - parabola)
        left = sag.max() + SETTINGS.calm_weight * (calm.max() - sag.max())
        assert slow == pytest.approx(300.0 - left, abs=2.0)


def test_a_slow_sag_is_measured_to_a_percent() -> None:
    # As a sensor on soft tissue shows it: the bone's rate less its second derivative over (2πf)², here in closed form.
    bone, depth = 300.0 - bump(3.05, 240.0, 0.1), ((TIME - 3.05) / 0.1) ** 2
    bend = -bump(3.05, 240.0, 0.1) * (depth - 1.0) / 0.1**2
    shown = bone - bend / (2.0 * np.pi * SETTINGS.tissue_hz) ** 2
    assert found(shown)[2] == pytest.approx(60.0, abs=3.0)


def estimate(value_dps: float, se_dps: float = 0.0) -> Estimate:
    return Estimate(value=float(np.radians(value_dps)), se=float(np.radians(se_dps)))


@pytest.mark.parametrize(
    ("ratio", "wanted"),
    [
        (1.2, "turning"),
        (0.7, "turning"),
        (np.nextafter(0.7, 0.0), "slowing"),
        (0.4, "slowing"),
        (np.nextafter(0.4, 0.0), "stalled"),
        (-0.3, "stalled"),
    ],
)
def test_the_verdicts_edges(ratio: float, wanted: str) -> None:
    # The contract of the measures: turning from 0.7, slowing from 0.4, stalled below.
    assert verdict(Estimate(value=ratio, se=0.1), settings=SETTINGS) == wanted


def test_a_chest_that_hardly_turns_has_no_continuity_and_is_stalled() -> None:
    # The contract of the measures: null where the peak is under 30 °/s; stalled then.
    thirty = SETTINGS.least_peak
    exactly = Estimate(value=thirty, se=0.01)
    under = Estimate(value=np.nextafter(thirty, 0.0), se=0.01)
    assert continuity(estimate(15.0), exactly, settings=SETTINGS) is not None
    assert continuity(estimate(15.0), under, settings=SETTINGS) is None
    assert verdict(None, settings=SETTINGS) == "stalled"


def test_other_limits_may_be_set() -> None:
    # The contract of the measures: settings change both limits.
    own = RateSettings(turning_from=0.8, slowing_from=0.5, least_peak=float(np.radians(60.0)))
    assert verdict(Estimate(value=0.75, se=0.1), settings=own) == "slowing"
    assert verdict(Estimate(value=0.45, se=0.1), settings=own) == "stalled"
    assert continuity(estimate(40.0), estimate(50.0), settings=own) is None


def drawn_rates(slow: Estimate, fast: Estimate, count: int) -> tuple[FloatArray, FloatArray]:
    """Draws (count,) of both rates, as their standard errors say: a share of each turn that the skin does not follow,
    the same in both, and errors of their own."""
    rng = np.random.default_rng(4)
    share = BETWEEN_WEARERS * SETTINGS.skin_share
    followed = 1.0 + share * rng.standard_normal(count)
    own = [np.sqrt(max(rate.se**2 - (share * rate.value) ** 2, 0.0)) for rate in (slow, fast)]
    one, two = (
        rate.value * followed + sd * rng.standard_normal(count) for rate, sd in zip((slow, fast), own, strict=True)
    )
    return one, two


@pytest.mark.parametrize(("slow", "fast"), [(-60.0, 300.0), (200.0, 310.0), (350.0, 400.0)])
def test_continuity_and_its_error_by_draws(slow: float, fast: float) -> None:
    # Monte Carlo: 20,000 draws of both rates, 15 °/s each.
    ratio = continuity(estimate(slow, 15.0), estimate(fast, 15.0), settings=SETTINGS)
    assert ratio is not None
    assert ratio.value == pytest.approx(slow / fast)
    one, two = drawn_rates(estimate(slow, 15.0), estimate(fast, 15.0), 20_000)
    assert ratio.se == pytest.approx(np.std(one / two), rel=0.05)


@pytest.mark.parametrize("fast_se", [8.0, 40.0])
@pytest.mark.parametrize("slow", [60.0, 110.0, 130.0, 160.0, 240.0])
def test_the_stall_probability_is_the_share_of_draws_under_the_limit(slow: float, fast_se: float) -> None:
    # Monte Carlo: 100,000 draws of both rates; a share of 0.5 is known to 0.002.
    slowest, fastest = estimate(slow, 12.0), estimate(300.0, fast_se)
    told = stall_probability(slowest, fastest, settings=SETTINGS)
    one, two = drawn_rates(slowest, fastest, 100_000)
    assert told == pytest.approx(float(np.mean(one / two < SETTINGS.slowing_from)), abs=0.006)


def test_the_stall_probability_of_a_chest_that_hardly_turns_stays_a_probability() -> None:
    for slow, fast in ((-20.0, 10.0), (0.0, -5.0), (5.0, 0.0), (25.0, 20.0)):
        assert 0.0 <= stall_probability(estimate(slow, 3.0), estimate(fast, 3.0), settings=SETTINGS) <= 1.0
    # By hand: at the limit it is one half; far under it, with small errors, certain.
    assert stall_probability(estimate(8.0, 3.0), estimate(20.0, 3.0), settings=SETTINGS) == pytest.approx(0.5)
    assert stall_probability(estimate(-50.0, 1.0), estimate(20.0, 1.0), settings=SETTINGS) == pytest.approx(1.0)


def test_without_errors_a_stall_is_certain_or_excluded() -> None:
    assert stall_probability(estimate(100.0), estimate(300.0), settings=SETTINGS) == pytest.approx(1.0)
    assert stall_probability(estimate(200.0), estimate(300.0), settings=SETTINGS) == pytest.approx(0.0)


@pytest.mark.parametrize("side", SIDES)
def test_the_tilt_rate_is_the_slope_of_the_tilt(side: LeadSide) -> None:
    # scipy's rotations and central differences of `shoulder_tilt`: a bent trunk that turns and bends sideways.
    angles = np.stack(
        (-30.0 + 0.0 * TIME, 20.0 * np.sin(3.0 * (TIME - 2.7)), 80.0 * np.sin(2.0 * (TIME - 2.8))), axis=1
    )
    rotations = UPRIGHT_TRUNK * Rotation.from_euler("ZXY", angles, degrees=True)
    segment = make_segment("chest", rotations, rate=RATE)
    rates = smooth_rates(segment, lead_side=side, settings=SETTINGS)
    moments = [WHEN, replace(WHEN, impact=IMPACT_S + 0.2)]
    found = tilt_rates_at_impact([segment] * 2, [rates] * 2, moments, lead_side=side, settings=SETTINGS)
    tilt = shoulder_tilt(scalar_first(rotations), side)
    for when, told in zip(moments, found, strict=True):
        index = round(when.impact * RATE)
        slope = (tilt[index + 1] - tilt[index - 1]) * RATE / 2.0
        assert np.degrees(told.value) == pytest.approx(np.degrees(slope), abs=0.5)

    # An impact that may be off by 5 ms counts by the slope of that slope.
    late = replace(moments[1], impact_se=0.005)
    smooth = smooth_rates(segment, lead_side=side, settings=NO_SKIN)
    told = tilt_rates_at_impact([segment], [smooth], [late], lead_side=side, settings=NO_SKIN)[0]
    bend = (tilt[index + 1] - 2.0 * tilt[index] + tilt[index - 1]) * RATE**2
    assert told.se == pytest.approx(0.005 * abs(bend), rel=0.1)


def spoilt(omega: FloatArray, segment: SegmentMotion, rng: np.random.Generator, count: int) -> FloatArray:
    """Draws (count, 3) of angular velocity as the segment's errors of alignment and bias state them."""
    p = rng.multivariate_normal(np.zeros(PARAMETERS), segment.error_covariance, count, method="eigh")
    turned = Rotation.from_rotvec(p[:, ALIGNMENT]).inv().apply(omega)
    return np.asarray(turned + p[:, BIAS])


def test_the_rates_errors_are_what_repeated_draws_show() -> None:
    # Monte Carlo: a bent, tilting trunk whose alignment and bias are drawn 5000 times; 5 %.
    angles = np.stack((-35.0 + 0 * TIME, 40.0 * (TIME - 3.0), 300.0 * (TIME - 3.0)), axis=1)
    rotations = UPRIGHT_TRUNK * Rotation.from_euler("ZXY", angles, degrees=True)
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    covariance[ALIGNMENT, ALIGNMENT] = np.diag(np.radians([2.5, 4.0, 2.0]) ** 2)
    covariance[BIAS, BIAS] = np.eye(3) * np.radians(0.5) ** 2
    error_map = np.zeros((len(TIME), 3, PARAMETERS))
    error_map[:, :, ALIGNMENT] = np.eye(3)
    segment = make_segment("chest", rotations, error_map=error_map, error_covariance=covariance)
    rates = smooth_rates(segment, lead_side="left", settings=NO_SKIN)
    index = round(IMPACT_S * RATE)
    drawn = spoilt(segment.omega[index], segment, np.random.default_rng(3), 5000)
    told = turn_rate_at_impact(segment, rates, WHEN, settings=NO_SKIN).se
    assert told == pytest.approx(float(np.std(drawn[:, 1])), rel=0.05)


@pytest.mark.parametrize(("axis", "low", "high"), [(1, 0.95, 1.35), (2, 0.75, 1.05)])
def test_scale_errors_count_about_as_any_mounting_would_show(axis: int, low: float, high: float) -> None:
    # Monte Carlo over mountings: scale (1 %) and cross-axis errors (0.6 %) drawn in sensor axes. `rates` takes them as
    # if the sensor stood along the segment, which by hand is 1/√(0.6 + 0.4·0.36) = 1.16 times too much for turning
    # about the axis itself, and 1/√(0.8 + 0.2·2.78) = 0.86 of it for turning across.
    scale = np.full((3, 3), 0.006)
    np.fill_diagonal(scale, 0.01)
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    covariance[SCALE, SCALE] = np.diag(scale.ravel() ** 2)
    omega = np.zeros((len(TIME), 3))
    omega[:, axis] = np.radians(400.0)
    segment = replace(chest(np.zeros(len(TIME))), omega=omega, error_covariance=covariance)
    rates = smooth_rates(segment, lead_side="left", settings=NO_SKIN)
    told = turn_rate_at_impact(segment, rates, WHEN, settings=NO_SKIN).se
    rng = np.random.default_rng(1)
    mounts = Rotation.random(4000, random_state=2)
    errors = mounts.apply(
        np.einsum("kij,kj->ki", scale * rng.standard_normal((4000, 3, 3)), mounts.inv().apply(omega[0]))
    )
    assert low < told / float(np.std(errors[:, 1])) < high


def test_an_impact_that_may_be_off_counts_by_the_curves_slope() -> None:
    # By hand: a rate that falls by 2000 °/s² and an impact known to 5 ms: 10 °/s.
    segment = chest(400.0 - 2000.0 * (TIME - IMPACT_S))
    rates = smooth_rates(segment, lead_side="left", settings=NO_SKIN)
    told = turn_rate_at_impact(segment, rates, replace(WHEN, impact_se=0.005), settings=NO_SKIN).se
    assert np.degrees(told) == pytest.approx(10.0, rel=0.01)


def test_the_rate_of_sampling_does_not_matter() -> None:
    # The same curve at 100, 200 and 500 Hz.
    told = []
    for rate in (100.0, 200.0, 500.0):
        time = np.arange(round(6.0 * rate)) / rate
        omega = np.zeros((len(time), 3))
        omega[:, 1] = np.radians(350.0) * np.exp(-0.5 * ((time - 2.93) / 0.12) ** 2)
        segment = make_segment("chest", Rotation.identity(len(time)), rate=rate, omega=omega)
        rates = smooth_rates(segment, lead_side="left", settings=SETTINGS)
        parts = (turn_rate_at_impact, fastest_before, slowest_through)
        told.append([np.degrees(part(segment, rates, WHEN, settings=SETTINGS).value) for part in parts])
    np.testing.assert_allclose(told[0], told[2], atol=1.5)
    np.testing.assert_allclose(told[1], told[2], atol=0.5)


@pytest.mark.parametrize("frequency", [1.0, 2.5, 4.0])
def test_what_a_sensor_on_soft_tissue_adds_is_taken_off(frequency: float) -> None:
    # By hand: bone turns at 300 + 100·cos(2πft) °/s; an undamped mass on a spring of natural frequency F shows the wave
    # 1/(1 − (f/F)²) as large. The Gaussian of √2/(2πF) leaves exp(−(f/F)²) of that: together 1 − (f/F)⁴/2, to 0.2 %.
    tissue = SETTINGS.tissue_hz
    wave = np.sin(2.0 * np.pi * frequency * (TIME - IMPACT_S) + 0.5 * np.pi)
    shown = 300.0 + 100.0 * wave / (1.0 - (frequency / tissue) ** 2)
    at, _, _ = found(shown)
    assert at == pytest.approx(400.0, abs=0.2)


def test_the_skins_error_of_a_rate_by_hand() -> None:
    # By hand, in °/s: 1.5 % of 200, 2 and 2 % of 300, 1.5 ms of 4000 °/s², and 100,000 °/s³ over (2π · 20 Hz)²; all
    # 2.776 / 1.96 times: Student's t with four degrees of freedom in place of the normal distribution (any table).
    told = SETTINGS.skin_se(*(float(np.radians(x)) for x in (200.0, 4000.0, 1e5, 300.0)))
    parts = (3.0, 2.0, 6.0, 6.0, 1e5 / (40.0 * np.pi) ** 2)
    assert np.degrees(told) == pytest.approx(2.776 / 1.96 * np.linalg.norm(parts), rel=1e-3)


def skin_of_its_own(fastest_dps: float, count: int) -> FloatArray:
    """Draws (2·count, N) at `TIME` of what the skin of a usual wearer adds, °/s, by scipy, and their negatives."""
    lag = (np.arange(200) / RATE) / SETTINGS.change_s
    covariance = scipy.linalg.toeplitz(np.exp(-0.5 * lag**2))
    draws = scipy.stats.multivariate_normal(cov=covariance, allow_singular=True).rvs(count, random_state=6)
    around = np.zeros((count, len(TIME)))
    first = round((IMPACT_S - 0.4) * RATE)
    around[:, first : first + 200] = draws * np.degrees(SETTINGS.own_turning(np.radians(fastest_dps)))
    return np.concatenate((around, -around))


UPRIGHT = chest(np.zeros(len(TIME)))


PLAIN = replace(SETTINGS, calm_weight=0.0)
"""Without a look at the calm curve."""


def smallest_read(rate_dps: FloatArray) -> tuple[float, float]:
    """Slowest through the ball, °/s, as it is told without the calm curve, and the smallest of the smoothed curve."""
    segment = replace(UPRIGHT, omega=np.radians(rate_dps)[:, None] * np.array([0.0, 1.0, 0.0]))
    rates = smooth_rates(segment, lead_side="left", settings=PLAIN)
    through = np.abs(TIME - IMPACT_S - 0.05) <= 0.1
    told = slowest_through(segment, rates, WHEN, settings=PLAIN).value
    return float(np.degrees(told)), float(np.degrees(rates.turn_rate[through].min()))


@pytest.mark.parametrize("phase", np.arange(0.0, 6.2, 0.8))
def test_a_sensor_that_rings_after_the_ball_is_told_less_slow_and_less_surely(phase: float) -> None:
    # A damped oscillator of 8 Hz, 0.2 of critical, in closed form: the bone slows evenly from 350 to 250 °/s.
    bone = np.interp(TIME - IMPACT_S, [-0.3, 0.4], [350.0, 250.0])
    since, pulsation = np.maximum(TIME - IMPACT_S, 0.0), 2.0 * np.pi * 8.0
    ring = 60.0 * np.exp(-0.2 * pulsation * since) * np.cos(pulsation * since + phase) * (since > 0.0)
    segment = chest(bone + ring)
    true = float(bone[np.abs(TIME - IMPACT_S - 0.05) <= 0.1].min())
    sure = replace(SETTINGS, calm_error=0.0)
    told, plain, without = (
        slowest_through(segment, smooth_rates(segment, lead_side="left", settings=each), WHEN, settings=each)
        for each in (SETTINGS, PLAIN, sure)
    )
    assert abs(np.degrees(told.value) - true) < abs(np.degrees(plain.value) - true)
    assert abs(np.degrees(told.value) - true) < 1.96 * np.degrees(told.se)
    apart = (told.value - plain.value) / SETTINGS.calm_weight
    assert told.se == pytest.approx(np.hypot(without.se, SETTINGS.calm_error * apart))
    assert told.se > without.se


@pytest.mark.parametrize(("lasts", "at_fault"), [(0.0, False), (0.08, True), (0.15, True)])
def test_a_slow_stretch_is_not_told_too_slow_by_its_errors(lasts: float, at_fault: bool) -> None:
    # Monte Carlo: a chest that slows from 300 to 100 °/s, stays there for a while and goes on, under 300 draws of what
    # the skin adds (SD 6.3 °/s; draws and their negatives have a mean of 0). Where it stays, the smallest of the curve
    # is off by more than 2 °/s, and no more than half of that is left; where the slowest is a moment, nothing is added.
    fall = np.interp(TIME - IMPACT_S, [-0.06, 0.03, 0.03 + lasts, 0.12 + lasts], [300.0, 100.0, 100.0, 200.0])
    without = smallest_read(fall)[1]
    told, plain = np.mean([smallest_read(fall + skin) for skin in skin_of_its_own(300.0, 150)], axis=0) - without
    assert (plain < -2.0) == at_fault
    assert abs(told) < (0.5 * abs(plain) if at_fault else 0.5)
