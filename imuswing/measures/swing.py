"""One swing's row and curves from its segments in motion and its moments."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from imuswing.body import definitions as define
from imuswing.measures import rates as trunk
from imuswing.measures.pose import Estimate, SoftTissue, SwingMotion, estimate_angles, left_out
from imuswing.measures.rates import RateSettings, TrunkRates
from imuswing.orientation.quaternion import FloatArray, slerp
from imuswing.swings.events import Moments
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

CURVE_MARGIN_S = 0.5
"""Curves run from this long before takeaway to this long after finish."""


@dataclass(frozen=True, kw_only=True)
class MeasureSettings:
    """Everything that turns a swing in motion into numbers.

    full_top_height_deg: the student's arm height at a full top; None takes it from their own full shots.
    worst_angle, worst_rate: standard errors (rad, rad/s) past which a measure is null: it would mislead.
    """

    rates: RateSettings = field(default_factory=RateSettings)
    soft: SoftTissue = field(default_factory=SoftTissue)
    full_top_height_deg: float | None = None
    worst_angle: float = float(np.deg2rad(15.0))
    worst_rate: float = float(np.deg2rad(60.0))


def trunk_rates(swing: SwingMotion, *, lead_side: LeadSide, settings: MeasureSettings) -> dict[str, TrunkRates]:
    """Smoothed rates of chest and pelvis, by tracked point."""
    return {
        point: trunk.smooth_rates(swing.segments[point], lead_side=lead_side, settings=settings.rates)
        for point in (CHEST, PELVIS)
        if point in swing.segments
    }


def measure_swing(
    swing: SwingMotion,
    *,
    lead_side: LeadSide,
    settings: MeasureSettings,
    angles: Mapping[str, Estimate] | None = None,
    rates: Mapping[str, TrunkRates] | None = None,
) -> tuple[dict[str, float | str | None], list[str]]:
    """Result columns of section "measures" (degrees and seconds) and the flags that explain what is null.

    angles, rates: of this swing, by `pose.estimate_all` and `trunk_rates`, where they are at hand already.
    """
    row: dict[str, float | str | None] = {}
    flags: list[str] = []
    if angles is None:
        angles = estimate_angles(swing.segments, swing.moments, lead_side=lead_side, tie=swing.tie, soft=settings.soft)
    for name, estimate in angles.items():
        if not _put(row, f"{name}_deg", estimate, math.degrees(1.0), settings.worst_angle):
            flags.append(f"{name}_too_uncertain")
    flags += [f"{name}_too_uncertain" for name in left_out(swing, angles)]
    if rates is None:
        rates = trunk_rates(swing, lead_side=lead_side, settings=settings)
    for point, smoothed in rates.items():
        _put_trunk_rates(row, flags, point, swing, smoothed, lead_side, settings)
    if LEAD_FOREARM in swing.segments:
        _put_tempo(row, swing.moments)
    flags += _sample_flags(swing)
    return row, flags


def swing_curves(
    swing: SwingMotion,
    *,
    lead_side: LeadSide,
    settings: MeasureSettings,
    rates: Mapping[str, TrunkRates] | None = None,
) -> dict[str, FloatArray]:
    """Curves on even steps, `time_s` 0 at impact, from 0.5 s before takeaway to 0.5 s after finish, in degrees.

    rates: of this swing, by `trunk_rates`, where they are at hand already.
    """
    if rates is None:
        rates = trunk_rates(swing, lead_side=lead_side, settings=settings)
    moments = swing.moments
    lead = swing.segments.get(LEAD_FOREARM) or next(iter(swing.segments.values()))
    first = max(moments.takeaway - CURVE_MARGIN_S, *(s.time[0] for s in swing.segments.values()))
    last = min(moments.finish + CURVE_MARGIN_S, *(s.time[-1] for s in swing.segments.values()))
    steps = np.arange(math.ceil((first - moments.impact) * lead.rate), int((last - moments.impact) * lead.rate) + 1)
    time = moments.impact + steps / lead.rate
    curves: dict[str, FloatArray] = {"time_s": steps / lead.rate}
    q = {point: slerp(s.q, s.time, time) for point, s in swing.segments.items()}
    at = np.array([moments.address])
    for point, prefix in ((CHEST, "chest"), (PELVIS, "pelvis")):
        if point not in q:
            continue
        segment = swing.segments[point]
        smoothed = rates[point]
        address = slerp(segment.q, segment.time, at)
        curves[f"{prefix}_turn_rate_dps"] = np.rad2deg(np.interp(time, smoothed.time, smoothed.turn_rate))
        turn = np.unwrap(define.trunk_turn(q[point], address, lead_side))
        curves[f"{prefix}_turn_deg"] = np.rad2deg(turn)
        if point == CHEST:
            line = define.address_line(address, lead_side)
            curves["shoulder_tilt_deg"] = np.rad2deg(define.shoulder_tilt(q[point], lead_side))
            curves["chest_lean_deg"] = np.rad2deg(define.chest_lean(q[point], line))
    if LEAD_FOREARM in q:
        if LEAD_HAND in q and swing.tie is not None:
            flexion, ulnar = define.wrist_angles_free_of_roll(q[LEAD_FOREARM], q[LEAD_HAND], lead_side)
            curves["wrist_flexion_deg"] = np.rad2deg(flexion)
            curves["wrist_ulnar_deg"] = np.rad2deg(ulnar)
        curves["arm_height_deg"] = np.rad2deg(define.arm_height(q[LEAD_FOREARM]))
    return curves


def _put(
    row: dict[str, float | str | None], name: str, estimate: Estimate, factor: float, worst: float = math.inf
) -> bool:
    """Write value and standard error; null both where the error is past `worst` or not a number."""
    good = math.isfinite(estimate.value) and math.isfinite(estimate.se) and estimate.se <= worst
    row[name] = estimate.value * factor if good else None
    row[f"{name}_se"] = estimate.se * factor if good else None
    return good


def _put_trunk_rates(
    row: dict[str, float | str | None],
    flags: list[str],
    point: str,
    swing: SwingMotion,
    rates: TrunkRates,
    lead_side: LeadSide,
    settings: MeasureSettings,
) -> None:
    segment, moments, to_deg = swing.segments[point], swing.moments, math.degrees(1.0)
    worst = settings.worst_rate
    at_impact = trunk.turn_rate_at_impact(segment, rates, moments, settings=settings.rates)
    if not _put(row, f"{point}_turn_rate_impact_dps", at_impact, to_deg, worst):
        flags.append(f"{point}_turn_rate_too_uncertain")
    if point == PELVIS:
        return
    fastest = trunk.fastest_before(segment, rates, moments, settings=settings.rates)
    slowest = trunk.slowest_through(segment, rates, moments, settings=settings.rates)
    ratio = trunk.continuity(slowest, fastest, settings=settings.rates)
    _put(row, "chest_turn_rate_peak_dps", fastest, to_deg, worst)
    _put(row, "chest_turn_rate_min_dps", slowest, to_deg, worst)
    if ratio is None:
        flags.append("chest_hardly_turned")
    else:
        _put(row, "chest_continuity", ratio, 1.0)
    row["chest_verdict"] = trunk.verdict(ratio, settings=settings.rates)
    row["chest_stall_probability"] = trunk.stall_probability(slowest, fastest, settings=settings.rates)
    tilt = trunk.tilt_rate_at_impact(segment, rates, moments, lead_side=lead_side, settings=settings.rates)
    _put(row, "shoulder_tilt_rate_impact_dps", tilt, to_deg, worst)


def _put_tempo(row: dict[str, float | str | None], moments: Moments) -> None:
    back, down = moments.top - moments.takeaway, moments.impact - moments.top
    back_se = math.hypot(moments.top_se, moments.takeaway_se)
    down_se = math.hypot(moments.impact_se, moments.top_se)
    _put(row, "backswing_s", Estimate(value=back, se=back_se), 1.0)
    _put(row, "downswing_s", Estimate(value=down, se=down_se), 1.0)
    if down <= 0.0:
        return
    ratio = back / down
    # The top is in both: its error moves them in opposite ways.
    by_top = (1.0 + ratio) * moments.top_se
    se = math.sqrt(moments.takeaway_se**2 + by_top**2 + (ratio * moments.impact_se) ** 2) / down
    _put(row, "tempo_ratio", Estimate(value=ratio, se=se), 1.0)


def _sample_flags(swing: SwingMotion) -> list[str]:
    flags = []
    for point, segment in swing.segments.items():
        first = segment.time.searchsorted(swing.moments.address)
        during = slice(first, segment.time.searchsorted(swing.moments.impact + 0.15, "right"))
        if segment.unusable[during].any():
            flags.append(f"{point}_samples_unusable")
        elif segment.bridged[during].any():
            flags.append(f"{point}_samples_bridged")
    return flags
